package bench

import (
	"math"
	"sort"
	"sync"
	"testing"
	"time"

	"trivet/control/full"
	"trivet/safety"
	"trivet/sim/catalog"
	"trivet/station"
)

// guessed is one run of the knowing law, with a look at its guess in every tick of heat.
type guessed struct {
	board, ended, trip string
	seconds            int       // with a guess
	off                []float64 // K, size of reading minus guess, once a second
	worst              float64   // of all ticks
	doubted            bool      // somebody was told joint_doubt
}

func guessRun(t *testing.T, p Parts) *guessed {
	b, err := Assemble(p, 1)
	if err != nil {
		t.Error(err)
		return &guessed{}
	}
	g := &guessed{board: p.Board.Name}
	var snap station.Snapshot
	b.options.Publish = func(s *station.Snapshot) { snap = *s }
	if b.Station, err = station.New(b.options); err != nil {
		t.Error(err)
		return g
	}
	law := b.options.Law.(*full.Law)
	th := thinker{law: law, station: b.Station}
	open, begun := time.Duration(0), false
	for now := station.Period; now < longest && (now < 10*time.Second || snap.State.Live()); now += station.Period {
		b.Rig.Advance(now)
		if now >= warmUp && !begun {
			begun = true
			_ = b.Station.Post(station.Command{Event: station.Start, Order: p.order(), By: "bench"}, func(err error) {
				if err != nil {
					t.Error(err)
				}
			})
		}
		if open += station.Period; !snap.Lift.Open {
			open = 0
		} else if open > 20*time.Second && !snap.Lift.Confirmed {
			_ = b.Station.Post(station.Command{Event: station.Lifted, By: "bench"}, func(error) {})
		}
		b.Station.Tick(now, 0)
		th.after(now)
		g.look(law, &snap)
	}
	g.ended = snap.Ended.Code
	if row, _, _, ok := b.Keeper.FirstOut(); ok {
		g.trip = safety.Rows()[row].Code
	}
	return g
}

func (g *guessed) look(law *full.Law, s *station.Snapshot) {
	for i := range s.NAlarms {
		g.doubted = g.doubted || safety.Rows()[s.Alarms[i].Row].Code == "joint_doubt"
	}
	c, known := law.Guess().Temp()
	if !known || !s.State.Heats() || s.Phase == station.PhaseCool || s.Coldest < 0 {
		return
	}
	if j, ok := s.Sensors[s.Coldest].Temp(); ok {
		off := math.Abs(float64(j - c))
		g.worst = math.Max(g.worst, off)
		if s.Seq%10 == 0 {
			g.seconds++
			g.off = append(g.off, off)
		}
	}
}

// TestTheGuessOfAHealthyJointNeverStandsOut runs healthy boards under the knowing law and compares the joint's thermocouple with what the law says
// it should read. The guard doubts the joint from 12 °C on: a false trip in reflow ruins a part. TRIVET_GUESS_BOARDS sets how many boards.
func TestTheGuessOfAHealthyJointNeverStandsOut(t *testing.T) {
	n := howMany(t, "TRIVET_GUESS_BOARDS", 4)
	var mu sync.Mutex
	var wg sync.WaitGroup
	next := make(chan int)
	var all []float64
	ended := map[string]int{}
	for range 2 {
		wg.Go(func() {
			for i := range next {
				g := guessRun(t, guessParts(t, i))
				mu.Lock()
				all = append(all, g.off...)
				ended[g.ended]++
				if g.doubted || g.trip == "joint_astray" || !(g.worst < 8) || g.seconds < 60 {
					t.Errorf("board %d, %s: %.1f K at worst in %d s, doubted %v, trip %q, ended %q", i, g.board, g.worst, g.seconds, g.doubted, g.trip, g.ended)
				}
				t.Logf("board %d, %s: %.1f K at worst in %d s", i, g.board, g.worst, g.seconds)
				mu.Unlock()
			}
		})
	}
	for i := range n {
		next <- i
	}
	close(next)
	wg.Wait()
	sort.Float64s(all)
	if len(all) > 0 {
		t.Logf("%d boards, %d s with a guess; |reading − guess| median %.2f, 99 %% %.2f, most %.2f K; ended %v", n, len(all), Rank(all, 0.5), Rank(all, 0.99), all[len(all)-1], ended)
	}
}

// guessParts is board i: two of four drawn, with machine and day as they may be; one shipped; one on the small machine.
func guessParts(t *testing.T, i int) Parts {
	t.Helper()
	boards := FaultBoards()
	s := catalog.Scenario{Name: "guess", Machine: "bench-5kw", Board: boards[i/4%len(boards)], AmbientC: 25, Law: "full", Seed: int64(i)}
	s.Profile = profileFor(s.Board)
	if i%4 == 3 {
		s.Machine, s.Board, s.Profile = "kitchen-1k4", "thin-4-layer", "removal-gentle-lead-free"
	}
	p := Parts{Scenario: s}
	var err error
	if p.Machine, err = catalog.Machine(s.Machine); err != nil {
		t.Fatal(err)
	}
	if p.Board, err = catalog.Board(s.Board); err != nil {
		t.Fatal(err)
	}
	if p.Profile, err = catalog.Profile(s.Profile); err != nil {
		t.Fatal(err)
	}
	if i%4 < 2 {
		p.Profile, err = catalog.Profile("removal-heavy-lead-free")
		if err != nil {
			t.Fatal(err)
		}
		return Draw(p, 77, i)
	}
	board := p.Board
	p = Draw(p, 77, i) // its day, not its board
	p.Board = board
	return p
}
