package safety

import (
	"math"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"trivet/process/unit"
)

// looped is the bench with heat balances: the area heater's own sensor is a sixth one.
func looped(t *testing.T) *bench {
	return newBenchOf(t, func(l *Limits) {
		l.Sensors[4] = Sensor{Name: "Area", Role: RoleArea, Ceiling: 590, Heaters: 2, Guard: true, LostAfter: time.Second}
		l.NSensors = 5
		l.Room = 100 // the bench's resting value, so that it rests
		l.Heaters[0].Loop = Loop{Sensor: 2, Gain: 380, Inertia: 0.2, Band: 20}
		l.Heaters[1].Loop = Loop{Sensor: 4, Gain: 4.5e11, Inertia: 0.3, Radiates: true, Band: 50}
	})
}

// warm drives the heaters of m for d, with readings that follow the balance as a healthy machine's do, spread by noise.
func (b *bench) warm(m Mask, d time.Duration, noise float64) {
	rng := rand.New(rand.NewPCG(7, 7))
	for end := b.now + d; b.now < end; {
		b.f.Driven = m
		b.f.Sensed = m
		for h := range b.g.limits.NHeaters {
			if o := &b.g.limits.Heaters[h].Loop; o.Gain > 0 {
				b.set(o.Sensor, unit.Celsius(b.g.past.heaters[h].seen+noise*rng.NormFloat64()))
			}
		}
		b.step()
	}
}

// TestRulesWithAMemoryActInTimeAndNameTheirFault: each is a story on a machine that has been healthy for a minute.
func TestRulesWithAMemoryActInTimeAndNameTheirFault(t *testing.T) {
	every := func(b *bench, d time.Duration, do func(k int)) {
		for k := range int(d / tick) {
			do(k)
			b.step()
			if b.v.Tripped {
				return
			}
		}
	}
	for _, c := range []struct {
		story  string
		tell   func(b *bench)
		within time.Duration
		trip   string
	}{
		{"air head reads ever colder under full drive", func(b *bench) {
			b.warm(1, 20*time.Second, 0.1)
			x := b.g.past.heaters[0].seen
			every(b, 5*time.Second, func(k int) { b.f.Driven, b.f.Sensed = 1, 1; b.set(2, unit.Celsius(x-1.2*float64(k))) })
		}, 5 * time.Second, "heat_missing"},
		{"element takes no current", func(b *bench) {
			b.warm(1, 2*time.Second, 0.1)
			every(b, 5*time.Second, func(int) { b.f.Driven, b.f.Sensed = 2, 0 })
		}, 5 * time.Second, "relay_open"},
		{"nozzle repeats its value while its heater works", func(b *bench) {
			b.warm(1, 5*time.Second, 0.1)
			every(b, 5*time.Second, func(int) { b.f.Driven, b.f.Sensed = 1, 1; b.set(2, 150) })
		}, 5 * time.Second, "sensor_frozen"},
		{"joint repeats its value while everything around it moves", func(b *bench) {
			every(b, 20*time.Second, func(k int) {
				b.set(0, 110)
				b.set(1, unit.Celsius(110+0.08*float64(k)))
				b.set(3, unit.Celsius(105+0.08*float64(k)))
			})
		}, 10 * time.Second, "sensor_frozen"},
		{"more than half of the samples of a guard are missing", func(b *bench) {
			every(b, 5*time.Second, func(k int) {
				b.set(0, 100)
				if k%3 != 0 {
					b.f.Readings[0] = unit.Unusable(b.now, unit.NoAnswer)
				}
			})
		}, 3 * time.Second, "sensor_erratic"},
		{"extraction flutters", func(b *bench) { every(b, 10*time.Second, func(k int) { b.f.Closed[2] = k/5%2 == 0 }) }, 4 * time.Second, "contact_chatters"},
		{"an area zone warms by itself at rest", func(b *bench) {
			b.f.Armed, b.f.Enabled, b.f.Mirror = false, false, false
			b.run(3 * time.Minute)
			every(b, time.Minute, func(k int) { b.set(4, unit.Celsius(100+0.05*float64(k))) })
		}, 25 * time.Second, "idle_heat"},
		{"time runs backwards", func(b *bench) { b.now -= time.Second; b.step() }, 0, "clock"},
		{"a run's own ceiling is raised under way", func(b *bench) {
			b.f.RunCeiling.PackageTop = 240
			b.run(time.Second)
			b.f.Armed = false
			b.step()
			b.f.Armed = true
			b.run(time.Second)
			b.f.RunCeiling.PackageTop = 250
			b.step()
		}, 2*time.Second + 3*tick, "memory"},
	} {
		t.Run(c.story, func(t *testing.T) {
			b := looped(t)
			b.run(10 * time.Second)
			if b.v.Tripped {
				t.Fatalf("a healthy machine tripped on %s", b.firstOut())
			}
			c.tell(b)
			if got := b.firstOut(); got != c.trip {
				t.Fatalf("first-out is %q; want %q", got, c.trip)
			}
			m := &b.g.mem[b.g.firstRow][b.g.firstSub]
			if took := b.g.now - m.since; c.within > 0 && took > c.within {
				t.Errorf("took %v from the moment it became true", took)
			}
		})
	}
}

