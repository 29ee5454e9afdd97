package lane

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"trivet/process/unit"
)

// chip is everything that a lane can serve, with knobs.
type chip struct {
	mu    sync.Mutex
	name  string
	takes time.Duration // per transaction
	hang  chan struct{} // transactions wait for it to be closed; nil: they do not
	err   error
	temp  unit.Celsius
	sets  []string // commands that reached it
	moves []bool
	polls int
	wrote int // commands that reached it, repeated ones too
}

func (c *chip) String() string { return c.name }

func (c *chip) work() {
	c.mu.Lock()
	takes, hang := c.takes, c.hang
	c.mu.Unlock()
	if hang != nil {
		<-hang
	}
	if takes > 0 {
		time.Sleep(takes)
	}
}

func (c *chip) change(f func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	f()
}

func (c *chip) Read(now time.Duration) unit.Reading {
	c.work()
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.err != nil {
		return unit.Unusable(now, unit.NoAnswer)
	}
	return unit.Measured(now, c.temp)
}

func (c *chip) ColdJunction() unit.Reading { return unit.Measured(0, 31) }
func (c *chip) ExpectMotion(expect bool)   { c.change(func() { c.moves = append(c.moves, expect) }) }
func (c *chip) Poll(time.Duration)         { c.work(); c.change(func() { c.polls++ }) }

func (c *chip) Set(on bool) error {
	c.work()
	return c.took(fmt.Sprint(on))
}

func (c *chip) SetDuty(share float64) error {
	c.work()
	return c.took(fmt.Sprint(share))
}

func (c *chip) took(what string) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.err != nil {
		return c.err
	}
	c.wrote++
	if n := len(c.sets); n == 0 || c.sets[n-1] != what { // refreshing counts once
		c.sets = append(c.sets, what)
	}
	return nil
}

func (c *chip) seen() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.Clone(c.sets)
}

// contact is a chip as an input.
type contact struct{ *chip }

func (c contact) Read() bool { c.work(); return true }

// bench runs f in a bubble of virtual time with a lane of 50 ms rounds, and ends the lane afterwards.
func bench(t *testing.T, f func(t *testing.T, l *Lane, start func())) {
	synctest.Test(t, func(t *testing.T) {
		begun := time.Now()
		l, err := New("i2c-1", 50*time.Millisecond, func() time.Duration { return time.Since(begun) }, Options{})
		if err != nil {
			t.Fatal(err)
		}
		ctx, end := context.WithCancel(context.Background())
		f(t, l, func() { l.Start(ctx) })
		end()
		if err := l.Wait(time.Minute); err != nil {
			t.Error(err)
		}
	})
}

func TestAReadingComesAtOnceWithTheTimeAtWhichItWasMade(t *testing.T) {
	bench(t, func(t *testing.T, l *Lane, start func()) {
		c := &chip{name: "joint", temp: 200, takes: 15 * time.Millisecond}
		s := l.Add(c)
		if r := s.Read(0); r.Usable() {
			t.Errorf("before the first round there is a reading: %+v", r)
		}
		start()
		time.Sleep(160 * time.Millisecond) // rounds begin at 0, 50, 100 and 150 ms
		before := time.Now()
		r := s.Read(l.clock())
		if took := time.Since(before); took != 0 {
			t.Errorf("the tick waited %v", took)
		}
		if got, ok := r.Temp(); !ok || got != 200 || r.At != 100*time.Millisecond {
			t.Errorf("at 160 ms, with a read under way, the reading is %+v; want 200 °C of 100 ms", r)
		}
	})
}

