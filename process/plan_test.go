package process

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"trivet/process/unit"
)

func planOf(t *testing.T, p Profile, start unit.Celsius) *Plan {
	t.Helper()
	plan, err := NewPlan(p, start)
	if err != nil {
		t.Fatal(err)
	}
	return plan
}

func TestAPlanBeginsWhereTheBoardIsAndEndsAtItsLastTarget(t *testing.T) {
	for _, start := range []unit.Celsius{-5, 22, 25, 80, 150} {
		p := planOf(t, heavy(), start)
		if got := p.At(0).Target; math.Abs(float64(got-start)) > 0.1 {
			t.Errorf("from %v it begins at %v", start, got)
		}
		if got := p.At(p.Total()); math.Abs(float64(got.Target-60)) > 0.01 || got.Slope != 0 || got.Segment != 4 || got.SegmentLeft != 0 {
			t.Errorf("from %v it ends with %+v", start, got)
		}
		if p.At(-time.Hour) != p.At(0) && p.At(-time.Hour).Target != p.At(0).Target || p.At(time.Hour*9).Target != p.At(p.Total()).Target {
			t.Errorf("from %v it is not clamped at its ends", start)
		}
	}
}

func TestABoardHotterThanTheFirstTargetMustCoolFirst(t *testing.T) {
	for _, start := range []unit.Celsius{151, 1000, -21, unit.Celsius(math.NaN()), unit.Celsius(math.Inf(-1))} {
		if _, err := NewPlan(heavy(), start); err == nil {
			t.Errorf("a plan from %v was made", start)
		}
	}
	if _, err := NewPlan(Profile{}, 25); err == nil {
		t.Error("the zero profile was planned")
	}
}

// The promise to whoever follows: within 0.3 °C of the peak for all of its hold, and never above it.
func TestThePeakIsHeldWithinThreeTenthsForAllOfItsHold(t *testing.T) {
	for _, hold := range []time.Duration{0, time.Second, 7 * time.Second, 30 * time.Second} {
		for _, ramps := range [][2]unit.KelvinPerSecond{{0.1, 0.1}, {0.6, 1.2}, {3, 6}} {
			pr := heavy()
			pr.Segments[3].Hold, pr.Segments[3].Ramp, pr.Segments[4].Ramp = hold, ramps[0], ramps[1]
			p := planOf(t, pr, 25)
			from, to := p.PeakAt(), p.HoldEnd(3)
			if to-from < hold-time.Millisecond || to-from > hold+time.Millisecond {
				t.Errorf("the hold counts %v, asked %v", to-from, hold)
			}
			for x := from; x <= to; x += 100 * time.Millisecond {
				if c := p.At(x).Target; c < 238-0.3 || c > 238+1e-9 {
					t.Errorf("hold %v, ramps %v: %v at %v of the hold", hold, ramps, c, x-from)
					break
				}
			}
		}
	}
}

func TestRampsInThePlanAreAsSteepAsAskedAndEasedInOverThirtySeconds(t *testing.T) {
	p := planOf(t, heavy(), 25)
	if s := p.At(0).Slope; s > 0.1 {
		t.Errorf("it begins with a slope of %v", s)
	}
	if s := p.At(15 * time.Second).Slope; math.Abs(float64(s)-0.35) > 0.02 {
		t.Errorf("half-way through the easing the slope is %v, want half of 0.7", s)
	}
	if s := p.At(60 * time.Second).Slope; math.Abs(float64(s)-0.7) > 1e-6 {
		t.Errorf("in the first ramp the slope is %v, want 0.7", s)
	}
	// 125 °C at 0.7 °C/s, and half of the easing time lost.
	if at := p.HoldEnd(0).Seconds(); math.Abs(at-(125/0.7+15)) > 0.01 {
		t.Errorf("the first ramp ends at %.2f s", at)
	}
}

func TestWaitsStopOnceTheCornerIsRoundedAndOnlyWhereAsked(t *testing.T) {
	p := planOf(t, heavy(), 25)
	for i, want := range []bool{false, true, false, true, false} {
		at, ok := p.WaitAt(i)
		if ok != want {
			t.Errorf("segment %d waits: %v, want %v", i, ok, want)
		}
		if ok && (p.At(at).Segment != i && p.At(at-1).Segment != i) {
			t.Errorf("segment %d waits at %v, which is in segment %d", i, at, p.At(at).Segment)
		}
	}
	if at, _ := p.WaitAt(3); math.Abs(float64(p.At(at).Target-238)) > 0.01 || p.At(at).Slope > 0.01 {
		t.Errorf("the wait at the peak is at %+v", p.At(at))
	}
	for _, i := range []int{-1, 5, 1 << 40} {
		if _, ok := p.WaitAt(i); ok || p.HoldEnd(i) != 0 || p.HoldBegin(i) != 0 {
			t.Errorf("segment %d, which there is not, waits or holds", i)
		}
	}
	if i, ok := p.LiftSegment(); i != 3 || !ok {
		t.Errorf("lifts in %d, %v", i, ok)
	}
	if i, ok := p.CoolSegment(); i != 4 || !ok {
		t.Errorf("cools in %d, %v", i, ok)
	}
}

