package process

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Bounds a check can have.
const (
	BoundMin = "min"
	BoundMax = "max"
)

// Words for a verdict, as they are stored and sent: do not rename them.
const (
	Pass = "pass"
	Fail = "fail"
)

// Check is one limit compared with what was measured. Value was rounded before it was compared, so that what a person
// reads and what decided are the same number.
type Check struct {
	Name       string   `json:"name"`
	Measure    string   `json:"measure"`
	Value      *float64 `json:"value"` // in Unit, rounded to hundredths; null when it could not be measured
	Bound      string   `json:"bound"` // whether Limit is the least ("min") or the most ("max") that is allowed, inclusive
	Limit      float64  `json:"limit"`
	Unit       string   `json:"unit"`
	OK         bool     `json:"ok"`
	Advisory   bool     `json:"advisory"` // shown, never fails the verdict
	Source     string   `json:"source"`
	Confidence string   `json:"confidence"`
	Column     string   `json:"column,omitempty"` // where the value was found
	Note       string   `json:"note,omitempty"`
}

// Measures is what a trace was measured to be. A measure that could not be taken is null, never a number.
type Measures struct {
	// What outside programs rely on. All on the coldest joint, ramps and time to peak on whatever was steepest or slowest.
	Peak          *float64 `json:"peak_c"`
	AboveLiquidus *float64 `json:"time_above_liquidus_s"`
	RampUp        *float64 `json:"max_ramp_up_c_per_s"`
	RampDown      *float64 `json:"max_ramp_down_c_per_s"` // a positive number
	ToPeak        *float64 `json:"time_25_to_peak_s"`
	Soak          *float64 `json:"soak_s"`
	// More of the same trace, for people and for the page.
	NearPeak     *float64 `json:"time_within_5c_of_peak_s"`
	Hottest      *float64 `json:"hottest_peak_c"`
	LongestAbove *float64 `json:"longest_time_above_liquidus_s"`
	// Null without a thermocouple of their own on body or board, or without a limit to be near to.
	BodyPeak  *float64 `json:"body_peak_c"`
	BodyNear  *float64 `json:"body_time_within_5c_of_limit_s"`
	BoardPeak *float64 `json:"board_peak_c"`
	// How much of the molten time rests on nothing; 0 when every reading is there.
	LongestUnseen *float64 `json:"longest_unseen_while_hot_s"`
}

// ColumnRole says what a column was taken for. It is shown, because roles come from names, and a name can mislead.
type ColumnRole struct {
	Name string `json:"name"`
	Role string `json:"role"`
}

// Verdict says whether a trace kept its window, limit by limit. Pass means that every limit that can fail was measured
// and kept; a limit that could not be measured was not shown to be kept, and fails.
type Verdict struct {
	Pass     bool
	Window   Window
	Measures Measures
	Checks   []Check
	Columns  []ColumnRole
	Notes    []string // what a reader must know to trust it: gaps, stand-ins
}

// Word returns Pass or Fail.
func (v Verdict) Word() string {
	if v.Pass {
		return Pass
	}
	return Fail
}

// MarshalJSON writes the verdict as `trivet judge --json` prints it.
func (v Verdict) MarshalJSON() ([]byte, error) {
	// Lists are never null: a script that loops over them needs no special case.
	notes, checks := v.Notes, v.Checks
	if notes == nil {
		notes = []string{}
	}
	if checks == nil {
		checks = []Check{}
	}
	return json.Marshal(struct {
		Verdict  string       `json:"verdict"`
		Summary  string       `json:"summary"`
		Kind     Kind         `json:"kind"`
		Alloy    string       `json:"alloy"`
		Liquidus float64      `json:"liquidus_c"`
		Measures Measures     `json:"measures"`
		Checks   []Check      `json:"checks"`
		Columns  []ColumnRole `json:"columns"`
		Notes    []string     `json:"notes"`
	}{v.Word(), v.Sentence(), v.Window.Kind, v.Window.Alloy.Name, float64(v.Window.Alloy.Liquidus), v.Measures, checks, v.Columns, notes})
}

