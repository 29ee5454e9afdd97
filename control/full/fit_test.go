package full_test

import (
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"trivet/control"
	"trivet/control/boardid"
	"trivet/control/model"
	"trivet/process/unit"
	"trivet/sim/plant"
)

// recorder gathers a track from a run.
type recorder struct {
	tr    model.Track
	sum   model.Sample
	n     float64
	board float64
	truth []plant.Truth
	banks int
}

func (r *recorder) see(b unit.Reading) { c, _ := b.Temp(); r.board = float64(c) }

func (r *recorder) watch(now time.Duration, tr *plant.Truth, fo *control.Followed, in *control.Inputs, out *control.Outputs) {
	if !in.Heat {
		return
	}
	get := func(x unit.Reading) float64 { c, _ := x.Temp(); return float64(c) }
	s := &r.sum
	s.Top += get(in.Heaters[0])
	s.Bottom += get(in.Heaters[1])
	for q := range r.banks {
		s.Area4 += math.Pow(get(in.Heaters[2+q])+273.15, 4) / float64(r.banks)
	}
	s.Joint += get(in.Joint)
	s.Body += get(in.Body)
	s.Board += r.board
	if r.n++; r.n == 10 {
		*s = model.Sample{Input: model.Input{Top: s.Top / 10, Bottom: s.Bottom / 10, Area4: s.Area4 / 10}, Joint: s.Joint / 10, Body: s.Body / 10, Board: s.Board / 10, Has: 15}
		r.tr.Samples = append(r.tr.Samples, *s)
		r.truth = append(r.truth, *tr)
		*s, r.n = model.Sample{}, 0
	}
}

// How well the model fits and predicts runs of the cascade: residual of the fit, and error of a forecast from 60 s ago.
func TestModelFitsRunsOfTheCascade(t *testing.T) {
	if os.Getenv("TRIVET_EVAL_FIT") == "" {
		t.Skip("set TRIVET_EVAL_FIT to see how well the model fits")
	}
	trials := append(named(t, 0.7), drawn(t, 1, int(setting("BOARDS", 12)), 0.7)...)
	zones := commission(trials[0].machine, trials[0].board)
	lines := make([]string, len(trials))
	each(trials, func(i int, tr trial) score {
		f := factsOf(tr.machine, tr.board)
		f.Ambient = tr.spread.Ambient
		l := control.New(control.Config{Zones: zones, Budget: unit.Watt(tr.machine.MainsBudgetW), Tuning: control.DefaultTuning(), Ambient: 25, Reach: f.Reach, Load: f.Load})
		rec := &recorder{banks: len(tr.machine.Banks)}
		s := run(tr, l, rec.see, steady, rec.watch)
		guess := f.Guess()
		var b strings.Builder
		fmt.Fprintf(&b, "%-18s", s.name)
		x, _ := rec.tr.Start()
		worst := 0.0
		for k := range rec.tr.Samples {
			guess.Step(&x, &rec.tr.Samples[k].Input, 1)
			worst = max(worst, math.Abs(guess.Ball(&x)-rec.tr.Samples[k].Joint))
		}
		fmt.Fprintf(&b, " guess off by %.0f |", worst)
		n := len(rec.tr.Samples)
		for _, at := range []int{60, 120, 180, 240, n - 60, n} {
			if at > n {
				continue
			}
			began := time.Now()
			fit, err := boardid.Fit(guess, &model.Track{Samples: rec.tr.Samples[:at]}, boardid.Theta{}, boardid.DefaultWeights())
			took := time.Since(began)
			if err != nil {
				fmt.Fprintf(&b, " %v", err)
				continue
			}
			x, _ := rec.tr.Start()
			e60, off := 0.0, 0.0
			for k := 0; k < min(n, at+60); k++ {
				was := x
				fit.Params.Step(&x, &rec.tr.Samples[k].Input, 1)
				d := fit.Params.Reading(fit.Params.Ball(&x), fit.Params.Ball(&x)-fit.Params.Ball(&was), &rec.tr.Samples[k].Input) - rec.tr.Samples[k].Joint
				if k == at-1 {
					off = d
				}
				e60 = d - off
			}
			fmt.Fprintf(&b, " %d: left %.2f +60s %+.2f (%.0f ms, %d)", at, fit.Left, e60, float64(took.Microseconds())/1000, fit.Steps)
			if at == n {
				fmt.Fprintf(&b, "\n     %.1f", fit.Theta)
			}
		}
		lines[i] = b.String()
		return s
	})
	t.Log("\n" + strings.Join(lines, "\n"))
}
