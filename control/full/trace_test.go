package full_test

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"trivet/control"
	"trivet/sim/plant"
)

// TestTrace prints one run; TRIVET_EVAL_TRACE names the board by the end of its name.
func TestTrace(t *testing.T) {
	want := os.Getenv("TRIVET_EVAL_TRACE")
	if want == "" {
		t.Skip("set TRIVET_EVAL_TRACE to a board")
	}
	trials := append(drawn(t, uint64(setting("SERIES", 1)), int(setting("BOARDS", 12)), setting("RATE", 0.7)), named(t, setting("RATE", 0.7))...)
	zones := commission(trials[0].machine, trials[0].board)
	for _, tr := range trials {
		if !strings.Contains(tr.board.Name, want) {
			continue
		}
		t.Logf("%+v %+v", tr.board, tr.spread)
		l := fullLaw(tr, zones)
		k := 0
		s := run(tr, l, l.SeeBoard, walking(l), func(now time.Duration, tr *plant.Truth, fo *control.Followed, in *control.Inputs, out *control.Outputs) {
			if k++; k%int(setting("SHOW", 80)) != 0 {
				return
			}
			miss := ""
			if p := l.Plan(); p != nil {
				_, _, reading := p.At(now)
				miss = fmt.Sprintf("pace %.2f pred ball %.1f reading %.1f plan miss %.2f worst %.1f", p.Pace, p.BallAt(now), reading, p.Miss, p.Worst)
			}
			y, _ := in.Joint.Temp()
			var h [5]float64
			for i := range h {
				c, _ := in.Heaters[i].Temp()
				h[i] = float64(c)
			}
			fmt.Printf("%4.0f tgt %.1f joint %.1f (read %.1f) err %+.1f trim %+.1f duty %.2f set %.0f is %.0f body %.1f board %.1f fan %.2f | %s\n", now.Seconds(), float64(fo.Point.Target), float64(tr.CornerJoint), float64(y),
				float64(tr.CornerJoint-fo.Point.Target), out.Trim, out.Duty[:5], out.Set[:3], h[:3], float64(tr.PackageTop), float64(tr.BoardMax), out.Fan, miss)
		})
		t.Log(report([]score{s}))
		if r := l.Latest(); r != nil && r.Fit != nil {
			t.Logf("%.1f left %.2f", r.Fit.Theta, r.Fit.Left)
		}
	}
}
