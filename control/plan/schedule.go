// Package plan finds the heater temperatures that carry the joint along a profile: a fitted model is inverted over the
// whole time to come, within what heaters, mains, part and board allow.
//
// It is pure and slow (some ten milliseconds): it belongs outside the tick. What it returns is handed over whole.
package plan

import "time"

// Groups of heaters that are planned together.
const (
	Top = iota
	Bottom
	Area
	Groups
)

// Schedule is what to do from Begin on, one value a second, and what should come of it. It is never changed once made.
type Schedule struct {
	Begin   time.Duration     // law time of the first value
	Set     [Groups][]float64 // heater temperatures, °C
	Reading []float64         // what the joint thermocouple should show, °C
	Ball    []float64         // what the outer balls should be at, °C
	Body    []float64         // what the package top should show, °C
	Board   []float64         // hottest of the board's lumps, °C
	Target  []float64         // what the profile wants of the balls, °C
	Load    []float64         // mains power, W
	Walk    []float64         // how fast profile time should go, 1 being real time
	Pace    []float64         // the same by segment, from the present one on
	Miss    float64           // rms of Ball − Target over the horizon, °C
	Worst   float64           // largest lag behind the target, °C
}

// Len is how many seconds the schedule covers.
func (s *Schedule) Len() int { return len(s.Reading) }

// index returns the two values around time t and the share of the second.
func (s *Schedule) index(t time.Duration) (i, j int, f float64) {
	x := (t - s.Begin).Seconds()
	last := len(s.Reading) - 1
	if !(x > 0) {
		return 0, 0, 0
	}
	if x >= float64(last) {
		return last, last, 0
	}
	i = int(x)
	return i, i + 1, x - float64(i)
}

// At returns the planned heater temperatures and their rates, and the joint reading to expect, at law time t. Before the
// first value it returns that, after the last the last with rate 0. It allocates nothing.
func (s *Schedule) At(t time.Duration) (set, rate [Groups]float64, reading float64) {
	i, j, f := s.index(t)
	for g := range Groups {
		a, b := s.Set[g][i], s.Set[g][j]
		set[g], rate[g] = a+f*(b-a), b-a
	}
	return set, rate, s.Reading[i] + f*(s.Reading[j]-s.Reading[i])
}

// PaceAt returns how fast profile time should go at law time t: 1 as the profile asks, less where the machine cannot follow.
func (s *Schedule) PaceAt(t time.Duration) float64 {
	i, _, _ := s.index(t)
	return s.Walk[i]
}

// BallAt returns the planned temperature of the outer balls at law time t, °C.
func (s *Schedule) BallAt(t time.Duration) float64 {
	i, j, f := s.index(t)
	return s.Ball[i] + f*(s.Ball[j]-s.Ball[i])
}