// atLength is n, or with -short a twentieth of it.
func atLength(n int) int {
	if testing.Short() {
		return n / 20
	}
	return n
}

// TestAHealthyNoisyMachineTripsOnNothing: driven hard, with noise, lost samples, bursts and spikes, for an hour.
func TestAHealthyNoisyMachineTripsOnNothing(t *testing.T) {
	b := looped(t)
	rng := rand.New(rand.NewPCG(1, 2))
	deaf := [5]int{}
	for k := range atLength(36000) {
		on := Mask(0)
		if k/600%2 == 0 {
			on = 3
		}
		b.f.Driven, b.f.Sensed = on, on
		for i := range 5 {
			x := 100 + 20*math.Sin(float64(k)/900)
			for h := range 2 {
				if b.g.limits.Heaters[h].Loop.Sensor == i {
					x = b.g.past.heaters[h].seen
				}
			}
			x += 0.2 * rng.NormFloat64()
			switch {
			case deaf[i] > 0:
				deaf[i]--
			case k%600 == 37*i:
				deaf[i] = 3
			case rng.Float64() < 1e-3:
				deaf[i] = 1
			}
			b.f.Readings[i] = unit.Measured(b.now, unit.Celsius(x))
			if deaf[i] > 0 {
				b.f.Readings[i] = unit.Unusable(b.now+tick, unit.NoAnswer)
			}
		}
		b.step()
		if b.v.Tripped {
			t.Fatalf("tripped on %s after %v", b.firstOut(), b.now)
		}
	}
}

// TestEveryFlippedBitOfTheLimitsTakesTheHeat flips each bit of each number, one at a time, in a fresh guard each.
func TestEveryFlippedBitOfTheLimitsTakesTheHeat(t *testing.T) {
	var flips int
	var walk func(v reflect.Value, visit func(v reflect.Value, bits int))
	walk = func(v reflect.Value, visit func(reflect.Value, int)) {
		switch v.Kind() {
		case reflect.Struct:
			for i := range v.NumField() {
				walk(v.Field(i), visit)
			}
		case reflect.Array:
			for i := range v.Len() {
				walk(v.Index(i), visit)
			}
		case reflect.Bool:
			visit(v, 1)
		case reflect.Float64, reflect.Int, reflect.Int64:
			visit(v, 64)
		case reflect.Uint16:
			visit(v, 16)
		}
	}
	b := looped(t)
	good := b.g.limits
	walk(reflect.ValueOf(&b.g.limits).Elem(), func(v reflect.Value, bits int) {
		for k := range bits {
			switch v.Kind() {
			case reflect.Bool:
				v.SetBool(!v.Bool())
			case reflect.Float64:
				v.SetFloat(math.Float64frombits(math.Float64bits(v.Float()) ^ 1<<k))
			case reflect.Uint16:
				v.SetUint(v.Uint() ^ 1<<k)
			default:
				v.SetInt(v.Int() ^ 1<<k)
			}
			flips++
			if b.g.checks.agrees(&b.g.limits) {
				t.Fatalf("bit %d of a %s went unseen", k, v.Type())
			}
			b.g.limits = good
		}
	})
	b.g.limits.Sensors[0].Ceiling = 261
	if took := b.untilOff(All, time.Second); took > tick {
		t.Errorf("heat went %v after a ceiling had changed", took)
	}
	b.run(time.Second)
	if b.firstOut() != "memory" || b.g.Reset(1) == nil {
		t.Errorf("first-out %q; want memory, and no reset while it is so", b.firstOut())
	}
	t.Logf("%d bits flipped", flips)
}

func TestAFlippedLatchTakesTheHeatInsteadOfGivingItBack(t *testing.T) {
	b := newBench(t)
	b.f.Closed[1] = false
	b.step()
	b.f.Closed[1] = true
	b.run(2 * time.Second)
	r, _, _, _ := b.g.FirstOut()
	b.g.latches[r] = 0 // the bit that held the trip
	b.step()
	if b.v.Allow != 0 || !b.v.Tripped {
		t.Errorf("a latch that flipped gave heat: %+v", b.v)
	}
}

