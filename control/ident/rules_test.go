package ident

import (
	"math"
	"testing"
)

func TestTwoPointsGiveAFirstOrderModelExactly(t *testing.T) {
	// T = 10, L = 1: the marks are at 4.3333 and 11.000 s.
	if tau, dead, err := TwoPoint(4.3333, 11); err != nil || math.Abs(tau-10) > 1e-3 || math.Abs(dead-1) > 1e-3 {
		t.Errorf("τ %g, θ %g, %v", tau, dead, err)
	}
	for _, c := range [][2]float64{{5, 5}, {-1, 4}, {math.NaN(), 4}, {1, math.Inf(1)}} {
		if tau, dead, err := TwoPoint(c[0], c[1]); err == nil {
			t.Errorf("%v gives %g, %g", c, tau, dead)
		}
	}
}

// The table of settings for three processes was computed elsewhere from the same formulas; it guards against a slip in writing
// them down here. Columns: AMIGO PI, AMIGO PID, IMC PID with λ = θ, Ziegler–Nichols closed-loop PID, Tyreus–Luyben PI.
func TestTuningRulesGiveTheTabulatedSettings(t *testing.T) {
	for _, c := range []struct {
		f          FirstOrder
		amigoPI    PI
		amigo, imc IdealPID
		zn         IdealPID
		tl         PI
	}{
		{FirstOrder{1, 1, 1}, PI{0.25, 1}, IdealPID{0.65, 1.0909, 0.3846}, IdealPID{1, 1.5, 0.3333}, IdealPID{1.3571, 1.5485, 0.3871}, PI{0.7068, 6.8135}},
		{FirstOrder{1, 10, 1}, PI{2.8236, 6.0769}, IdealPID{4.7, 4.2, 0.4854}, IdealPID{7, 10.5, 0.4762}, IdealPID{9.8103, 1.925, 0.4813}, PI{5.1095, 8.47}},
		{FirstOrder{0.8, 90, 12}, PI{2.4956, 61.459}, IdealPID{4.4688, 43.886, 5.7692}, IdealPID{6.6667, 96, 5.625}, IdealPID{9.3191, 22.829, 5.7073}, PI{4.8537, 100.45}},
	} {
		u, err := c.f.Ultimate()
		if err != nil {
			t.Fatal(err)
		}
		for name, pair := range map[string][2]IdealPID{
			"AMIGO PI": {asPID(c.f.AMIGOPI()), asPID(c.amigoPI)}, "AMIGO PID": {c.f.AMIGOPID(), c.amigo}, "IMC": {c.f.IMCPID(c.f.Dead), c.imc},
			"Ziegler–Nichols": {u.ZieglerNicholsPID(), c.zn}, "Tyreus–Luyben": {asPID(u.TyreusLuybenPI()), asPID(c.tl)},
		} {
			got, want := pair[0], pair[1]
			if !within(got.Kc, want.Kc, 2e-4) || !within(got.Ti, want.Ti, 2e-4) || !within(got.Td, want.Td, 2e-4) {
				t.Errorf("%+v %s: %+v, want %+v", c.f, name, got, want)
			}
		}
	}
}

func asPID(p PI) IdealPID { return IdealPID{p.Kc, p.Ti, 0} }

// With Ku = Pu = 1 (and K = τ = θ = 1) each rule shows its own constants.
func TestTheOldRulesHaveTheirOriginalConstants(t *testing.T) {
	u, f := Ultimate{1, 1}, FirstOrder{1, 1, 1}
	for name, pair := range map[string][2]IdealPID{
		"P":        {IdealPID{Kc: u.ZieglerNicholsP()}, IdealPID{Kc: 0.5}},
		"PI":       {asPID(u.ZieglerNicholsPI()), IdealPID{0.45, 1 / 1.2, 0}},
		"PID":      {u.ZieglerNicholsPID(), IdealPID{0.6, 0.5, 0.125}},
		"TL PID":   {u.TyreusLuybenPID(), IdealPID{1 / 2.2, 2.2, 1 / 6.3}},
		"step PI":  {asPID(f.ZieglerNicholsStepPI()), IdealPID{0.9, 1 / 0.3, 0}},
		"step PID": {f.ZieglerNicholsStepPID(), IdealPID{1.2, 2, 0.5}},
	} {
		if pair[0] != pair[1] {
			t.Errorf("%s: %+v, want %+v", name, pair[0], pair[1])
		}
	}
}

func TestAModelWithoutALimitOfStabilityIsRefused(t *testing.T) {
	for _, f := range []FirstOrder{{0, 1, 1}, {1, 0, 1}, {1, 1, 0}, {math.NaN(), 1, 1}, {1, math.Inf(1), 1}} {
		if u, err := f.Ultimate(); err == nil {
			t.Errorf("%+v gives %+v", f, u)
		}
		if s, err := f.RelaySwing(1, 0); err == nil {
			t.Errorf("%+v swings %+v", f, s)
		}
	}
	if s, err := (FirstOrder{1, 1, 1}).RelaySwing(1, 2); err == nil {
		t.Errorf("a relay weaker than its hysteresis swings %+v", s)
	}
}
