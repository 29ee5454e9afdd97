package full_test

import (
	"testing"

	"trivet/control/boardid"
)

// The second and third board of a type must not be followed worse than the first: over six types, because one machine-limited
// board alone says nothing.
func TestLessonsHelpTheNextBoard(t *testing.T) {
	if testing.Short() {
		t.Skip("drives several boards")
	}
	trials := drawn(t, uint64(setting("SERIES", 14)), int(setting("BOARDS", 6)), setting("RATE", 0.6))
	zones := commission(trials[0].machine, trials[0].board)
	runs := make([][]score, 3)
	for i := range runs {
		runs[i] = make([]score, len(trials))
	}
	each(trials, func(i int, tr trial) score {
		var th *boardid.Theta
		for n := range runs {
			day := tr
			if n > 0 {
				day = again(tr, uint64(n))
			}
			l := fullLaw(day, zones)
			l.SetLearned(th)
			runs[n][i] = run(day, l, l.SeeBoard, walking(l), nil)
			if got, ok := l.Lesson(); ok {
				th = &got.Theta
			}
		}
		return score{}
	})
	mean := func(s []score) (m float64) {
		for i := range s {
			m += s[i].rms / float64(len(s))
		}
		return m
	}
	for n := range runs {
		t.Log(table("board", runs[n]))
	}
	if a, c := mean(runs[0]), mean(runs[2]); !(c < a+0.05) {
		t.Errorf("the third board is followed to %.2f °C rms, the first was to %.2f; lessons must help", c, a)
	}
}