func TestABusThatHangsBlocksItsOwnLaneOnly(t *testing.T) {
	bench(t, func(t *testing.T, l *Lane, start func()) {
		other, err := New("spi0", 50*time.Millisecond, l.clock, Options{})
		if err != nil {
			t.Fatal(err)
		}
		ctx, end := context.WithCancel(context.Background())
		defer func() { end(); _ = other.Wait(time.Second) }()
		good := other.Add(&chip{name: "nozzle", temp: 300})
		other.Start(ctx)

		c := &chip{name: "joint", temp: 200}
		s, in := l.Add(c), l.AddContact(contact{c})
		relay, err := l.AddSwitch(&chip{name: "relay"}, 500*time.Millisecond)
		if err != nil {
			t.Fatal(err)
		}
		start()
		time.Sleep(110 * time.Millisecond)
		if !s.Read(l.clock()).Usable() || !in.Read() || relay.Set(true) != nil {
			t.Fatal("a healthy lane does not work")
		}
		hang := make(chan struct{})
		c.change(func() { c.hang = hang })
		time.Sleep(240 * time.Millisecond)
		if l.Silent(l.clock()) {
			t.Error("silent after less than 250 ms")
		}
		time.Sleep(60 * time.Millisecond)
		before := time.Now()
		r := s.Read(l.clock())
		if r.Quality != unit.Stale || in.Read() || relay.Set(true) == nil || !l.Silent(l.clock()) {
			t.Errorf("of a bus that hangs: reading %v, contact %v, silent %v; want stale, inactive, silent, and an error for the relay", r.Quality, in.Read(), l.Silent(l.clock()))
		}
		if took := time.Since(before); took != 0 {
			t.Errorf("the tick waited %v for it", took)
		}
		if !good.Read(l.clock()).Usable() {
			t.Error("another lane suffers")
		}
		if st := l.Status(l.clock()); st.In != "joint" || !st.Silent {
			t.Errorf("the status is %+v; want silent in joint", st)
		}
		if err := l.Wait(time.Second); err == nil || !strings.Contains(err.Error(), "joint") {
			t.Errorf("waiting for it says %v", err)
		}
		close(hang)
		time.Sleep(110 * time.Millisecond)
		if l.Silent(l.clock()) || !s.Read(l.clock()).Usable() {
			t.Error("a bus that works again stays silent")
		}
	})
}

func TestASlowBusIsCountedAndSilentOnlyWhenARoundTakesTooLong(t *testing.T) {
	bench(t, func(t *testing.T, l *Lane, start func()) {
		c := &chip{name: "joint", temp: 200, takes: 30 * time.Millisecond}
		s := l.Add(c)
		start()
		for range 100 {
			time.Sleep(10 * time.Millisecond)
			if l.Silent(l.clock()) {
				t.Fatal("a bus of 30 ms is silent")
			}
		}
		st := l.Status(l.clock())
		if st.Slow != st.Rounds || st.Rounds < 15 || st.Longest != 30*time.Millisecond {
			t.Errorf("after a second the status is %+v; want every transaction slow, of 30 ms", st)
		}
		c.change(func() { c.takes = 300 * time.Millisecond })
		time.Sleep(290 * time.Millisecond)
		if !l.Silent(l.clock()) || s.Read(l.clock()).Quality != unit.Stale {
			t.Error("a bus of 300 ms is not silent")
		}
	})
}

func TestABusThatErrsSaysSoAndIsAskedAgain(t *testing.T) {
	bench(t, func(t *testing.T, l *Lane, start func()) {
		c := &chip{name: "expander", temp: 20}
		s := l.Add(c)
		relay, err := l.AddSwitch(c, time.Second)
		if err != nil {
			t.Fatal(err)
		}
		start()
		broken := errors.New("no such device or address")
		c.change(func() { c.err = broken })
		_ = relay.Set(true) // the first command cannot know yet
		time.Sleep(10 * time.Millisecond)
		if err := relay.Set(true); !errors.Is(err, broken) {
			t.Errorf("the next command says %v", err)
		}
		time.Sleep(60 * time.Millisecond)
		if q := s.Read(l.clock()).Quality; q != unit.NoAnswer {
			t.Errorf("the reading is %v", q)
		}
		c.change(func() { c.err = nil })
		time.Sleep(60 * time.Millisecond)
		if err := relay.Set(true); err != nil {
			t.Errorf("after the bus has come back: %v", err)
		}
		if got := c.seen(); !slices.Equal(got, []string{"false", "true"}) {
			t.Errorf("the chip saw %q", got)
		}
		if _, err := l.AddSwitch(&chip{name: "x", err: broken}, 0); err == nil {
			t.Error("an output that cannot be switched off is handed out")
		}
		if _, err := l.AddFan(&chip{name: "x", err: broken}); err == nil {
			t.Error("a fan that cannot be stopped is handed out")
		}
	})
}

