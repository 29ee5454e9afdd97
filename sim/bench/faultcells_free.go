package bench

import (
	"context"
	"fmt"
	"math/rand/v2"
	"time"

	"trivet/process/unit"
	"trivet/safety"
	"trivet/sim/catalog"
	"trivet/sim/plant"
	"trivet/sim/rig"
	"trivet/station"
)

// FreeRun is one run on a healthy machine with everything that healthy wiring does now and then.
type FreeRun struct {
	Hours  float64        // simulated, rest before and after included
	Board  string         // its name, or that it was drawn
	Ended  string         // code of the ending
	Trip   string         // first-out, empty for none
	Earned bool           // the trip was right: a ceiling that something truly was at, within 5 °C (a couple on the part's lid feels the jet), or a run that never got there
	Alarms map[string]int // raised alarms by code
	Air    [2]float64     // lowest and highest distance from the heat balances of the air heads, K
	Area   [2]float64     // of the area heaters
	Joint  [2]float64     // lowest and highest joint against the colder and the hotter of package top and board, K, while heating
}

// healthy is what the nuisance budget of the invariants allows for: single samples lost once in a thousand, bursts of up to 0.3 s once a
// minute, spikes of 20 °C once a minute, and load senses that err once in a thousand looks.
func healthy() rig.Glitches {
	return rig.Glitches{Single: 1e-3, Burst: time.Minute, Spike: time.Minute, Sense: 1e-3}
}

// Free runs number i of a fault-free campaign: a board, shipped or drawn, a machine and a day that differ from their description, mains
// between 90 and 110 %, noise of 0.02 to 0.25 °C. After the run it stays at rest for rest.
func Free(ctx context.Context, seed int64, i int, rest time.Duration) (*FreeRun, error) {
	rng := rand.New(rand.NewPCG(uint64(seed), uint64(i)+0x66726565))
	boards := catalog.Boards()
	name := boards[i%len(boards)]
	small := i%5 == 4 // the small machine, with boards that it can heat
	if small {
		name = [...]string{"thin-4-layer", "handset-10-layer"}[i/5%2]
	}
	p := Parts{Scenario: catalog.Scenario{Name: "free", Machine: "bench-5kw", Board: name, Profile: profileFor(name), Law: "cascade", Seed: seed + int64(i)}}
	if small {
		p.Scenario.Machine, p.Scenario.Profile = "kitchen-1k4", "removal-gentle-lead-free"
	}
	var err error
	if p.Machine, err = catalog.Machine(p.Scenario.Machine); err != nil {
		return nil, err
	}
	if p.Board, err = catalog.Board(name); err != nil {
		return nil, err
	}
	if p.Profile, err = catalog.Profile(p.Scenario.Profile); err != nil {
		return nil, err
	}
	if i%2 == 1 && !small {
		p.Board = plant.RandomBoard(rng)
		name = "drawn " + p.Board.Name
	}
	spread := plant.RandomSpread(rng)
	spread.Mains = 0.9 + 0.2*rng.Float64()
	p.Spread, p.Noise = &spread, 0.02+0.23*rng.Float64()
	p.Scenario.AmbientC = float64(spread.Ambient)
	w := &free{res: FreeRun{Board: name, Alarms: map[string]int{}}, hottest: -1000, body: min(bodyCeiling, p.Profile.BodyLimit), lift: time.Duration(rng.IntN(40)) * time.Second, rest: rest, seen: map[string]time.Duration{}}
	if w.b, err = Assemble(p, 1); err != nil {
		return nil, err
	}
	w.b.Rig.SetGlitches(healthy())
	w.b.options.Publish = func(s *station.Snapshot) { w.snap = *s }
	if w.b.Station, err = station.New(w.b.options); err != nil {
		return nil, err
	}
	order := &station.RunOrder{Kind: p.Profile.Kind, Profile: p.Profile, Board: name, By: "bench", Proof: i%3 == 0}
	if err := w.all(ctx, order); err != nil {
		return nil, fmt.Errorf("run %d on %s: %w", i, name, err)
	}
	return &w.res, nil
}

// free is one fault-free run under way.
type free struct {
	b     *Bench
	snap  station.Snapshot
	res   FreeRun
	lift  time.Duration // how long the technician takes once the window is open
	rest  time.Duration
	open  time.Duration
	seen  map[string]time.Duration
	begun bool

	hottest float64 // package top or joint against its limit, true, °C; the most so far
	body    unit.Celsius
}

func (w *free) all(ctx context.Context, order *station.RunOrder) error {
	var now, ended time.Duration
	for now < longest+w.rest {
		now += station.Period
		w.b.Rig.Advance(now)
		if now > warmUp && !w.begun {
			// A sample may be missing in the very tick of the start: a person would press again.
			_ = w.b.Station.Post(station.Command{Event: station.Start, Order: order, By: "bench"}, func(err error) { w.begun = err == nil })
			if now > time.Minute {
				return fmt.Errorf("no start within a minute")
			}
		}
		if w.open += station.Period; !w.snap.Lift.Open {
			w.open = 0
		} else if w.open > w.lift && !w.snap.Lift.Confirmed {
			_ = w.b.Station.Post(station.Command{Event: station.Lifted, By: "bench"}, func(error) {})
		}
		w.b.Station.Tick(now, 0)
		w.look(now)
		if w.begun && !w.snap.State.Live() && ended == 0 && w.snap.Ended.Code != "" {
			ended = now
		}
		if ended > 0 && now-ended > w.rest {
			break
		}
		if w.snap.Seq%512 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
	}
	w.res.Hours, w.res.Ended = now.Hours(), w.snap.Ended.Code
	if row, _, _, tripped := w.b.Keeper.FirstOut(); tripped {
		w.res.Trip = safety.Rows()[row].Code
		w.res.Earned = w.res.Trip == "over_ceiling" && w.hottest > -5 || w.res.Trip == "run_too_long"
	}
	return nil
}

// look notes alarms and the distances that the bands of the guard are set by.
func (w *free) look(now time.Duration) {
	for i := range w.snap.NAlarms {
		a := &w.snap.Alarms[i]
		code := safety.Rows()[a.Row].Code
		if key := fmt.Sprint(a.Row, "/", a.Subject); w.seen[key] != a.At {
			w.seen[key] = a.At
			w.res.Alarms[code]++
		}
	}
	stretch := func(to *[2]float64, v float64) { to[0], to[1] = min(to[0], v), max(to[1], v) }
	if !w.snap.State.Heats() {
		return
	}
	truth := w.b.Rig.Plant.Truth()
	w.hottest = max(w.hottest, float64(truth.PackageTop-w.body), float64(truth.HottestJoint-jointCeiling))
	for h := range w.b.Setup.Limits.NHeaters {
		v := float64(w.b.Keeper.Balance(h))
		if h < 2 {
			stretch(&w.res.Air, v)
		} else {
			stretch(&w.res.Area, v)
		}
	}
	if w.snap.Phase == station.PhaseCool || w.snap.Coldest < 0 {
		return
	}
	var around []unit.Celsius
	for i, s := range w.b.Setup.Sensors {
		if c, ok := w.snap.Sensors[i].Temp(); ok && (s.Role == safety.RolePackageTop || s.Role == safety.RoleBoard) {
			around = append(around, c)
		}
	}
	if j, ok := w.snap.Sensors[w.snap.Coldest].Temp(); ok && len(around) == 2 {
		w.res.Joint[0] = min(w.res.Joint[0], float64(j-min(around[0], around[1])))
		w.res.Joint[1] = max(w.res.Joint[1], float64(j-max(around[0], around[1])))
	}
}
