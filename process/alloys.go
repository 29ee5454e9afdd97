package process

import (
	"fmt"
	"strings"

	"trivet/process/unit"
)

// Words for how far a figure can be trusted. They are shown beside every limit.
const (
	LookedUp       = "looked up in a secondary copy" // read in a copy that reproduces the standard or data sheet
	FromMemory     = "from memory"                   // recalled, not read
	CommonPractice = "common practice"               // a rule of thumb of the trade, without a source worth citing
	Judgement      = "our judgement"                 // chosen for this program, and explained where it stands
)

// Alloy is one solder alloy.
type Alloy struct {
	Name        string
	Composition string       // per cent by weight, as the trade writes it
	Solidus     unit.Celsius // below it everything is solid
	Liquidus    unit.Celsius // above it everything is liquid; equal to Solidus for a eutectic
	LeadFree    bool
	Source      string
	Confidence  string
	Note        string // may be empty
}

// Sources of the alloy rows. Suppliers differ by 1–3 °C on the liquidus of alloys that are not eutectic.
const (
	tableA  = "reference table of solder alloys"
	tableB  = "solder maker's alloy list"
	tableC  = "encyclopedia article on solder alloys"
	tableAB = tableA + "; " + tableB
)

// Alloys returns every alloy known, lead-free ones of common use first. The caller owns the slice.
func Alloys() []Alloy {
	return []Alloy{
		{"SAC305", "Sn96.5Ag3.0Cu0.5", 217, 220, true, tableAB, LookedUp, "some supplier sheets print 217–218"},
		{"SAC387", "Sn95.5Ag3.8Cu0.7", 217, 220, true, tableA, LookedUp, "217–219 also printed"},
		{"SAC405", "Sn95.5Ag4.0Cu0.5", 217, 220, true, tableA, LookedUp, "a liquidus of up to 225 is printed by some (from memory)"},
		{"SAC105", "Sn98.5Ag1.0Cu0.5", 215, 227, true, tableA, LookedUp, "217–227 also printed (from memory)"},
		{"SAC0307", "Sn99Ag0.3Cu0.7", 217, 228, true, tableA, LookedUp, ""},
		{"Sn96.5Ag3.5", "Sn96.5Ag3.5", 221, 221, true, tableAB, LookedUp, ""},
		{"SnCu0.7", "Sn99.3Cu0.7", 227, 227, true, tableA, LookedUp, ""},
		{"Sn63Pb37", "Sn63Pb37", 183, 183, false, tableAB, LookedUp, ""},
		{"Sn62Pb36Ag2", "Sn62Pb36Ag2", 179, 179, false, tableB, LookedUp, "the reference table lists Sn62.5Pb36.1Ag1.4 at 179"},
		{"Sn60Pb40", "Sn60Pb40", 183, 191, false, tableA, LookedUp, "188–190 also printed as liquidus"},
		{"Bi58Sn42", "Bi58Sn42", 138, 138, true, tableB + "; " + tableC, LookedUp, ""},
		{"Bi57Sn42Ag1", "Bi57Sn42Ag1", 139, 140, true, tableB, LookedUp, ""},
		{"Sn42Bi57.6Ag0.4", "Sn42Bi57.6Ag0.4", 138, 139, true, "none found", FromMemory, "±2 °C between suppliers"},
		{"In52Sn48", "In52Sn48", 118, 118, true, tableB, LookedUp, ""},
		{"Au80Sn20", "Au80Sn20", 280, 280, true, tableB, LookedUp, ""},
		{"Pb90Sn10", "Pb90Sn10", 268, 302, false, tableC, LookedUp, "ball alloy that must not melt in rework; 275–302 also printed"},
		{"Pb95Sn5", "Pb95Sn5", 308, 312, false, tableB, LookedUp, ""},
		{"Sn95Sb5", "Sn95Sb5", 235, 240, true, tableB, LookedUp, ""},
	}
}

// AlloyByName returns the alloy that is called name, ignoring case and spaces around it.
func AlloyByName(name string) (Alloy, bool) {
	name = strings.TrimSpace(name)
	for _, a := range Alloys() {
		if strings.EqualFold(a.Name, name) {
			return a, true
		}
	}
	return Alloy{}, false
}

// FindAlloy is AlloyByName with an error for people: it lists what is allowed.
func FindAlloy(name string) (Alloy, error) {
	a, ok := AlloyByName(name)
	if !ok {
		return Alloy{}, fmt.Errorf("alloy %q is not known; allowed: %s", name, AlloyNames())
	}
	return a, nil
}

// AlloyNames returns the names of all alloys, separated by commas.
func AlloyNames() string {
	var names []string
	for _, a := range Alloys() {
		names = append(names, a.Name)
	}
	return strings.Join(names, ", ")
}

// TinLead reports whether the alloy is of the tin-lead family that the tin-lead columns of the standards mean:
// with lead, and melting where eutectic tin-lead does. High-lead ball alloys are not, they must stay solid.
func (a Alloy) TinLead() bool { return !a.LeadFree && a.Liquidus < 200 }

// ClassificationLiquidus is the temperature above which J-STD-020 counts time: 183 °C for tin-lead and 217 °C for
// lead-free work (rev D.1 Table 5-2, secondary copies). The table knows only these two families; any other alloy
// is counted from its own liquidus.
func (a Alloy) ClassificationLiquidus() unit.Celsius {
	switch {
	case a.TinLead():
		return 183
	case a.LeadFree && a.Solidus >= 215 && a.Liquidus <= 230:
		return 217
	}
	return a.Liquidus
}
