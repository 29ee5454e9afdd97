package full_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"trivet/control"
	"trivet/process"
	"trivet/process/unit"
	"trivet/sim/catalog"
	"trivet/sim/plant"
)

// law is what the harness drives; stepper is what the cascade and the new law share.
type law interface {
	Begin()
	Step(now time.Duration, in *control.Inputs, out *control.Outputs)
	Transfer(in *control.Inputs)
}

// trial is one board on one machine on one day.
type trial struct {
	machine plant.Machine
	board   plant.Board
	spread  plant.Spread
	seed    uint64
	rate    float64 // °C/s of the preheat ramp
	late    bool    // the part is lifted late, so that the hold runs to its end
	stop    *bool   // ends the run when it turns true; may be nil
	noJoint bool    // the law sees no joint thermocouple
}

// score is how a run went, against the truth.
type score struct {
	name                string
	rms, rms150, maxErr float64 // °C, heating phase; rms150 leaves out the melting range
	peak                float64 // °C, error of the highest joint temperature
	tal                 float64 // s, error of the time above liquidus
	body, board         float64 // °C, highest
	wait                float64 // s of waiting
	early               float64 // °C rms below 150 °C
	stretch             float64 // share by which the heating took longer than asked
	peakAt, talAt       float64 // what the joint did: °C, s
	warned              bool    // a forecast before reflow said that the peak is out of reach
	done                bool
}

// tinLeadFree is the profile all trials follow, at a given preheat rate.
func tinLeadFree(rate float64) process.Profile {
	sac, _ := process.AlloyByName("SAC305")
	r := unit.KelvinPerSecond(rate)
	p, err := process.NewProfile(process.Profile{Name: "t", Title: "T", Kind: process.Removal, Alloy: sac, BodyLimit: 250, Segments: []process.Segment{
		{Name: "Preheat", Target: 150, Ramp: r, WaitWithin: 8},
		{Name: "Soak", Target: 190, Ramp: r * 0.64, WaitWithin: 4},
		{Name: "Ramp", Target: 217, Ramp: r * 0.86},
		{Name: "Peak", Target: 238, Ramp: r * 0.86, Hold: 25 * time.Second, Lift: true, WaitWithin: 2},
		{Name: "Cool", Target: 60, Ramp: 1.2, Cool: true},
	}})
	if err != nil {
		panic(err)
	}
	return p
}

// amplifier reads one thermocouple with noise and steps, °C.
type amplifier struct {
	rng   *rand.Rand
	sigma float64
	step  float64
}

func (a *amplifier) read(now time.Duration, c float64) unit.Reading {
	c += a.sigma * a.rng.NormFloat64()
	return unit.Measured(now, unit.Celsius(math.Round(c/a.step)*a.step))
}

// observer sees every tick of a run.
type observer func(now time.Duration, tr *plant.Truth, fo *control.Followed, in *control.Inputs, out *control.Outputs)

// run drives one trial under l on the bare plant and scores it.
func run(tr trial, l law, see func(board unit.Reading), pace func() float64, watch observer) score {
	p, err := plant.New(tr.machine, tr.board, unit.Celsius(tr.spread.Ambient))
	if err != nil {
		panic(err)
	}
	p.Disturb(tr.spread.Disturbance)
	plan, err := process.NewPlan(tinLeadFree(tr.rate), unit.Celsius(tr.spread.Ambient))
	if err != nil {
		panic(err)
	}
	amp := amplifier{rng: rand.New(rand.NewPCG(tr.seed, 99)), sigma: 0.2, step: 0.25}
	fine := amplifier{rng: amp.rng, sigma: 0.2, step: 0.0078}
	var f control.Follower
	f.Begin(plan, control.FollowConfig{Liquidus: 220, Margin: 5, Needed: 10 * time.Second, MaxOpen: 30 * time.Second, MaxAbove: 75 * time.Second, MaxWait: 120 * time.Second, NeedPerson: true})
	var in control.Inputs
	var out control.Outputs
	in.Allowed, in.Plan, in.BodyTop = 0xff, plan, 247
	d := plant.Drive{Mains: tr.spread.Mains, Blower: [2]float64{1, 1}}
	s := score{name: tr.board.Name}
	var sq, n, sq150, n150, sqE, nE, talTrue, talPlan, peakPlan, peak float64
	var open, slow time.Duration
	var asked, took float64
	holdEnd := plan.HoldEnd(3)
	l.Begin()
	for k := 1; k < 15000 && !(tr.stop != nil && *tr.stop); k++ {
		now := time.Duration(k) * 100 * time.Millisecond
		p.Step(100*time.Millisecond, d)
		t := p.Truth()
		in.Joint = amp.read(now, p.Sensed(plant.Corner))
		walk := in.Joint
		if tr.noJoint {
			in.Joint = unit.Unusable(now, unit.NotRead)
		}
		in.Body = fine.read(now, p.Sensed(plant.PackageTop))
		in.Heaters[0] = amp.read(now, p.Sensed(plant.NozzleTop))
		in.Heaters[1] = amp.read(now, p.Sensed(plant.NozzleBottom))
		for q := range tr.machine.Banks {
			in.Heaters[2+q] = amp.read(now, p.Sensed(plant.Bank0+plant.Spot(q)))
		}
		if see != nil {
			see(amp.read(now, p.Sensed(plant.BoardNear)))
		}
		step := time.Duration(pace() * float64(100*time.Millisecond))
		if !in.Cool && !in.Still {
			asked, took = asked+step.Seconds(), took+0.1
		}
		slow += step
		fo := f.Step(slow, control.FollowIn{Coldest: walk, Lifted: open > 6*time.Second && (!tr.late || in.Profile > holdEnd-time.Second)})
		if fo.Open {
			open += 100 * time.Millisecond
		}
		in.Profile, in.Heat, in.Cool, in.Still = fo.Profile, !fo.Cooling, fo.Cooling, fo.Waiting || fo.Lifting
		l.Step(now, &in, &out)
		for i := range d.Heater {
			d.Heater[i] = 0
			if out.On.Has(i) {
				d.Heater[i] = 1
			}
		}
		d.Fan = out.Fan
		if watch != nil {
			watch(now, &t, &fo, &in, &out)
		}
		e := float64(t.CornerJoint - fo.Point.Target)
		if !fo.Cooling {
			sq, n = sq+e*e, n+1
			s.maxErr = max(s.maxErr, math.Abs(e))
			target := float64(fo.Point.Target)
			if target > 150 && !(target > 214 && target < 224) {
				sq150, n150 = sq150+e*e, n150+1
			}
			if target < 150 {
				sqE, nE = sqE+e*e, nE+1
			}
			if fo.Waiting {
				s.wait += 0.1
			}
		}
		if t.CornerJoint > 220 {
			talTrue += 0.1
		}
		if fo.Point.Target > 220 {
			talPlan += 0.1
		}
		peak, peakPlan = max(peak, float64(t.CornerJoint)), max(peakPlan, float64(fo.Point.Target))
		s.body, s.board = max(s.body, float64(t.PackageTop)), max(s.board, float64(t.BoardMax))
		if fo.Finished {
			s.done = true
			break
		}
		if fo.Cooling && t.CornerJoint < 200 {
			s.done = true
			break
		}
	}
	s.rms, s.rms150, s.early = math.Sqrt(sq/n), math.Sqrt(sq150/max(n150, 1)), math.Sqrt(sqE/max(nE, 1))
	s.peakAt, s.talAt = peak, talTrue
	s.stretch = took/max(asked, 1) - 1
	s.peak, s.tal = peak-peakPlan, talTrue-talPlan
	return s
}

