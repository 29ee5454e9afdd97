package learn

import (
	"math"
	"reflect"
	"strings"
	"testing"
)

// good is a lesson worth keeping, whose first departure is v.
func good(v, rms float64, used int) Lesson {
	l := Lesson{RmsC: rms, LeftC: 0.3, Seconds: 300, Distance: 0.8, Used: used, Complete: true, Joint: true}
	l.Theta[0] = v
	return l
}

func TestTheNextBoardIsTakenForTheMeanOfItsLikes(t *testing.T) {
	var b Book
	if _, ok := b.Known(); ok {
		t.Fatal("an empty book claims to know a board")
	}
	for _, v := range []float64{1, 2, 3} {
		if a := b.Offer(good(v, 0.5, len(b.Lessons))); !a.Taken {
			t.Fatalf("refused: %s", a.Why)
		}
	}
	th, ok := b.Known()
	// By hand: (3 + 2·0.85 + 1·0.7225) / (1 + 0.85 + 0.7225).
	if want := (3 + 2*0.85 + 0.7225) / (1 + 0.85 + 0.7225); !ok || math.Abs(th[0]-want) > 1e-12 {
		t.Errorf("known %v, want %.6f", th[0], want)
	}
}

func TestWhatTeachesNothingIsRefusedWithAReason(t *testing.T) {
	for word, spoil := range map[string]func(*Lesson){
		"thermocouple": func(l *Lesson) { l.Joint = false },
		"end":          func(l *Lesson) { l.Complete = false },
		"120 s":        func(l *Lesson) { l.Seconds = 100 },
		"unexplained":  func(l *Lesson) { l.LeftC = 2 },
		"numbers":      func(l *Lesson) { l.RmsC = math.NaN() },
		"outside":      func(l *Lesson) { l.Theta[3] = 9 },
	} {
		var b Book
		l := good(0, 0.5, 0)
		spoil(&l)
		if a := b.Offer(l); a.Taken || !strings.Contains(a.Why, word) || len(b.Lessons) != 0 {
			t.Errorf("%s: taken %v, said %q", word, a.Taken, a.Why)
		}
	}
}

func TestAnOddBoardLeavesTheBookAsItWas(t *testing.T) {
	var b Book
	b.Offer(good(1, 0.5, 0))
	b.Offer(good(1, 0.5, 1))
	before, _ := b.Known()
	odd := good(5, 0.5, 2)
	odd.Distance = 3
	if a := b.Offer(odd); a.Taken || a.Dropped || a.Why == "" {
		t.Fatalf("%+v", a)
	}
	if after, _ := b.Known(); after != before {
		t.Error("a refused lesson changed what is known")
	}
	if a := b.Offer(good(1, 0.5, 2)); !a.Taken || len(b.Odd) != 0 {
		t.Error("one odd board among good ones is forgotten")
	}
}

func TestALessonThatMadeARunWorseIsDropped(t *testing.T) {
	var b Book
	b.Offer(good(1, 0.8, 0))
	b.Offer(good(1, 0.4, 1))
	b.Offer(good(4, 0.45, 2)) // the one that will mislead
	a := b.Offer(good(1, 1.2, 3))
	if a.Taken || !a.Dropped || len(b.Lessons) != 2 {
		t.Fatalf("%+v, %d lessons left", a, len(b.Lessons))
	}
	if th, _ := b.Known(); math.Abs(th[0]-1) > 1e-12 {
		t.Errorf("the misleading lesson is still in what is known: %v", th[0])
	}
}

func TestTwoOddBoardsInARowBeginTheBookAnew(t *testing.T) {
	var b Book
	b.Offer(good(1, 0.5, 0))
	odd := good(-2, 0.5, 1)
	odd.Distance = 3
	b.Offer(odd)
	if a := b.Offer(odd); !a.Anew || len(b.Lessons) != 1 {
		t.Fatalf("%+v", a)
	}
	if th, _ := b.Known(); th[0] != -2 {
		t.Errorf("known %v", th[0])
	}
}

func TestABookForgetsWhatIsOld(t *testing.T) {
	var b Book
	for i := range Most + 3 {
		b.Offer(good(float64(i)/10, 0.5, len(b.Lessons)))
	}
	if len(b.Lessons) != Most || b.Lessons[0].Theta[0] != 0.3 {
		t.Errorf("%d lessons, the oldest %v", len(b.Lessons), b.Lessons[0].Theta[0])
	}
}

func TestAKeptBookComesBackAndADamagedOneDoesNot(t *testing.T) {
	var b Book
	b.Offer(good(1.5, 0.5, 0))
	data, err := b.Encode()
	if err != nil {
		t.Fatal(err)
	}
	again, err := Decode(data)
	if err != nil || !reflect.DeepEqual(again.Lessons, b.Lessons) {
		t.Fatalf("%v, %+v", err, again)
	}
	for _, bad := range []string{"", "{", `{"lessons":[{"theta":[1,2]}]}`, strings.Replace(string(data), "1.5", "99", 1), strings.Replace(string(data), `"complete":true`, `"complete":false`, 1)} {
		if _, err := Decode([]byte(bad)); err == nil {
			t.Errorf("%.40q was read as a book", bad)
		}
	}
	if _, err := Decode([]byte("{}")); err != nil {
		t.Errorf("an empty book is a book: %v", err)
	}
}
