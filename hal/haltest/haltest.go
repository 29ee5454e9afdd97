// Package haltest says, as tests, what every driver of a kind must do, whatever its chip. It drives the real driver on
// emulated chips and virtual time, one tick of the control loop after the other. It holds nothing a program could use.
package haltest

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"trivet/process/unit"
	"trivet/sim/chip"
)

// Thermometer is a driver as the control loop sees it.
type Thermometer interface {
	Read(now time.Duration) unit.Reading
}

// World is an emulated amplifier with its couple, from the side of the heat.
type World interface {
	Advance(now time.Duration, hotC, coldC float64)
	Inject(f chip.Fault)
}

// Bench is one freshly wired driver on an emulated chip that has no power yet.
type Bench struct {
	Sensor Thermometer
	World  World
	Poll   func(now time.Duration) // served once per tick before Read; nil if the driver needs none
	Mend   func() error            // brings back a chip that has lost its configuration; nil if it has none to lose
}

// Expect is what a driver must report under one fault.
type Expect struct {
	Fault   chip.Fault
	Quality unit.Quality
	Within  time.Duration // until then it may still report the last number; 0: the very next reading has none
	Lasts   time.Duration // so long it may still be told after its end, in addition to Settle
}

// Spec is what is promised of one kind of thermometer.
type Spec struct {
	New    func(tb testing.TB) Bench
	Error  unit.Kelvin   // greatest deviation from the world between Coldest and Warmest
	Settle time.Duration // time from power, a step or the end of a fault to a reading of it
	Faults []Expect
	// Coldest and Warmest, in °C, bound what the chip can measure; both 0: −20 and 300.
	Coldest, Warmest float64
	Chip             string // for the table
}

// Tick is the period of the control loop.
const Tick = 100 * time.Millisecond

// Noise of the world, °C rms. Every real couple has some; a chip that shows none is what the frozen check looks for.
const (
	hotNoise  = 0.05
	coldNoise = 0.02
)

type bench struct {
	Bench
	now time.Duration
	rng *rand.Rand
}

func start(tb testing.TB, s Spec) *bench {
	tb.Helper()
	return &bench{Bench: s.New(tb), rng: rand.New(rand.NewPCG(7, 11))}
}

// tick moves the world on by one tick and reads.
func (b *bench) tick(hot, cold float64) unit.Reading {
	b.World.Advance(b.now, hot+hotNoise*b.rng.NormFloat64(), cold+coldNoise*b.rng.NormFloat64())
	if b.Poll != nil {
		b.Poll(b.now)
	}
	r := b.Sensor.Read(b.now)
	b.now += Tick
	return r
}

// run ticks for d, at least once, and returns the last reading.
func (b *bench) run(d time.Duration, hot, cold float64) unit.Reading {
	r := b.tick(hot, cold)
	for end := b.now + d - Tick; b.now <= end; {
		r = b.tick(hot, cold)
	}
	return r
}

func near(r unit.Reading, hot float64, within unit.Kelvin) bool {
	c, ok := r.Temp()
	return ok && math.Abs(float64(c)-hot) <= float64(within)+4*hotNoise
}

// RunThermometer runs every promise on a driver.
func RunThermometer(t *testing.T, s Spec) Card {
	c := Card{Chip: s.Chip}
	c.promise(t, "before the first conversion there is no reading", func(t *testing.T) { firstRead(t, s) })
	c.promise(t, "it reads what the world is", func(t *testing.T) { readsTheWorld(t, s) })
	c.promise(t, "a steady world is not a frozen chip", func(t *testing.T) { steady(t, s) })
	for _, e := range s.Faults {
		c.promise(t, "fault "+e.Fault.String()+" gives no number and passes", func(t *testing.T) { fault(t, s, e) })
	}
	c.promise(t, "a reading makes no garbage", func(t *testing.T) { noGarbage(t, s) })
	return c
}

