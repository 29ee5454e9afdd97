package haltest

import (
	"errors"
	"testing"
	"time"

	"trivet/sim/chip"
)

// Screen is a driver of a small screen.
type Screen interface {
	Show(text string)
	Poll(now time.Duration)
	Err() error
}

// ScreenBench is one driver on an emulated screen.
type ScreenBench struct {
	Screen Screen
	Pixel  func(x, y int) bool
	Inject func(f chip.Fault)
	Tap    *Tap
}

// ScreenSpec is what is promised of one kind of screen.
type ScreenSpec struct {
	Chip          string
	New           func(tb testing.TB) ScreenBench
	Width, Height int
	BytesPerPoll  int           // on the bus, at most
	Full          int           // polls until a whole screen is shown
	Retry         time.Duration // between two attempts on a screen that does not answer
	Refresh       time.Duration // after which a screen that lost its picture has it again
}

// screen is a bench on virtual time, polled in every tick.
type screen struct {
	ScreenBench
	spec  ScreenSpec
	now   time.Duration
	worst int // bytes in one poll
}

func startScreen(tb testing.TB, s ScreenSpec) *screen {
	tb.Helper()
	return &screen{ScreenBench: s.New(tb), spec: s}
}

func (s *screen) polls(n int) {
	for range n {
		s.Screen.Poll(s.now)
		s.now += Tick
		_, bytes := s.Tap.Traffic()
		s.worst = max(s.worst, bytes)
	}
}

// picture is what is to be seen.
func (s *screen) picture() string {
	b := make([]byte, 0, s.spec.Width*s.spec.Height)
	for y := range s.spec.Height {
		for x := range s.spec.Width {
			c := byte(' ')
			if s.Pixel(x, y) {
				c = '#'
			}
			b = append(b, c)
		}
	}
	return string(b)
}

// want is the picture of a text on a screen of its own to which nothing ever happened.
func want(t *testing.T, s ScreenSpec, text string) string {
	t.Helper()
	d := startScreen(t, s)
	d.Screen.Show(text)
	d.polls(s.Full)
	if err := d.Screen.Err(); err != nil {
		t.Fatal(err)
	}
	return d.picture()
}

// Texts as the machine would have them.
const (
	oneText   = "Running: soak. Joint 183 °C, peak in 2:10"
	otherText = "Stopped by a person. Cooling, do not touch: 121 °C"
)

// RunScreen runs every promise on a driver of a screen.
func RunScreen(t *testing.T, s ScreenSpec) Card {
	c := Card{Chip: s.Chip}
	c.promise(t, "two texts are two pictures, and the last one shown stays", func(t *testing.T) { lastStays(t, s) })
	c.promise(t, "no poll keeps the bus for more than a chunk", func(t *testing.T) { chunks(t, s) })
	c.promise(t, "to show a text touches no bus, and one that is shown costs nothing", func(t *testing.T) { costsNothing(t, s) })
	c.promise(t, "a screen that is missing is tried now and then, and shows the text when it comes", func(t *testing.T) { missing(t, s) })
	c.promise(t, "a screen that fails in any transaction shows the text in the end", func(t *testing.T) { anyFailure(t, s) })
	c.promise(t, "a screen that has lost its picture has it again in a while", func(t *testing.T) { lostPicture(t, s) })
	return c
}

func lastStays(t *testing.T, s ScreenSpec) {
	one, other, none := want(t, s, oneText), want(t, s, otherText), want(t, s, "")
	if one == other || one == none || other == none {
		t.Fatal("the pictures are the same")
	}
	d := startScreen(t, s)
	for _, text := range []string{oneText, "", otherText, oneText, otherText} {
		d.Screen.Show(text)
		d.polls(7) // not enough for all of it
	}
	d.polls(s.Full)
	if d.picture() != other {
		t.Error("not the last text")
	}
}

func chunks(t *testing.T, s ScreenSpec) {
	d := startScreen(t, s)
	for k := range 20 {
		d.Screen.Show([]string{oneText, otherText, ""}[k%3])
		d.polls(s.Full)
	}
	if d.worst > s.BytesPerPoll || d.worst == 0 {
		t.Errorf("%d bytes in one poll; %d are promised", d.worst, s.BytesPerPoll)
	}
}

func costsNothing(t *testing.T, s ScreenSpec) {
	d := startScreen(t, s)
	d.Screen.Show(oneText)
	d.polls(s.Full)
	d.Tap.Traffic()
	for range 10 {
		d.Screen.Show(oneText)
	}
	d.Screen.Show(otherText)
	d.Screen.Show(oneText)
	for range 10 {
		d.Screen.Poll(d.now)
	}
	if n, _ := d.Tap.Traffic(); n != 0 {
		t.Errorf("%d transactions for a text that is there", n)
	}
}

func missing(t *testing.T, s ScreenSpec) {
	d := startScreen(t, s)
	d.Inject(chip.Dead)
	d.Screen.Show(oneText)
	d.Tap.Traffic()
	tries := 0
	for range 600 {
		d.Screen.Poll(d.now)
		d.now += Tick
		n, _ := d.Tap.Traffic()
		tries += n
	}
	if most := int(time.Minute/s.Retry) + 1; tries > most || d.Screen.Err() == nil {
		t.Errorf("%d transactions in a minute, %d are allowed; %v", tries, most, d.Screen.Err())
	}
	d.Inject(chip.None)
	d.polls(int(s.Retry/Tick) + s.Full)
	if d.picture() != want(t, s, oneText) || d.Screen.Err() != nil {
		t.Errorf("the screen is there: %v", d.Screen.Err())
	}
}

func anyFailure(t *testing.T, s ScreenSpec) {
	whole := want(t, s, oneText)
	d := startScreen(t, s)
	d.Screen.Show(oneText)
	for range s.Full {
		d.Screen.Poll(d.now)
		d.now += Tick
	}
	total, _ := d.Tap.Traffic()
	for fails := range total {
		d, n := startScreen(t, s), 0
		d.Tap.Before(func() error {
			if n++; n-1 == fails {
				return errGone
			}
			return nil
		})
		d.Screen.Show(oneText)
		told := false
		for range int(s.Retry/Tick) + 2*s.Full {
			d.polls(1)
			told = told || errors.Is(d.Screen.Err(), errGone)
		}
		if !told || d.picture() != whole || d.Screen.Err() != nil {
			t.Fatalf("transaction %d of %d failed: told %v, %v", fails, total, told, d.Screen.Err())
		}
	}
}

func lostPicture(t *testing.T, s ScreenSpec) {
	d := startScreen(t, s)
	d.Screen.Show(oneText)
	d.polls(s.Full)
	d.Inject(chip.ResetChip)
	d.Inject(chip.None)
	d.polls(int(s.Refresh/Tick) + s.Full)
	if d.picture() != want(t, s, oneText) {
		t.Error("the picture is lost")
	}
}
