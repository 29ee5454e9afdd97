package safety

import (
	"slices"
	"strings"
	"testing"

	"trivet/process/unit"
)

// ready is a machine that may start: two interlocks of each kind, so that the second one counts as well.
func ready() (Limits, Facts) {
	l := Limits{Supply: true}
	for i, r := range []Role{RoleNozzle, RoleArea, RoleNeighbour, RoleJoint, RoleBoard, RolePackageTop} {
		l.Sensors[i] = Sensor{Name: string(r), Role: r, Guard: i != 2}
	}
	l.NSensors = 6
	for i, k := range []InterlockKind{EmergencyStop, Limiter, Door, Extraction, EmergencyStop, Limiter, Door, Extraction} {
		l.Interlocks[i] = Interlock{Name: string(k), Kind: k}
	}
	l.NInterlock = 8
	f := Facts{Supply: 1}
	for i := range 6 {
		f.Readings[i], f.Cold[i] = unit.Measured(0, 25), unit.Measured(0, 25)
	}
	for i := range 8 {
		f.Closed[i] = true
	}
	return l, f
}

// unmet lists what does not hold, as "code of subject".
func unmet(l *Limits, f *Facts) (out []string) {
	for _, p := range Permissives() {
		for i := range subjects(l, p.Of) {
			if !p.Holds(l, f, i) {
				out = append(out, p.Code+" "+string(rune('0'+i)))
			}
		}
	}
	return out
}

func TestOneConditionThatDoesNotHoldRefusesTheStart(t *testing.T) {
	good := func(f *Facts, i int, c unit.Celsius) { f.Readings[i] = unit.Measured(0, c) }
	lost := func(f *Facts, i int) { f.Readings[i] = unit.Unusable(0, unit.Open) }
	for _, c := range []struct {
		story string
		do    func(l *Limits, f *Facts)
		want  string // what does not hold
	}{
		{"everything holds", func(*Limits, *Facts) {}, ""},
		{"first emergency stop", func(_ *Limits, f *Facts) { f.Closed[0] = false }, "emergency_stop 0"},
		{"second emergency stop", func(_ *Limits, f *Facts) { f.Closed[4] = false }, "emergency_stop 4"},
		{"second limiter", func(_ *Limits, f *Facts) { f.Closed[5] = false }, "limiter 5"},
		{"second door", func(_ *Limits, f *Facts) { f.Closed[6] = false }, "door 6"},
		{"second extraction", func(_ *Limits, f *Facts) { f.Closed[7] = false }, "extraction 7"},
		{"a contact that is not there", func(l *Limits, f *Facts) { l.NInterlock = 7; f.Closed[7] = false }, ""},
		{"a guard does not read", func(_ *Limits, f *Facts) { lost(f, 1) }, "sensor 1"},
		{"the last guard does not read", func(_ *Limits, f *Facts) { lost(f, 5) }, "sensor 5"},
		{"a monitor does not read", func(_ *Limits, f *Facts) { lost(f, 2) }, ""},
		{"a joint that the run does without", func(_ *Limits, f *Facts) { lost(f, 3); f.Without = 1 << 3 }, ""},
		{"a package top that the run does without", func(_ *Limits, f *Facts) { lost(f, 5); f.Without = 1 << 5 }, ""},
		{"a board that the run would like to do without", func(_ *Limits, f *Facts) { lost(f, 4); f.Without = All }, "sensor 4"},
		{"another joint than the one that is left out", func(_ *Limits, f *Facts) { lost(f, 3); f.Without = 1 << 4 }, "sensor 3"},
		{"a hot joint", func(_ *Limits, f *Facts) { good(f, 3, 60) }, "cold 3"},
		{"a hot board", func(_ *Limits, f *Facts) { good(f, 4, 60) }, "cold 4"},
		{"a hot package top", func(_ *Limits, f *Facts) { good(f, 5, 60) }, "cold 5"},
		{"warm, but one may touch it", func(_ *Limits, f *Facts) { good(f, 3, 59.9); good(f, 4, 59.9); good(f, 5, 59.9) }, ""},
		{"hot where nobody touches", func(_ *Limits, f *Facts) { good(f, 0, 300); good(f, 1, 300); good(f, 2, 300) }, ""},
		{"the last amplifier is cold", func(_ *Limits, f *Facts) { f.Cold[5] = unit.Measured(0, 4.9) }, "frost 0"},
		{"the first amplifier is cold", func(_ *Limits, f *Facts) { f.Cold[0] = unit.Measured(0, 4.9) }, "frost 0"},
		{"amplifiers that do not tell", func(_ *Limits, f *Facts) { f.Cold = [MaxSensors]unit.Reading{} }, ""},
		{"an amplifier that is not there", func(_ *Limits, f *Facts) { f.Cold[6] = unit.Measured(0, 0) }, ""},
		{"mains too low", func(_ *Limits, f *Facts) { f.Supply = 0.849 }, "supply 0"},
		{"mains too high", func(_ *Limits, f *Facts) { f.Supply = 1.101 }, "supply 0"},
		{"a part that could not be connected", func(l *Limits, _ *Facts) { l.Unfit = true }, "whole 0"},
		{"a machine that must be commissioned and is", func(l *Limits, f *Facts) { l.Commission, f.Commissioned = true, CommissionedSound }, ""},
		{"a machine that must be commissioned and never was", func(l *Limits, _ *Facts) { l.Commission = true }, "commissioned 0"},
		{"a machine whose commissioning is not in use yet", func(l *Limits, f *Facts) { l.Commission, f.Commissioned = true, CommissionUnused }, "commissioned 0"},
		{"a machine that need not be commissioned", func(_ *Limits, f *Facts) { f.Commissioned = CommissionStale }, ""},
		{"mains that nobody measures", func(l *Limits, f *Facts) { l.Supply, f.Supply = false, 0 }, ""},
	} {
		l, f := ready()
		c.do(&l, &f)
		if got := strings.Join(unmet(&l, &f), ", "); got != c.want {
			t.Errorf("%s: %q does not hold, want %q", c.story, got, c.want)
		}
		if Ready(&l, &f) != (c.want == "") {
			t.Errorf("%s: ready %v", c.story, Ready(&l, &f))
		}
	}
}