// drawn returns trials on n boards never seen before, from a series of seeds.
func drawn(t testing.TB, series uint64, n int, rate float64) []trial {
	m, err := catalog.Machine("bench-5kw")
	if err != nil {
		t.Fatal(err)
	}
	var out []trial
	for i := range uint64(n) {
		rng := rand.New(rand.NewPCG(series, i))
		b := plant.RandomBoard(rng)
		out = append(out, trial{machine: m, board: b, spread: plant.RandomSpread(rng), seed: rng.Uint64(), rate: rate})
	}
	return out
}

// named returns trials on the shipped lead-free boards on an undisturbed machine.
func named(t testing.TB, rate float64) []trial {
	m, err := catalog.Machine("bench-5kw")
	if err != nil {
		t.Fatal(err)
	}
	var out []trial
	for _, n := range catalog.Boards() {
		b, err := catalog.Board(n)
		if err != nil {
			t.Fatal(err)
		}
		if b.Package.Solidus < 210 {
			continue
		}
		out = append(out, trial{machine: m, board: b, spread: plant.Spread{Disturbance: plant.Undisturbed(), Mains: 1, Ambient: 25}, seed: 1, rate: rate})
	}
	return out
}

// each runs one function per trial on two workers.
func each(trials []trial, one func(i int, tr trial) score) []score {
	out := make([]score, len(trials))
	var wg sync.WaitGroup
	next := make(chan int)
	for range 2 {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for i := range next {
				out[i] = one(i, trials[i])
			}
		}()
	}
	for i := range trials {
		next <- i
	}
	close(next)
	wg.Wait()
	return out
}

// table prints median, 95th percentile and worst of every column.
func table(title string, s []score) string {
	col := func(f func(score) float64) string {
		v := make([]float64, len(s))
		for i := range s {
			v[i] = math.Abs(f(s[i]))
		}
		slices.Sort(v)
		q := func(p float64) float64 { return v[min(len(v)-1, int(p*float64(len(v))))] }
		return fmt.Sprintf("%5.2f/%5.2f/%5.2f", q(0.5), q(0.95), v[len(v)-1])
	}
	over := -99.0
	body, board := 0.0, 0.0
	for i := range s {
		over = max(over, s[i].peak)
		body, board = max(body, s[i].body), max(board, s[i].board)
	}
	return fmt.Sprintf("%-10s n=%d  rms %s | >150 %s | <150 %s | max %s | peak %s (over %+.2f) | tal %s | wait %s | stretch %s | body %.0f board %.0f",
		title, len(s), col(func(s score) float64 { return s.rms }), col(func(s score) float64 { return s.rms150 }), col(func(s score) float64 { return s.early }),
		col(func(s score) float64 { return s.maxErr }), col(func(s score) float64 { return s.peak }), over, col(func(s score) float64 { return s.tal }), col(func(s score) float64 { return s.wait }), col(func(s score) float64 { return s.stretch }), body, board)
}

// setting reads a number for a longer evaluation from the environment, such as TRIVET_EVAL_BOARDS=200.
func setting(name string, otherwise float64) float64 {
	if v, err := strconv.ParseFloat(os.Getenv("TRIVET_EVAL_"+name), 64); err == nil {
		return v
	}
	return otherwise
}

func report(s []score) string {
	var b strings.Builder
	for _, x := range s {
		fmt.Fprintf(&b, "%-18s rms %5.2f >150 %5.2f <150 %5.2f max %5.2f peak %+5.2f tal %+5.1f body %.0f board %.0f wait %.0f stretch %.2f done %v\n", x.name, x.rms, x.rms150, x.early, x.maxErr, x.peak, x.tal, x.body, x.board, x.wait, x.stretch, x.done)
	}
	return b.String()
}
