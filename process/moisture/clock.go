package moisture

import (
	"fmt"
	"slices"
	"time"
)

// Where a part was.
type Where string

// The places that count differently. The words are stored: do not rename them.
const (
	Exposed Where = "exposed" // in the air of the shop
	Dry     Where = "dry"     // sealed in its bag, or in a cabinet at 10 %RH or less: the clock stands still
	Baking  Where = "baking"  // in an oven
)

// Stay is one stretch of a part's history.
type Stay struct {
	From   time.Time `json:"from"`
	To     time.Time `json:"to"`
	Where  Where     `json:"where"`
	Air    Air       `json:"air,omitempty"`             // of an exposure; unknown counts as 30 °C and 60 %RH
	BakeC  float64   `json:"bake_c,omitempty"`          // of a bake
	BakeRH float64   `json:"bake_rh_percent,omitempty"` // of a bake; 0: not measured, which is fine at 125 °C only
}

// State is how a part stands.
type State struct {
	Limited bool          // false: level 1
	Used    time.Duration // of its floor life, as if spent at 30 °C and 60 %RH, since it was last dry
	Left    time.Duration // in the air it was last in, or as printed; 0 when expired
	Expired bool
	Over    time.Duration // by how much, as if spent at 30 °C and 60 %RH
	DryAt   time.Time     // when it was last dried or taken from its sealed bag; zero: before the history begins
	Bakes   []Bake        // one of which is owed; empty when none is
	Notes   []string      // what had to be assumed, and whose figures these are
	HotFor  time.Duration // it has been baked at more than 90 °C in all its history
}

// mostHot is how long a part may be baked above 90 °C in all before its balls oxidise (from memory; suppliers differ).
const mostHot = 96 * time.Hour

// Clock runs through a history, oldest first, and says how the part stands at now. The history begins when the bag was opened, or, of a part
// that comes off a board, when that began to lie about. Time that no stay covers counts as exposure to air that nobody has measured.
func Clock(p Body, history []Stay, now time.Time) (State, error) {
	if err := p.Check(); err != nil {
		return State{}, err
	}
	if err := checkHistory(history, now); err != nil {
		return State{}, err
	}
	life, limited, source := p.FloorLife()
	s := State{Limited: limited}
	note := func(n string) {
		if !slices.Contains(s.Notes, n) {
			s.Notes = append(s.Notes, n)
		}
	}
	note("floor life: " + source)
	last := Air{}
	expose := func(d time.Duration, a Air) {
		if d <= 0 {
			return
		}
		if !a.Known {
			note("time that was not measured counts as 30 °C and 60 %RH")
		} else {
			note("other air than 30 °C and 60 %RH: " + sourceDerating)
		}
		rate, outside := p.Rate(a)
		if outside {
			note(fmt.Sprintf("%g °C and %g %%RH is beyond the table; its last point was taken", a.TempC, a.RH))
		}
		s.Used += time.Duration(float64(d) * rate)
		last = a
	}
	var at time.Time
	for i, h := range history {
		if i > 0 {
			expose(h.From.Sub(at), Air{})
		}
		at = h.To
		switch h.Where {
		case Exposed:
			expose(h.To.Sub(h.From), h.Air)
		case Baking:
			d := h.To.Sub(h.From)
			if h.BakeC > 90 {
				s.HotFor += d
			}
			if p.dried(h, max(0, s.Used-life)) {
				s.Used, s.DryAt = 0, h.To
			} else {
				note(fmt.Sprintf("%.3g h at %g °C dries nothing that counts: the clock stood still, no more", d.Hours(), h.BakeC))
			}
		}
	}
	if len(history) > 0 {
		expose(now.Sub(at), Air{})
	}
	if s.HotFor > mostHot {
		note(fmt.Sprintf("baked above 90 °C for %.3g h in all: more than %.3g h may oxidise the balls (from memory)", s.HotFor.Hours(), mostHot.Hours()))
	}
	if !limited {
		return s, nil
	}
	// Level 6 is baked before each use, however short it lay about.
	if s.Over = max(0, s.Used-life); s.Over > 0 || s.Used >= life || p.Level == "6" && s.DryAt.IsZero() {
		s.Expired, s.Bakes = true, p.Bakes(s.Over)
		note("bake: " + sourceBake)
		return s, nil
	}
	s.Left = life - s.Used
	if rate, _ := p.Rate(last); rate > 0 {
		s.Left = time.Duration(float64(s.Left) / rate)
	}
	return s, nil
}

// dried reports whether a bake was one of those that were owed.
func (p Body) dried(h Stay, over time.Duration) bool {
	for _, b := range p.Bakes(over) {
		if h.BakeC >= b.TempC-5 && h.To.Sub(h.From).Hours() >= b.Hours && (b.MostRH == 0 || h.BakeRH > 0 && h.BakeRH <= b.MostRH) {
			return true
		}
	}
	return false
}

// checkHistory finds stays that cannot be.
func checkHistory(history []Stay, now time.Time) error {
	for i, h := range history {
		switch {
		case h.To.Before(h.From):
			return fmt.Errorf("stay %d ends (%s) before it begins (%s)", i+1, h.To.Format(time.DateTime), h.From.Format(time.DateTime))
		case i > 0 && h.From.Before(history[i-1].To):
			return fmt.Errorf("stay %d begins before the one ahead of it has ended; a part is in one place at a time", i+1)
		case h.To.After(now):
			return fmt.Errorf("stay %d ends after now (%s)", i+1, now.Format(time.DateTime))
		case h.Where != Exposed && h.Where != Dry && h.Where != Baking:
			return fmt.Errorf("stay %d is %q; allowed are exposed, dry and baking", i+1, h.Where)
		case h.Where == Baking && !(h.BakeC >= 40 && h.BakeC <= 150):
			return fmt.Errorf("stay %d bakes at %g °C; allowed are 40…150", i+1, h.BakeC)
		case h.Air.Known && !(h.Air.RH >= 0 && h.Air.RH <= 100 && h.Air.TempC >= -40 && h.Air.TempC <= 60):
			return fmt.Errorf("stay %d is in air of %g °C and %g %%RH; allowed are −40…60 °C and 0…100 %%", i+1, h.Air.TempC, h.Air.RH)
		}
	}
	return nil
}