func TestAClockThatRunsBackwardsTakesTheHeat(t *testing.T) {
	b := newBench(t)
	b.v = b.g.Step(b.now-time.Millisecond, &b.f)
	if b.v.Allow != 0 || b.firstOut() != "clock" {
		t.Errorf("allowed %b, first-out %q", b.v.Allow, b.firstOut())
	}
}

func TestAColdJunctionThatJumpsOrStandsApartMakesItsCoupleCount(t *testing.T) {
	for _, far := range []unit.Celsius{3, 12} {
		b := newBench(t)
		cold := func(x unit.Celsius) {
			for i := range 3 {
				b.f.Cold[i] = unit.Measured(b.now, 28+unit.Celsius(i)/2)
			}
			b.f.Cold[0] = unit.Measured(b.now, 28+x)
		}
		for range 100 {
			cold(0)
			b.step()
		}
		if b.v.Hold || b.v.Tripped {
			t.Fatal("sound cold junctions held the heat")
		}
		for range 12 {
			cold(far)
			b.step()
		}
		if b.firstOut() != "sensor_lost" {
			t.Errorf("a jump of %v: first-out %q; want sensor_lost", far, b.firstOut())
		}
	}
}

func TestASlowlyWarmingBoxOfAmplifiersIsNoFault(t *testing.T) {
	b := newBench(t)
	for k := range atLength(36000) {
		for i := range 3 {
			b.f.Cold[i] = unit.Measured(b.now, unit.Celsius(22+15*float64(k)/36000+float64(i)))
		}
		if b.step(); b.v.Tripped || b.v.Hold {
			t.Fatalf("held or tripped (%s) at %v", b.firstOut(), b.now)
		}
	}
}

func TestAnAlarmSaysWhatExplainsIt(t *testing.T) {
	b := looped(t)
	b.warm(1, 20*time.Second, 0.1)
	x := b.g.past.heaters[0].seen
	b.f.AirFlows[0] = false
	for k := range 40 {
		b.f.Driven = 1
		b.set(2, unit.Celsius(x-1.2*float64(k)))
		b.step()
	}
	var list [16]Active
	found := false
	for _, a := range list[:b.g.Alarms(list[:])] {
		if rows[a.Row].Code == "heat_missing" {
			found = true
			if a.Because < 0 || rows[a.Because].Code != "air_lost" {
				t.Errorf("heat_missing is explained by row %d", a.Because)
			}
		}
		if rows[a.Row].Code == "air_lost" && (a.Because >= 0 || !a.FirstOut) {
			t.Error("lost air is explained by something, or not first")
		}
	}
	if !found {
		t.Error("no alarm about the missing heat: this test shows nothing")
	}
}

func TestOneThatComesAndGoesIsOneAlarm(t *testing.T) {
	b := newBench(t)
	for k := range 60 {
		b.f.Closed[2] = k%10 < 5
		b.step()
	}
	var list [16]Active
	n, flutters := 0, false
	for _, a := range list[:b.g.Alarms(list[:])] {
		if rows[a.Row].Code == "extraction_hold" {
			n++
			flutters = flutters || a.Flutters
		}
	}
	if n != 1 || !flutters {
		t.Errorf("%d alarms, fluttering %v; want one that says so", n, flutters)
	}
}

func TestASingleLostSampleHoldsTheHeatAndTellsNobody(t *testing.T) {
	b := newBench(t)
	b.f.Readings[0] = unit.Unusable(b.now, unit.NoAnswer)
	b.step()
	var list [8]Active
	if !b.v.Hold || b.g.Alarms(list[:]) != 0 {
		t.Errorf("hold %v, %d alarms; want held and quiet", b.v.Hold, b.g.Alarms(list[:]))
	}
	b.run(500 * time.Millisecond)
	if b.g.Alarms(list[:]) == 0 {
		t.Error("nobody was told after half a second")
	}
}

func TestFiftyRunsWithoutAnOpeningAskForATrial(t *testing.T) {
	b := newBench(t)
	untried := func() (n int) {
		var list [16]Active
		for _, a := range list[:b.g.Alarms(list[:])] {
			if rows[a.Row].Code == "contact_untried" && a.True {
				n++
			}
		}
		return n
	}
	for range 50 {
		b.f.Armed = false
		b.step()
		b.f.Armed = true
		b.step()
	}
	if untried() == 0 {
		t.Fatal("nobody was asked")
	}
	b.f.Armed = false
	for i := range 4 {
		b.f.Closed[i] = false
		b.step()
		b.f.Closed[i] = true
		b.step()
	}
	if untried() != 0 {
		t.Error("still asked after every contact has opened")
	}
}