func TestTheCorridorIsTheToleranceAndAtThePeakTheWindowOfTheAlloy(t *testing.T) {
	p := planOf(t, heavy(), 25)
	low, high := p.Corridor(100 * time.Second)
	if target := p.At(100 * time.Second).Target; low != target-5 || high != target+5 {
		t.Errorf("at 100 s %v to %v about %v", low, high, target)
	}
	low, high = p.Corridor(p.PeakAt() + 5*time.Second)
	if math.Abs(float64(low-230)) > 0.2 || math.Abs(float64(high-250)) > 0.2 {
		t.Errorf("at the peak %v to %v, want 230 to 250 °C", low, high)
	}
}

// randomProfile draws a profile that NewProfile accepts.
func randomProfile(t *rapid.T) Profile {
	sac, _ := AlloyByName("SAC305")
	p := Profile{Name: "p", Title: "P", Kind: Placement, Alloy: sac}
	ramp := rapid.Float64Range(0.2, 6)
	hold := rapid.Int64Range(0, int64(2*time.Minute))
	n := rapid.IntRange(1, 6).Draw(t, "segments")
	for i := range n {
		p.Segments = append(p.Segments, Segment{Name: string(rune('a' + i)), Target: unit.Celsius(rapid.Float64Range(40, 230).Draw(t, "target")),
			Ramp: unit.KelvinPerSecond(ramp.Draw(t, "ramp")), Hold: time.Duration(hold.Draw(t, "hold"))})
	}
	p.Segments = append(p.Segments,
		Segment{Name: "peak", Target: unit.Celsius(rapid.Float64Range(235, 250).Draw(t, "peak")), Ramp: unit.KelvinPerSecond(ramp.Draw(t, "ramp")), Hold: time.Duration(hold.Draw(t, "hold"))},
		Segment{Name: "cool", Target: 60, Ramp: unit.KelvinPerSecond(ramp.Draw(t, "ramp")), Cool: true})
	return p
}

func TestNoPlanEverJumpsOrLeavesWhatWasAskedFor(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pr := randomProfile(t)
		start := unit.Celsius(rapid.Float64Range(0, 40).Draw(t, "start"))
		p, err := NewPlan(pr, start)
		if err != nil {
			t.Fatal(err)
		}
		steepest := 0.0
		for _, s := range pr.Segments {
			steepest = max(steepest, float64(s.Ramp))
		}
		before := p.At(0)
		for x := 100 * time.Millisecond; x <= p.Total(); x += 100 * time.Millisecond {
			now := p.At(x)
			if step := math.Abs(float64(now.Target - before.Target)); step > steepest*0.1+1e-9 {
				t.Fatalf("at %v it moves by %v in 0.1 s, the steepest ramp is %v", x, step, steepest)
			}
			if turn := math.Abs(float64(now.Slope - before.Slope)); turn > steepest*2*0.1/kernelHalf+1e-9 {
				t.Fatalf("at %v the slope moves by %v in 0.1 s", x, turn)
			}
			if now.Target > pr.Peak()+1e-9 || now.Target < min(start, 40)-1e-9 {
				t.Fatalf("at %v it is %v", x, now.Target)
			}
			if now.Segment < before.Segment || now.SegmentLeft < 0 {
				t.Fatalf("at %v: %+v after %+v", x, now, before)
			}
			if low, high := p.Corridor(x); !(low <= now.Target && now.Target <= high) {
				t.Fatalf("at %v the corridor is %v to %v about %v", x, low, high, now.Target)
			}
			before = now
		}
		for i := range pr.Segments {
			if !(p.HoldBegin(i) <= p.HoldEnd(i) && p.HoldEnd(i) <= p.Total()) {
				t.Fatalf("segment %d holds from %v to %v of %v", i, p.HoldBegin(i), p.HoldEnd(i), p.Total())
			}
		}
	})
}

func TestFollowingAPlanAllocatesNothing(t *testing.T) {
	p := planOf(t, heavy(), 25)
	x := time.Duration(0)
	if n := testing.AllocsPerRun(1000, func() { p.At(x); p.Corridor(x); x += 333 * time.Millisecond }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkPlanAt(b *testing.B) {
	p, err := NewPlan(heavy(), 25)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	x := time.Duration(0)
	for b.Loop() {
		p.At(x)
		x = (x + 100*time.Millisecond) % p.Total()
	}
}

func BenchmarkNewPlan(b *testing.B) {
	for b.Loop() {
		if _, err := NewPlan(heavy(), 25); err != nil {
			b.Fatal(err)
		}
	}
}