func TestAConditionIsShownOnlyWhereItAppliesAtAll(t *testing.T) {
	l, _ := ready()
	l.Unfit, l.Commission = true, true
	var got []string
	for _, p := range Permissives() {
		for i := -1; i < 20; i++ {
			if i >= 0 && p.Applies(&l, i) {
				got = append(got, p.Code+" "+string(rune('0'+i)))
			}
		}
	}
	want := []string{"whole 0", "emergency_stop 0", "emergency_stop 4", "limiter 1", "limiter 5", "door 2", "door 6", "extraction 3", "extraction 7",
		"sensor 0", "sensor 1", "sensor 3", "sensor 4", "sensor 5", "cold 3", "cold 4", "cold 5", "frost 0", "supply 0", "commissioned 0"}
	if !slices.Equal(got, want) {
		t.Errorf("shown are %q\nwant %q", got, want)
	}
	l.Unfit, l.Commission, l.Supply, l.NSensors, l.NInterlock = false, false, false, 5, 7
	l.Sensors[3].Guard = false
	for _, p := range Permissives() {
		if p.Applies(&l, 5) && p.Of == EachSensor || p.Applies(&l, 7) || p.Of == Station && p.Code != "frost" && p.Applies(&l, 0) || p.Code == "sensor" && p.Applies(&l, 3) {
			t.Errorf("%s of something that there is not", p.Code)
		}
	}
	if p := (&Permissive{Of: EachHeater}); p.Applies(&l, 0) {
		t.Error("no condition is about a heater")
	}
}

func TestTheVerdictSaysWhetherAStartIsPossible(t *testing.T) {
	b := newBench(t)
	for i := range 4 {
		b.set(i, 25)
	}
	b.step()
	if !b.v.Ready {
		t.Error("nothing is in the way")
	}
	b.set(0, 60)
	if b.step(); b.v.Ready {
		t.Error("the joint is hot")
	}
}

func TestEachWayOfNotBeingCommissionedIsSaid(t *testing.T) {
	seen := map[string]bool{}
	for c := CommissionNever; c < CommissionedSound; c++ {
		s := c.Owed()
		if s == "" || seen[s] {
			t.Errorf("%d: %q", c, s)
		}
		seen[s] = true
	}
	if s := CommissionedSound.Owed(); s != "" {
		t.Errorf("sound: %q", s)
	}
	if (CommissionedSound + 1).Owed() != CommissionNever.Owed() {
		t.Error("what is not known counts as never")
	}
	for c, word := range map[Commissioning]string{CommissionNever: "has not been", CommissionStale: "machine file has changed", CommissionPartly: "not finished",
		CommissionFaulty: "not mended", CommissionLost: "cannot be read", CommissionUnused: "restart the program"} {
		if !strings.Contains(c.Owed(), word) {
			t.Errorf("%d: %q", c, c.Owed())
		}
	}
}
