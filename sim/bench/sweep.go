package bench

import (
	"context"
	"math"
	"math/rand/v2"
	"runtime"
	"sort"
	"sync"

	"trivet/process/unit"
	"trivet/sim/plant"
)

// Figure is one figure of merit over many boards. Errors are taken without their sign, but for the worst, which keeps it.
type Figure struct {
	Name   string  `json:"name"`
	Unit   string  `json:"unit"`
	N      int     `json:"n"` // boards that have this figure at all
	Median float64 `json:"median"`
	P95    float64 `json:"p95"`
	Worst  float64 `json:"worst"`
	Board  int     `json:"worst_board"` // which board, counted from 0
}

// Sweeped is what came of a sweep.
type Sweeped struct {
	Law     string         `json:"law"`
	Machine string         `json:"machine"`
	Profile string         `json:"profile"`
	Seed    int64          `json:"seed"`
	Boards  int            `json:"boards"`
	Figures []Figure       `json:"figures"`
	Ended   map[string]int `json:"ended"`    // how many runs ended with each code
	Verdict map[string]int `json:"verdicts"` // pass, fail
	Runs    []Summary      `json:"runs"`
	WallS   float64        `json:"wall_s"`
}

// Draw returns the parts of board i of a sweep: a board, and a machine and a day that differ from their description by what a
// controller cannot know. The same seed and number give the same board, whatever the law.
func Draw(p Parts, seed int64, i int) Parts {
	rng := rand.New(rand.NewPCG(uint64(seed), uint64(i)+1))
	p.Board = plant.RandomBoard(rng)
	spread := plant.RandomSpread(rng)
	p.Spread = &spread
	p.Noise = 0.15 + 0.10*rng.Float64() // °C rms, the range the control goals are set for
	p.Scenario.AmbientC = spread.Ambient
	p.Scenario.Seed = seed + int64(i)
	p.Scenario.Expect = nil
	return p
}

// Sweep runs the scenario on boards drawn at random, as many at a time as there are processors. The result does not depend on
// their number or order.
func Sweep(ctx context.Context, p Parts, boards int, seed int64, tell func(done, of int)) (*Sweeped, error) {
	out := &Sweeped{Law: p.Scenario.Law, Machine: p.Machine.Name, Profile: p.Profile.Name, Seed: seed, Boards: boards,
		Ended: map[string]int{}, Verdict: map[string]int{}, Runs: make([]Summary, boards)}
	errs := make([]error, boards)
	next := make(chan int)
	var wg sync.WaitGroup
	var mu sync.Mutex
	done := 0
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := range next {
				r, err := Run(ctx, Draw(p, seed, i), nil)
				if err != nil {
					errs[i] = err
				} else {
					out.Runs[i] = r.Summary
				}
				mu.Lock()
				done++
				if tell != nil {
					tell(done, boards)
				}
				mu.Unlock()
			}
		})
	}
	for i := range boards {
		select {
		case next <- i:
		case <-ctx.Done():
		}
	}
	close(next)
	wg.Wait()
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	for _, err := range errs {
		if err != nil {
			return nil, err
		}
	}
	for i := range out.Runs {
		out.Ended[out.Runs[i].State.Code]++
		out.Verdict[out.Runs[i].Verdict]++
	}
	out.Figures = figuresOf(out.Runs)
	return out, nil
}

// figuresOf works out median, 95th percentile and worst of every figure.
func figuresOf(runs []Summary) []Figure {
	rows := []struct {
		name, unit string
		get        func(*Summary) *float64
	}{
		{"rms_c", "°C", func(s *Summary) *float64 { return s.RmsC }},
		{"rms_above_150_c", "°C", func(s *Summary) *float64 { return s.RmsAbove150C }},
		{"rms_above_150_no_kink_c", "°C", func(s *Summary) *float64 { return s.RmsNoKinkC }},
		{"peak_error_c", "°C", func(s *Summary) *float64 { return s.PeakErrorC }},
		{"time_above_liquidus_error_s", "s", func(s *Summary) *float64 { return s.TalErrorS }},
		{"time_above_liquidus_s", "s", func(s *Summary) *float64 { return s.TalS }},
		{"max_delta_t_c", "°C", func(s *Summary) *float64 { return s.MaxDeltaTC }},
		{"max_body_c", "°C", func(s *Summary) *float64 { return s.MaxBodyC }},
		{"melt_seen_c", "°C", func(s *Summary) *float64 { return s.MeltSeenC }},
		{"time_to_peak_s", "s", func(s *Summary) *float64 { return s.ToPeakS }},
	}
	var out []Figure
	for _, r := range rows {
		f := Figure{Name: r.name, Unit: r.unit}
		var all []float64
		for i := range runs {
			v := r.get(&runs[i])
			if v == nil {
				continue
			}
			all = append(all, math.Abs(*v))
			if len(all) == 1 || math.Abs(*v) > math.Abs(f.Worst) {
				f.Worst, f.Board = *v, i
			}
		}
		sort.Float64s(all)
		if f.N = len(all); f.N > 0 {
			f.Median, f.P95 = Rank(all, 0.5), Rank(all, 0.95)
		}
		out = append(out, f)
	}
	return out
}

// Rank is the value at share q of a sorted list, by linear interpolation between neighbours.
func Rank(sorted []float64, q float64) float64 {
	at := q * float64(len(sorted)-1)
	lo := int(at)
	hi := min(lo+1, len(sorted)-1)
	return sorted[lo] + (at-float64(lo))*(sorted[hi]-sorted[lo])
}

// spread puts a drawn machine's differences on the rig.
func (b *Bench) spread(p Parts) {
	if p.Spread != nil {
		b.Rig.Plant.Disturb(p.Spread.Disturbance)
		b.Rig.SetMains(p.Spread.Mains)
	}
	if p.Noise > 0 {
		b.Rig.SetNoise(unit.Kelvin(p.Noise))
	}
}
