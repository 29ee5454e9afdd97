package ident

import (
	"errors"
	"math"
	"testing"
	"time"

	"trivet/process/unit"
)

// relayTable is computed from the exact formulas and confirmed by simulation elsewhere: gain, dead time, lag; true Ku and Pu; a/d,
// period and 4d/(πa) under an ideal relay.
var relayTable = []struct{ k, dead, tau, ku, pu, a, period, estimate float64 }{
	{1, 1, 1, 2.2618, 3.0971, 0.6321, 2.9798, 2.0142},
	{1, 1, 2, 3.8069, 3.4211, 0.3935, 3.3272, 3.2359},
	{1, 1, 5, 8.5024, 3.7208, 0.1813, 3.6659, 7.0240},
	{1, 1, 10, 16.3506, 3.8500, 0.0952, 3.8181, 13.3796},
	{2, 3, 30, 8.1753, 11.550, 0.1903, 11.454, 6.6898},
	{0.8, 12, 90, 15.532, 45.658, 0.0999, 45.173, 12.750},
}

func within(got, want, relative float64) bool { return math.Abs(got-want) <= relative*math.Abs(want) }

func TestTheExactFormulasReproduceTheTable(t *testing.T) {
	for _, c := range relayTable {
		f := FirstOrder{c.k, c.tau, c.dead}
		u, err := f.Ultimate()
		if err != nil || !within(u.Ku, c.ku, 1e-4) || !within(u.Pu, c.pu, 1e-4) {
			t.Errorf("%+v: Ku %.5f, Pu %.5f, %v", c, u.Ku, u.Pu, err)
		}
		s, err := f.RelaySwing(1, 0)
		// a/d is printed to four decimals, so its last digit is worth 6 parts in 10 000 for the smallest.
		if err != nil || math.Abs(s.Half-c.a) > 6e-5 || !within(s.Period.Seconds(), c.period, 1e-4) {
			t.Errorf("%+v: a %.5f, P %v, %v", c, s.Half, s.Period, err)
		}
		// The table's sixth column divides by the rounded a in its last row; 3 parts in 10 000 cover that.
		if e, err := s.Ultimate(0); err != nil || !within(e.Ku, c.estimate, 3e-4) {
			t.Errorf("%+v: 4d/(πa) %.4f, %v", c, e.Ku, err)
		}
	}
}

// bench runs a relay experiment on a first-order process with dead time, exactly from sample to sample; the pipe of past
// drives is the dead time.
func bench(r *Relay, f FirstOrder, rest, interval float64, spoil func(n int, y unit.Reading) unit.Reading) (steps int, last float64) {
	pipe := make([]float64, int(math.Round(f.Dead/interval)))
	decay := math.Exp(-interval / f.Tau)
	x := 0.0
	for n := range 2_000_000 {
		now := time.Duration(float64(n) * interval * float64(time.Second))
		y := unit.Measured(now, unit.Celsius(rest+x))
		if spoil != nil {
			y = spoil(n, y)
		}
		u, done := r.Step(now, y)
		if done {
			return n, u
		}
		old := pipe[n%len(pipe)]
		pipe[n%len(pipe)] = u
		x = f.K*old + (x-f.K*old)*decay
	}
	return -1, math.NaN()
}

func TestAnExperimentOnTheTablesProcessesFindsTheTablesSwing(t *testing.T) {
	for _, c := range relayTable {
		// A drive of 0 to 20 around half of it, so that the target lies in the middle of what the process can reach.
		r := &Relay{Target: unit.Celsius(100 + 10*c.k), Low: 0, High: 20, Cycles: 3, Agreement: 0.01, Ceiling: 300, Limit: time.Hour}
		if n, u := bench(r, FirstOrder{c.k, c.tau, c.dead}, 100, c.dead/2000, nil); n < 0 || u != 0 {
			t.Errorf("%+v: ends after %d steps with drive %g", c, n, u)
		}
		s, err := r.Swing()
		if err != nil || !within(s.Half/10, c.a, 3e-3) || !within(s.Period.Seconds(), c.period, 3e-3) {
			t.Errorf("%+v: a/d %.4f, P %v, %v", c, s.Half/10, s.Period, err)
		}
		if u, err := s.Ultimate(0); err != nil || !within(u.Ku, c.estimate, 5e-3) || !within(u.Pu, c.period, 3e-3) {
			t.Errorf("%+v: Ku %.4f, Pu %.4f, %v", c, u.Ku, u.Pu, err)
		}
	}
}

