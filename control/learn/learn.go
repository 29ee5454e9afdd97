// Package learn decides what the next board of a type may build on: it gathers what runs with a joint thermocouple have taught of
// one pairing of board, part and machine, leaves out the odd ones, and falls back when a lesson has made a run worse.
//
// It is pure: no clock, goroutine, I/O or logging. It keeps no samples and steers nothing.
package learn

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"

	"trivet/control/boardid"
)

// Lesson is what one run has taught. Departures are counted from what a calliper tells of the board, in the standard deviations of
// boardid, so that lessons of one pairing can be averaged.
type Lesson struct {
	Theta    boardid.Theta `json:"theta"`
	RmsC     float64       `json:"rms_c"`    // measured joint against the plan while heating, °C rms
	LeftC    float64       `json:"left_c"`   // what the fit could not explain in its last minute, °C rms
	Seconds  int           `json:"seconds"`  // of heat the fit stands on
	Distance float64       `json:"distance"` // from the model the run began with, see observe.Kin; 0 when it began without a lesson
	Used     int           `json:"used"`     // lessons the run was begun with
	Complete bool          `json:"complete"` // the run reached its peak and came to its own end
	Joint    bool          `json:"joint"`    // the joint was measured all along
}

// Book is the lessons of one pairing. The zero value is an empty book.
type Book struct {
	Lessons []Lesson `json:"lessons"` // oldest first, at most Most
	Odd     []Lesson `json:"odd"`     // refused since the last one that was taken, at most 2
}

// Most is how many lessons a book keeps. Older ones describe a younger machine: elements and fans age.
const Most = 8

// Bounds of what is worth keeping. Judgement, no source, except where a test is named.
const (
	leastSeconds = 120  // s; shorter runs have not shown the latent heat
	mostLeft     = 1.5  // °C; drawn boards leave 0.1…0.6 (TestFit in control/full)
	worseBy      = 0.3  // °C rms: the spread of one board type run on several days
	worseTimes   = 1.5  // a run that was followed this many times worse than the best of the book was made worse
	oddDistance  = 2.5  // from the book's model; drawn kin lie below 2 with a joint thermocouple
	widest       = 8.0  // standard deviations; a departure beyond it is not a board but a mistake
	ages         = 0.85 // weight of a lesson relative to the next younger one
)

// Answer is what became of a lesson that was offered.
type Answer struct {
	Taken   bool
	Dropped bool   // the youngest lesson in the book was dropped as well, because it made a run worse
	Anew    bool   // the book was begun anew: two runs in a row did not fit it
	Why     string // one sentence; empty when the lesson was simply taken
}

// Offer puts a lesson into the book, or says why not. Nothing the book says gets worse by a lesson it refuses.
func (b *Book) Offer(l Lesson) Answer {
	if why := l.unusable(); why != "" {
		return Answer{Why: "Not learned from: " + why}
	}
	why, odd := "", len(b.Lessons) > 0 && l.Used > 0 && l.Distance > oddDistance
	worse := l.Used > 0 && len(b.Lessons) > 0 && l.RmsC > worseTimes*b.best() && l.RmsC > b.best()+worseBy
	switch {
	case odd:
		why = fmt.Sprintf("Not learned from: this board did not behave like the ones before it (%.1f times what is usual between days).", l.Distance)
	case worse:
		why = fmt.Sprintf("Not learned from: the joint was followed to %.2f °C rms, the best of its kind to %.2f.", l.RmsC, b.best())
	default:
		b.take(l)
		return Answer{Taken: true}
	}
	b.Odd = append(b.Odd, l)
	if len(b.Odd) >= 2 { // twice in a row is no accident: board type or machine has changed
		b.Lessons, b.Odd = b.Odd[len(b.Odd)-1:], nil
		return Answer{Taken: true, Anew: true, Why: "Two boards in a row did not fit what had been learned: begun anew with this one."}
	}
	a := Answer{Why: why}
	if worse && !odd && l.Used == len(b.Lessons) && len(b.Lessons) > 1 {
		b.Lessons = b.Lessons[:len(b.Lessons)-1] // the youngest lesson is what that run had and better ones had not
		a.Dropped = true
		a.Why += " The lesson before it was dropped with it."
	}
	return a
}

// unusable says why a lesson teaches nothing, empty when it does.
func (l *Lesson) unusable() string {
	switch {
	case !l.Joint:
		return "no thermocouple measured the joint throughout."
	case !l.Complete:
		return "the run did not come to its end."
	case l.Seconds < leastSeconds:
		return fmt.Sprintf("only %d s of heat were recorded; %d s are needed.", l.Seconds, leastSeconds)
	case !(l.LeftC <= mostLeft):
		return fmt.Sprintf("the model leaves %.1f °C of the joint unexplained; at most %.1f may be left.", l.LeftC, mostLeft)
	case !(l.RmsC >= 0) || !(l.Distance >= 0) || math.IsInf(l.RmsC, 0):
		return "its figures are no numbers."
	}
	for _, v := range l.Theta {
		if !(v >= -widest && v <= widest) {
			return "the fit is outside anything a board can be."
		}
	}
	return ""
}

func (b *Book) take(l Lesson) {
	b.Odd = nil
	b.Lessons = append(b.Lessons, l)
	if n := len(b.Lessons); n > Most {
		b.Lessons = append([]Lesson(nil), b.Lessons[n-Most:]...)
	}
}

// best is the rms of the best run in the book, °C.
func (b *Book) best() float64 {
	v := math.Inf(1)
	for i := range b.Lessons {
		v = math.Min(v, b.Lessons[i].RmsC)
	}
	return v
}

// Known returns what the next board may be taken for; ok is false for an empty book.
//
// It is the mean of the lessons, the younger counting more. A single board differs from its type by a day's amount σ, and from the
// mean of n others by σ√(1+1/n): the mean is what several boards teach that the last one alone cannot.
func (b *Book) Known() (th boardid.Theta, ok bool) {
	sum, w := 0.0, 1.0
	for i := len(b.Lessons) - 1; i >= 0; i-- {
		for k, v := range b.Lessons[i].Theta {
			th[k] += w * v
		}
		sum += w
		w *= ages
	}
	if sum == 0 {
		return th, false
	}
	for k := range th {
		th[k] /= sum
	}
	return th, true
}

// Encode writes the book for keeping.
func (b *Book) Encode() ([]byte, error) { return json.Marshal(b) }

// Decode reads a kept book. One that is damaged, or was written for other departures than boardid now has, is an error: starting
// without a lesson is safe, starting with a wrong one is not.
func Decode(data []byte) (*Book, error) {
	var raw struct {
		Lessons, Odd []struct {
			Theta []float64 `json:"theta"`
		}
	}
	if err := json.Unmarshal(data, &raw); err != nil {
		return nil, fmt.Errorf("learn: a kept book cannot be read: %w", err)
	}
	for _, l := range append(raw.Lessons, raw.Odd...) {
		if len(l.Theta) != boardid.Count {
			return nil, fmt.Errorf("learn: a kept lesson has %d departures; this program knows %d", len(l.Theta), boardid.Count)
		}
	}
	b := &Book{}
	if err := json.Unmarshal(data, b); err != nil {
		return nil, fmt.Errorf("learn: a kept book cannot be read: %w", err)
	}
	if len(b.Lessons) > Most || len(b.Odd) > 2 {
		return nil, errors.New("learn: a kept book has more lessons than a book can have")
	}
	for i := range b.Lessons {
		if why := b.Lessons[i].unusable(); why != "" {
			return nil, errors.New("learn: a kept lesson is not usable: " + why)
		}
	}
	return b, nil
}