// Missed returns the checks that fail the verdict, in the order of the window. Advice is never among them.
func (v Verdict) Missed() []Check {
	var missed []Check
	for _, c := range v.Checks {
		if !c.OK && !c.Advisory {
			missed = append(missed, c)
		}
	}
	return missed
}

// Sentence says in one line how it came out: for a page's heading, a terminal, a notification. It names the first
// limit missed and how many more there are; the table has them all.
func (v Verdict) Sentence() string {
	if missed := v.Missed(); len(missed) > 0 {
		s := fmt.Sprintf("Fail: %s was %s, %s allowed", missed[0].Name, missed[0].value(), missed[0].bound())
		if n := len(missed) - 1; n > 0 {
			s += fmt.Sprintf(", and %d more", n)
		}
		return s + "."
	}
	if v.Measures.Peak == nil || v.Measures.AboveLiquidus == nil {
		return "Nothing was judged."
	}
	return fmt.Sprintf("Pass: the coldest joint reached %.1f °C and was above liquidus for %.0f s.", *v.Measures.Peak, *v.Measures.AboveLiquidus)
}

// value writes what was measured, in words where nothing was.
func (c Check) value() string {
	if c.Value == nil {
		return "not measured"
	}
	return c.number(*c.Value)
}

// bound writes what is allowed; the words say the direction, which a bare number does not.
func (c Check) bound() string {
	if c.Bound == BoundMin {
		return "at least " + c.number(c.Limit)
	}
	return "at most " + c.number(c.Limit)
}

// number writes v to hundredths, as it was compared: a limit missed by 0.04 must not read as if it were kept.
func (c Check) number(v float64) string {
	return strconv.FormatFloat(hundredths(v), 'f', -1, 64) + " " + c.Unit
}

// outcome returns how the check came out, in words: a symbol or a colour alone would not be read by everybody.
func (c Check) outcome() string {
	switch {
	case c.OK && c.Advisory:
		return "as advised"
	case c.OK:
		return "ok"
	case c.Advisory:
		return "outside advice"
	case c.Value == nil: // it may have been kept; the trace does not show it
		return "not shown"
	}
	return "missed"
}

// Table returns the verdict as aligned text for a terminal: the limits that decide, then advice, then notes.
func (v Verdict) Table() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n\n", v.Sentence())
	// What decides comes first; advice is for who reads on.
	rows := [][]string{{"check", "value", "limit", "result", "source"}}
	for _, advisory := range []bool{false, true} {
		for _, c := range v.Checks {
			if c.Advisory != advisory {
				continue
			}
			source := c.Source + ", " + c.Confidence
			if c.Source == noSource { // reads better this way round
				source = c.Confidence + ", " + noSource
			}
			rows = append(rows, []string{c.Name, c.value(), c.bound(), c.outcome(), source})
		}
	}
	writeAligned(&b, rows)
	fmt.Fprintf(&b, "\nAlloy %s, liquidus %.0f °C; judged as %s. Advice never fails a run.\n", v.Window.Alloy.Name, float64(v.Window.Alloy.Liquidus), v.Window.Kind)
	for _, n := range v.Notes {
		fmt.Fprintf(&b, "Note: %s.\n", n)
	}
	return b.String()
}

// writeAligned pads every column but the last to its widest cell, counted in characters and not in bytes.
func writeAligned(b *strings.Builder, rows [][]string) {
	width := make([]int, len(rows[0]))
	for _, r := range rows {
		for i, cell := range r {
			width[i] = max(width[i], utf8.RuneCountInString(cell))
		}
	}
	for _, r := range rows {
		for i, cell := range r {
			if i == len(r)-1 {
				b.WriteString(cell + "\n")
				break
			}
			b.WriteString(cell + strings.Repeat(" ", width[i]-utf8.RuneCountInString(cell)+2))
		}
	}
}