func firstRead(t *testing.T, s Spec) {
	b := start(t, s)
	if r := b.tick(25, 25); r.Quality != unit.NotRead || r.Usable() {
		t.Errorf("the first reading is %v", r.Quality)
	}
	seen := false
	for b.now < s.Settle {
		r := b.tick(25, 25)
		seen = seen || r.Usable()
		if r.Quality != unit.NotRead && !r.Usable() || seen && !r.Usable() {
			t.Fatalf("at %v, warming up, the reading is %v", b.now, r.Quality)
		}
	}
	if r := b.tick(25, 25); !near(r, 25, s.Error) {
		t.Errorf("after %v: %v, %v", s.Settle, r.Quality, temp(r))
	}
}

func temp(r unit.Reading) unit.Celsius {
	c, _ := r.Temp()
	return c
}

func readsTheWorld(t *testing.T, s Spec) {
	for _, cold := range []float64{5, 25, 45} {
		b := start(t, s)
		b.run(s.Settle, 25, cold)
		coldest, warmest := s.Coldest, s.Warmest
		if coldest == 0 && warmest == 0 {
			coldest, warmest = -20, 300
		}
		for hot := coldest; hot <= warmest; hot += 7 {
			r := b.run(s.Settle, hot, cold)
			if !near(r, hot, s.Error) {
				t.Errorf("junction %v °C, chip %v °C: reads %v (%v), allowed is ±%v", hot, cold, temp(r), r.Quality, s.Error)
			}
			if age := b.now - Tick - r.At; age < 0 || age > s.Settle {
				t.Errorf("the reading is %v old", age)
			}
		}
	}
}

func steady(t *testing.T, s Spec) {
	b := start(t, s)
	b.run(s.Settle, 200, 30)
	for range 6000 {
		if r := b.tick(200, 30); !near(r, 200, s.Error) {
			t.Fatalf("at %v: %v, %v", b.now, r.Quality, temp(r))
		}
	}
}

func fault(t *testing.T, s Spec, e Expect) {
	b := start(t, s)
	if r := b.run(s.Settle+time.Second, 180, 25); !near(r, 180, s.Error) {
		t.Fatalf("before the fault: %v, %v", r.Quality, temp(r))
	}
	b.World.Inject(e.Fault)
	since := b.now
	for b.now < since+e.Within+5*time.Second {
		r := b.tick(180, 25)
		elapsed := b.now - Tick - since
		if elapsed >= e.Within && r.Usable() {
			t.Fatalf("%v after the fault there still is a number: %v", elapsed, temp(r))
		}
		if elapsed >= e.Within && r.Quality != e.Quality {
			t.Fatalf("%v after the fault: %v, want %v", elapsed, r.Quality, e.Quality)
		}
	}
	b.World.Inject(chip.None)
	if e.Fault == chip.ResetChip && b.Mend != nil {
		if r := b.run(s.Settle, 180, 25); r.Usable() {
			t.Errorf("the chip has lost its configuration and still gives %v", temp(r))
		}
		if err := b.Mend(); err != nil {
			t.Fatal(err)
		}
	}
	passed := s.Settle + e.Lasts + Tick
	if r := b.run(passed, 120, 25); !near(r, 120, s.Error) {
		t.Errorf("%v after the fault is gone: %v, %v", passed, r.Quality, temp(r))
	}
}

func noGarbage(t *testing.T, s Spec) {
	for _, f := range append([]Expect{{Fault: chip.None}}, s.Faults...) {
		b := start(t, s)
		b.run(s.Settle, 100, 25)
		b.World.Inject(f.Fault)
		if n := testing.AllocsPerRun(300, func() { b.tick(100, 25) }); n != 0 {
			t.Errorf("with fault %v: %v allocations per reading", f.Fault, n)
		}
	}
}

// BenchmarkThermometer measures one tick of a driver: poll if it has one, and read. The world stands still; advancing
// the emulated chip is part of the figure.
func BenchmarkThermometer(b *testing.B, s Spec) {
	w := start(b, s)
	w.run(s.Settle, 100, 25)
	b.ReportAllocs()
	for b.Loop() {
		w.tick(100, 25)
	}
}
