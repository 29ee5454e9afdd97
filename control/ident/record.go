// Package ident finds out how a heater answers its drive, and proposes gains from what it found: models fitted to
// recorded steps, relay experiments, and the published tuning rules.
//
// It computes on records and samples it is handed; it has no clock, does no I/O, and never drives an output itself.
// What it proposes is for a person to look at on the bench: nothing here takes a tuning into use.
package ident

import (
	"errors"
	"fmt"
	"math"
)

// What can be wrong with a record. FitStep wraps one of them in a sentence that says where and what is allowed.
var (
	ErrNotFinite = errors.New("the record holds something that is not a number")
	ErrTime      = errors.New("time does not rise from row to row")
	ErrNoChange  = errors.New("the input never changes")
	ErrTooShort  = errors.New("the record is too short")
	ErrNoStep    = errors.New("the temperature does not answer the input")
)

// Step is a record of an input and what it did to a temperature. The three slices are equally long, and row i says:
// from Time[i] on the input is Input[i] (held until the next row), and at Time[i] the temperature was Temp[i].
//
// The process must be at rest under Input[0] when the record begins, apart from a slow drift along a straight line. One
// step or many, up or down: every change of the input counts. Rows need not be evenly spaced.
type Step struct {
	Time  []float64 // s, rising
	Input []float64 // in any unit that is proportional to heat: duty, percent, watts
	Temp  []float64 // °C
}

// minRows is how many rows a record needs: six unknowns, and twice as many rows again so that the scatter of the residuals
// means something. A judgement, without source.
const minRows = 18

// check says what is wrong with the record itself, before anything is fitted.
func (s Step) check() error {
	n := len(s.Time)
	if len(s.Input) != n || len(s.Temp) != n {
		return fmt.Errorf("%w: %d times, %d inputs and %d temperatures; allowed: equally many", ErrTooShort, n, len(s.Input), len(s.Temp))
	}
	if n < minRows {
		return fmt.Errorf("%w: it has %d rows; allowed: at least %d", ErrTooShort, n, minRows)
	}
	changes := false
	for i := range s.Time {
		for _, v := range [...]float64{s.Time[i], s.Input[i], s.Temp[i]} {
			// The bound keeps squares and sums away from overflow; no temperature, drive or date comes near it.
			if !(math.Abs(v) <= 1e12) {
				return fmt.Errorf("%w: row %d has %g; allowed: numbers of at most 1e12", ErrNotFinite, i+1, v)
			}
		}
		if i > 0 && !(s.Time[i] > s.Time[i-1]) {
			return fmt.Errorf("%w: row %d is at %g s after %g s; allowed: a later time on each row", ErrTime, i+1, s.Time[i], s.Time[i-1])
		}
		changes = changes || s.Input[i] != s.Input[0]
	}
	if !changes {
		return fmt.Errorf("%w: it is %g throughout; allowed: a record that begins before the step, with at least one row at the old input", ErrNoChange, s.Input[0])
	}
	return nil
}

// history is the input as the model sees it: only its changes, relative to the level it began with.
type history struct {
	at    []float64 // s since the first row
	level []float64 // input minus first input, from that time on
}

func newHistory(s Step) history {
	var h history
	for i := 1; i < len(s.Input); i++ {
		if s.Input[i] != s.Input[i-1] {
			h.at = append(h.at, s.Time[i]-s.Time[0])
			h.level = append(h.level, s.Input[i]-s.Input[0])
		}
	}
	return h
}

// thin returns at most about most rows of time (s since the first row) and temperature, each the mean of a block of
// neighbours. The mean of a block stands for its middle with an error of y″h²/24, which for a block of a hundredth of a
// time constant is four millionths of the step: below any noise. Input changes keep their exact times: they are
// not thinned.
func (s Step) thin(most int) (time, temp []float64) {
	n := len(s.Time)
	block := (n + most - 1) / most
	for i := 0; i < n; i += block {
		var t, y float64
		end := min(n, i+block)
		for k := i; k < end; k++ {
			t += s.Time[k] - s.Time[0]
			y += s.Temp[k] - s.Temp[0]
		}
		time = append(time, t/float64(end-i))
		temp = append(temp, y/float64(end-i)+s.Temp[0])
	}
	return time, temp
}