func TestTheNewestCommandWinsAndDoesNotWaitForTheSensors(t *testing.T) {
	bench(t, func(t *testing.T, l *Lane, start func()) {
		for i := range 8 {
			l.Add(&chip{name: fmt.Sprint("sensor ", i), takes: 5 * time.Millisecond})
		}
		expander := &chip{name: "relay"}
		relay, err := l.AddSwitch(expander, time.Second)
		if err != nil {
			t.Fatal(err)
		}
		start()
		time.Sleep(52 * time.Millisecond) // in the first sensor of the second round, which lasts 40 ms
		_ = relay.Set(true)
		_ = relay.Set(false)
		_ = relay.Set(true)
		time.Sleep(5 * time.Millisecond)
		if got := expander.seen(); !slices.Equal(got, []string{"false", "true"}) {
			t.Errorf("5 ms after the last command, in the middle of a round, the chip has seen %q; want off, then on", got)
		}
		time.Sleep(38 * time.Millisecond) // at 95 ms, between two rounds
		_ = relay.Set(false)
		time.Sleep(time.Millisecond)
		expander.change(func() {
			// At the beginning, in two rounds, and two commands.
			if expander.wrote != 5 {
				t.Errorf("the chip was written to %d times; want 5", expander.wrote)
			}
		})
		if got := expander.seen(); !slices.Equal(got, []string{"false", "true", "false"}) {
			t.Errorf("1 ms after a command between rounds the chip has seen %q", got)
		}
	})
}

func TestHeatEndsWithItsLeaseAndABlowerGoesOn(t *testing.T) {
	bench(t, func(t *testing.T, l *Lane, start func()) {
		heat, air := &chip{name: "heater"}, &chip{name: "blower"}
		heater, err := l.AddSwitch(heat, 500*time.Millisecond)
		if err != nil {
			t.Fatal(err)
		}
		blower, err := l.AddSwitch(air, 0)
		if err != nil {
			t.Fatal(err)
		}
		start()
		for range 10 {
			_, _ = heater.Set(true), blower.Set(true)
			time.Sleep(100 * time.Millisecond)
		}
		// The last command is 100 ms old now, and nobody gives another one.
		time.Sleep(390 * time.Millisecond)
		if got := heat.seen(); !slices.Equal(got, []string{"false", "true"}) {
			t.Errorf("before the lease has ended the heater has seen %q", got)
		}
		time.Sleep(70 * time.Millisecond)
		if got := heat.seen(); !slices.Equal(got, []string{"false", "true", "false"}) {
			t.Errorf("a round after the lease has ended the heater has seen %q", got)
		}
		if got := air.seen(); !slices.Equal(got, []string{"false", "true"}) {
			t.Errorf("the blower has seen %q", got)
		}
	})
}

func TestTheEndOfALaneSwitchesHeatOff(t *testing.T) {
	heat, air, fan := &chip{name: "heater"}, &chip{name: "blower"}, &chip{name: "fan"}
	bench(t, func(t *testing.T, l *Lane, start func()) {
		heater, _ := l.AddSwitch(heat, 500*time.Millisecond)
		blower, _ := l.AddSwitch(air, 0)
		cooling, _ := l.AddFan(fan)
		start()
		_, _, _ = heater.Set(true), blower.Set(true), cooling.SetDuty(0.5)
		if err := cooling.SetDuty(nan()); err == nil {
			t.Error("a duty that is no number is taken")
		}
		time.Sleep(10 * time.Millisecond)
	})
	for c, want := range map[*chip][]string{heat: {"false", "true", "false"}, air: {"false", "true"}, fan: {"0", "0.5"}} {
		if got := c.seen(); !slices.Equal(got, want) {
			t.Errorf("%s has seen %q; want %q", c.name, got, want)
		}
	}
}

func nan() float64 { z := 0.0; return z / z }

func TestAReadingThatEndsDuringTheTickIsNotFromTheFuture(t *testing.T) {
	bench(t, func(t *testing.T, l *Lane, start func()) {
		s := l.Add(&chip{name: "joint", temp: 200})
		start()
		now := 45 * time.Millisecond // when the tick began; it gets to the sensor late
		time.Sleep(55 * time.Millisecond)
		if r := s.Read(now); !r.Usable() || r.At != now {
			t.Errorf("the reading of 50 ms is %+v in a tick of 45 ms", r)
		}
		if r := s.Read(-time.Hour); r.At != 50*time.Millisecond {
			t.Errorf("a reading far ahead of the tick's time is passed off as of %v", r.At)
		}
	})
}

