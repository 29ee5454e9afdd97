package forecast

import (
	"math"
	"strings"
	"testing"

	"trivet/control/plan"
)

// flight is a schedule that climbs to peak in 100 s and holds, with the package top above it by over.
func flight(peak, over float64) *plan.Schedule {
	s := &plan.Schedule{}
	for i := range 160 {
		c := math.Min(peak, 180+float64(i)*(peak-180)/100)
		s.Ball, s.Target, s.Body = append(s.Ball, c), append(s.Target, c), append(s.Body, c+over)
		s.Reading, s.Board, s.Walk, s.Load = append(s.Reading, c), append(s.Board, c), append(s.Walk, 1), append(s.Load, 1000)
		for g := range plan.Groups {
			s.Set[g] = append(s.Set[g], c+60)
		}
	}
	return s
}

var leadFree = Window{Liquidus: 220, PeakMin: 235, PeakMax: 245, AboveMin: 30, AboveMax: 90, Body: 250, Board: 260}

func basis(s *plan.Schedule) Basis {
	return Basis{Schedule: s, Deviation: 0.3, Ambient: 25, Seconds: 240, HeatEnds: 125, CoolRate: 1.2, Ceiling: [plan.Groups]float64{400, 400, 520}, Budget: 5200}
}

func codes(f Forecast) string {
	var w []string
	for _, r := range f.Reasons {
		w = append(w, string(r.Code))
	}
	return strings.Join(w, " ")
}

func TestTheGateSpeaksBeforeTheSolderMelts(t *testing.T) {
	for name, c := range map[string]struct {
		basis func() Basis
		goes  bool
		says  string
	}{
		"goes on when all is well":                      {func() Basis { return basis(flight(239, 6)) }, true, ""},
		"stops when the peak is out of reach":           {func() Basis { return basis(flight(222, 6)) }, false, "peak_too_low"},
		"warns when the peak may be missed":             {func() Basis { return basis(flight(233.5, 6)) }, true, "peak_may_be_low"},
		"stops when the joint would be too hot":         {func() Basis { return basis(flight(252, 2)) }, false, "peak_too_high"},
		"stops when the part would be too hot":          {func() Basis { return basis(flight(239, 17)) }, false, "package_too_hot"},
		"stops when the joint would be molten too long": {func() Basis { b := basis(flight(239, 6)); b.CoolRate = 0.2; return b }, false, "above_liquidus_too_long"},
		"stops when the joint is not known":             {func() Basis { b := basis(flight(239, 6)); b.Deviation = 5; return b }, false, "joint_not_known_well"},
		"stops when a deviation is not a number":        {func() Basis { b := basis(flight(239, 6)); b.Deviation = math.NaN(); return b }, false, "joint_not_known_well"},
		"stops when no board behaves like this":         {func() Basis { b := basis(flight(239, 6)); b.Left = 6; return b }, false, "board_unlike_any_model"},
		"stops without a plan":                          {func() Basis { return basis(nil) }, false, "no_plan"},
	} {
		t.Run(name, func(t *testing.T) {
			f := Make(c.basis(), leadFree)
			if f.Go != c.goes || !strings.Contains(codes(f), c.says) {
				t.Errorf("goes on %v, says %q; want %v, %q", f.Go, codes(f), c.goes, c.says)
			}
			for _, r := range f.Reasons {
				if !strings.HasSuffix(r.Text, ".") || r.Remedy == "" {
					t.Errorf("%s gives no whole sentence or no remedy: %q, %q", r.Code, r.Text, r.Remedy)
				}
			}
		})
	}
}

func TestAShortfallNamesWhatHoldsTheMachineBack(t *testing.T) {
	s := flight(222, 6)
	for i := range s.Load {
		s.Load[i] = 5100
	}
	f := Make(basis(s), leadFree)
	if len(f.Binding) != 1 || f.Binding[0] != LimitMains || !strings.Contains(f.Reasons[0].Text, "mains budget") {
		t.Errorf("binding %v, reason %q; the mains are used up", f.Binding, f.Reasons[0].Text)
	}
}

func TestTheBandWidensWithTimeAndWithDoubt(t *testing.T) {
	sure := Make(basis(flight(239, 6)), leadFree)
	b := basis(flight(239, 6))
	b.NoJoint, b.Deviation = true, 1.5
	blind := Make(b, leadFree)
	b = basis(flight(239, 6))
	b.Seconds = 20
	young := Make(b, leadFree)
	width := func(f Forecast, i int) float64 { return f.High[i] - f.Low[i] }
	if !(width(sure, 90) > width(sure, 2)) {
		t.Errorf("the band is %.1f °C wide now and %.1f °C in 90 s", width(sure, 2), width(sure, 90))
	}
	if !(width(blind, 2) > width(sure, 2)) || !(width(young, 90) > width(sure, 90)) {
		t.Error("no joint thermocouple, or a young run, must widen the band")
	}
	if !(sure.Peak.Low < 239 && sure.Peak.High > 239 && math.Abs(sure.Peak.Mid-239) < 1e-9) {
		t.Errorf("peak %+v; the plan says 239 °C", sure.Peak)
	}
}

// From 220 °C at 68 s to the end of heat at 125 s, then (239−220)/1.2 s of cooling.
func TestTimeAboveLiquidusCountsHeatAndCooling(t *testing.T) {
	f := Make(basis(flight(239, 6)), leadFree)
	if want := 125 - 68 + (239-220)/1.2; math.Abs(f.Above.Mid-want) > 2 {
		t.Errorf("%.1f s above liquidus; want about %.1f s", f.Above.Mid, want)
	}
}