func TestHysteresisMakesTheSwingTheFormulaGives(t *testing.T) {
	f := FirstOrder{K: 300, Tau: 60, Dead: 4}
	for _, eps := range []float64{0.5, 2, 10} {
		r := &Relay{Target: 25 + 150, Low: 0.3, High: 0.7, Hysteresis: unit.Kelvin(eps), Cycles: 3, Agreement: 0.01, Ceiling: 300, Limit: time.Hour}
		bench(r, f, 25, 0.005, nil)
		got, err := r.Swing()
		want, err2 := f.RelaySwing(0.2, eps)
		if err != nil || err2 != nil || !within(got.Half, want.Half, 3e-3) || !within(got.Period.Seconds(), want.Period.Seconds(), 3e-3) {
			t.Errorf("±%g K: %+v, %v; want %+v, %v", eps, got, err, want, err2)
		}
		if u, err := got.Ultimate(eps); err != nil || !within(u.Ku, 4*0.2/(math.Pi*math.Sqrt(want.Half*want.Half-eps*eps)), 5e-3) {
			t.Errorf("±%g K: Ku %g, %v", eps, u.Ku, err)
		}
	}
}

func TestAnExperimentThatGoesWrongEndsWithTheDriveLow(t *testing.T) {
	good := Relay{Target: 100, Low: 0, High: 1, Cycles: 3, Agreement: 0.05, Ceiling: 150, Limit: 10 * time.Minute}
	f := FirstOrder{K: 200, Tau: 40, Dead: 3}
	for name, c := range map[string]struct {
		change func(*Relay)
		spoil  func(int, unit.Reading) unit.Reading
		want   error
	}{
		"couple breaks": {nil, func(n int, y unit.Reading) unit.Reading {
			if n > 100 {
				return unit.Unusable(y.At, unit.Open)
			}
			return y
		}, ErrNoReading},
		"ceiling":         {func(r *Relay) { r.Ceiling = 101 }, nil, ErrCeiling},
		"too long":        {func(r *Relay) { r.Limit = 20 * time.Second }, nil, ErrNoSwing},
		"out of reach":    {func(r *Relay) { r.High = 0.1 }, nil, ErrNoSwing},
		"drive upside":    {func(r *Relay) { r.Low = 2 }, nil, ErrRelaySetting},
		"drive no number": {func(r *Relay) { r.Low = math.NaN() }, nil, ErrRelaySetting},
		"ceiling none":    {func(r *Relay) { r.Ceiling = unit.Celsius(math.NaN()) }, nil, ErrRelaySetting},
		"ceiling absurd":  {func(r *Relay) { r.Ceiling = 900 }, nil, ErrRelaySetting},
		"hysteresis":      {func(r *Relay) { r.Hysteresis = -1 }, nil, ErrRelaySetting},
		"one cycle":       {func(r *Relay) { r.Cycles = 1 }, nil, ErrRelaySetting},
		"no agreement":    {func(r *Relay) { r.Agreement = 0 }, nil, ErrRelaySetting},
		"no limit":        {func(r *Relay) { r.Limit = 0 }, nil, ErrRelaySetting},
	} {
		r := good
		if c.change != nil {
			c.change(&r)
		}
		_, u := bench(&r, f, 25, 0.1, c.spoil)
		_, err := r.Swing()
		if u != 0 || !errors.Is(err, c.want) {
			t.Errorf("%s: drive %g, %v", name, u, err)
		}
		// Done is for good, even if the reading comes back.
		if u, done := r.Step(time.Hour, unit.Measured(time.Hour, 50)); u != 0 || !done {
			t.Errorf("%s: afterwards the drive is %g, done %v", name, u, done)
		}
	}
	if _, err := good.Swing(); !errors.Is(err, ErrNoSwing) {
		t.Errorf("a swing before the end: %v", err)
	}
}
