// Package moisture knows how long a moisture-sensitive part may lie about before it is soldered, and how it is dried when it has lain about
// for too long. It computes from a written history and the tables of J-STD-033; it has no clock.
//
// The tables were read in secondary copies or recalled, and each answer says so. A supervisor can replace a value by what the standard or
// the part's label really says.
package moisture

import (
	"fmt"
	"math"
	"slices"
	"time"

	"trivet/process"
)

// Level is a moisture sensitivity level as labels print it.
type Level string

// Levels returns the levels in order of sensitivity.
func Levels() []Level { return []Level{"1", "2", "2a", "3", "4", "5", "5a", "6"} }

// Known reports whether l is a level.
func (l Level) Known() bool { return slices.Contains(Levels(), l) }

// Body is what the rules need to know of a part.
type Body struct {
	Level       Level      `json:"level"`
	ThicknessMM float64    `json:"thickness_mm"`        // of the body, without balls
	Large       bool       `json:"large,omitempty"`     // a BGA larger than 17 mm by 17 mm, or with stacked dies
	LabelH      float64    `json:"label_h,omitempty"`   // hours of floor life printed on the label; required for level 6, and before the table for any other
	Confirmed   *Confirmed `json:"confirmed,omitempty"` // what a supervisor has put in place of the tables; nil for nothing
}

// Confirmed is a supervisor's word on values that were read in secondary copies or recalled.
type Confirmed struct {
	By         string  `json:"by"`
	Source     string  `json:"source"`                 // where it was read
	FloorLifeH float64 `json:"floor_life_h,omitempty"` // 0 leaves the table's
	BakeHours  float64 `json:"bake_h,omitempty"`       // at BakeC; 0 leaves the table's
	BakeC      float64 `json:"bake_c,omitempty"`
}

// Check says what is wrong with a part's description, or nothing.
func (p Body) Check() error {
	switch {
	case !p.Level.Known():
		return fmt.Errorf("moisture level is %q; allowed: %v. It is on the bag's label", p.Level, Levels())
	case !(p.ThicknessMM > 0 && p.ThicknessMM <= 4.5):
		return fmt.Errorf("body thickness is %g mm; the bake table goes up to 4.5 mm", p.ThicknessMM)
	case !(p.LabelH >= 0 && p.LabelH <= 10000):
		return fmt.Errorf("the label's floor life is %g h; allowed are 0, for none, to 10000", p.LabelH)
	case p.Level == "6" && p.LabelH == 0:
		return fmt.Errorf("a level 6 part has its floor life printed on the label; none is given")
	}
	return nil
}

// FloorLife returns how long the part may be out of the bag at 30 °C and 60 %RH, and the source; false for no limit.
func (p Body) FloorLife() (life time.Duration, limited bool, source string) {
	switch {
	case p.Confirmed != nil && p.Confirmed.FloorLifeH > 0:
		return span(p.Confirmed.FloorLifeH), true, fmt.Sprintf("%s, confirmed by %s", p.Confirmed.Source, p.Confirmed.By)
	case p.LabelH > 0:
		return span(p.LabelH), true, "the part's label"
	}
	h := floorLife[p.Level]
	if math.IsInf(h, 1) {
		return 0, false, sourceFloor
	}
	return span(h), true, sourceFloor
}

func span(hours float64) time.Duration { return time.Duration(hours * float64(time.Hour)) }

// Air is what a part lies in. The zero value is air nobody has measured.
type Air struct {
	TempC float64 `json:"temp_c,omitempty"`
	RH    float64 `json:"rh_percent,omitempty"`
	Known bool    `json:"known,omitempty"`
}

// The air that the floor life is printed for: it is assumed where nobody has measured. It is the worst that a shop should have.
var printed = Air{TempC: 30, RH: 60, Known: true}

// Rate returns how fast floor life is used up in some air: 1 as printed, 0 where the table knows no limit. Between the points of the table
// the worse one counts. Beyond 35 °C and 90 %RH the table ends; its corner is taken, and outside is true.
//
// Level 2 has no rows: those of 2a are taken, which is our judgement.
func (p Body) Rate(a Air) (rate float64, outside bool) {
	if !a.Known {
		a = printed
	}
	l := p.Level
	switch l {
	case "1":
		return 0, a.TempC > 30 || a.RH > 85
	case "2":
		l = "2a"
	case "6":
		return 1, a.TempC > 30 || a.RH > 60 // the label's hours hold at 30 °C and 60 %RH; nothing is gained by better air
	}
	t := derating[l]
	r, beyondRH := worse(deratingRH[:], a.RH)
	c, beyondC := worse(deratingC[:], a.TempC)
	days := t[r][c]
	if math.IsInf(days, 1) {
		return 0, false
	}
	base := t[slices.Index(deratingRH[:], printed.RH)][slices.Index(deratingC[:], printed.TempC)]
	return base / days, beyondRH || beyondC
}

// worse returns the first point of an axis that is not below v, and whether there is none.
func worse(axis []float64, v float64) (at int, beyond bool) {
	for i, x := range axis {
		if v <= x {
			return i, false
		}
	}
	return len(axis) - 1, true // a value that is no number is beyond, too
}

// Bake is one way of drying a part.
type Bake struct {
	TempC      float64 `json:"temp_c"`
	MostRH     float64 `json:"most_rh_percent"` // of the oven's air; 0: any
	Hours      float64 `json:"hours"`
	Source     string  `json:"source"`
	Confidence string  `json:"confidence"`
}

// Bakes lists the ways to dry a part whose floor life was exceeded by some time at 30 °C and 60 %RH; one that is not over counts as the
// shorter column. Hottest first. Trays, tubes and labels seldom bear 125 °C: read what is printed on them.
func (p Body) Bakes(exceeded time.Duration) []Bake {
	if k := p.Confirmed; k != nil && k.BakeHours > 0 {
		return []Bake{{TempC: k.BakeC, Hours: k.BakeHours, Source: fmt.Sprintf("%s, confirmed by %s", k.Source, k.By), Confidence: process.LookedUp}}
	}
	l := p.Level
	switch l {
	case "1":
		return nil
	case "2":
		l = "2a" // no rows of its own; our judgement
	case "6":
		l = "5a" // the standard demands a bake and the label says which; this is the longest of the table
	}
	long := exceeded > 72*time.Hour
	var out []Bake
	for _, r := range bakes {
		if r.level != l || !(p.ThicknessMM <= r.upToMM) || len(out) > 0 && slices.ContainsFunc(out, func(b Bake) bool { return b.TempC == r.tempC }) {
			continue // rows stand from thin to thick: the first that is thick enough counts
		}
		b := Bake{TempC: r.tempC, Hours: r.upTo, Source: sourceBake, Confidence: r.confidence}
		if long {
			b.Hours = r.over
		}
		if r.tempC < 125 {
			b.MostRH = 5
		}
		if r.tempC == 125 && long && p.Large && b.Hours < largeBake.over {
			b.Hours, b.Confidence = largeBake.over, largeBake.confidence
		}
		out = append(out, b)
	}
	return out
}