func TestAProxyPassesOnWhatItsChipCanBesides(t *testing.T) {
	bench(t, func(t *testing.T, l *Lane, start func()) {
		c := &chip{name: "joint"}
		s, plain := l.Add(c), l.Add(simple{})
		poller := &chip{name: "converter"}
		l.AddPoller(poller)
		s.ExpectMotion(false)
		plain.ExpectMotion(true)
		start()
		time.Sleep(time.Millisecond)
		s.ExpectMotion(true)
		time.Sleep(150 * time.Millisecond)
		c.change(func() {
			if !slices.Equal(c.moves, []bool{false, true}) {
				t.Errorf("the chip was told %v", c.moves)
			}
		})
		if cold, ok := s.ColdJunction().Temp(); !ok || cold != 31 {
			t.Errorf("the cold junction is at %v, %v", cold, ok)
		}
		if r := plain.ColdJunction(); r != (unit.Reading{}) {
			t.Errorf("a chip without a cold junction has one of %+v", r)
		}
		polls := 0
		poller.change(func() { polls = poller.polls })
		if polls != 4 || s.String() != "joint" || plain.String() != "sensor 2" {
			t.Errorf("%d polls; names %q and %q", polls, s, plain)
		}
	})
}

type simple struct{}

func (simple) Read(now time.Duration) unit.Reading { return unit.Measured(now, 20) }

func TestNothingIsAllocatedInTheSteadyState(t *testing.T) {
	begun := time.Now()
	l, err := New("bus", time.Second, func() time.Duration { return time.Since(begun) }, Options{})
	if err != nil {
		t.Fatal(err)
	}
	c := still{}
	s, in := l.Add(c), l.AddContact(open{})
	relay, _ := l.AddSwitch(c, time.Second)
	fan, _ := l.AddFan(c)
	l.AddPoller(c)
	l.started.Store(true)
	if n := testing.AllocsPerRun(200, func() {
		l.finished.Store(int64(l.clock()))
		_, _ = s.Read(l.clock()), s.ColdJunction()
		_, _, _ = in.Read(), relay.Set(true), fan.SetDuty(0.5)
		_ = relay.Set(false)
		_ = l.Silent(l.clock())
		l.round()
	}); n != 0 {
		t.Errorf("a tick and a round allocate %v times", n)
	}
}

// still takes everything and does nothing.
type still struct{ simple }

func (still) Poll(time.Duration)         {}
func (still) Set(bool) error             { return nil }
func (still) SetDuty(float64) error      { return nil }
func (still) ColdJunction() unit.Reading { return unit.Reading{} }

type open struct{}

func (open) Read() bool { return false }

// TestAReadingIsNeverMixedFromTwo lets a writer race with readers; the time and the temperature of each reading belong together.
func TestAReadingIsNeverMixedFromTwo(t *testing.T) {
	var b box
	b.put(unit.Measured(0, 0))
	done := make(chan struct{})
	var all sync.WaitGroup
	all.Go(func() {
		defer close(done)
		for i := range 200_000 {
			b.put(unit.Measured(time.Duration(i%900), unit.Celsius(i%900)))
		}
	})
	for range 2 {
		all.Go(func() {
			for {
				select {
				case <-done:
					return
				default:
				}
				r, ok := b.get()
				if c, good := r.Temp(); ok && (!good || r.At != time.Duration(c)) {
					t.Errorf("a reading of %v with the time of %d", c, r.At)
					return
				}
			}
		})
	}
	all.Wait()
}

func TestALaneThatCannotWorkIsRefused(t *testing.T) {
	clock := func() time.Duration { return 0 }
	for _, period := range []time.Duration{0, -1, time.Hour} {
		if _, err := New("x", period, clock, Options{}); err == nil {
			t.Errorf("a period of %v is taken", period)
		}
	}
	if _, err := New("x", time.Second, nil, Options{}); err == nil {
		t.Error("a lane without a clock is made")
	}
	if _, err := New("x", time.Second, clock, Options{Slow: -1}); err == nil {
		t.Error("negative patience is taken")
	}
	l, err := New("x", time.Second, clock, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := l.AddSwitch(still{}, -1); err == nil {
		t.Error("a negative lease is taken")
	}
	if !l.Silent(0) || l.Wait(time.Second) != nil || l.Name() != "x" {
		t.Error("a lane that was never started is not silent, or cannot be waited for")
	}
}
