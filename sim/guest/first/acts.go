package main

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"syscall"
	"time"

	"trivet/sim/fault"
	"trivet/sim/guest/witness"
)

// act is one way in which heat must end: what happens, and how soon the relay lines must be low by the kernel's record.
type act struct {
	promise string
	limit   time.Duration
	strike  func() (time.Duration, error) // returns the moment just before
	mend    func() error                  // nil when there is nothing to mend
	first   string                        // the alarms of which one must come first, with | between; empty for none
}

// fault returns the strike and the mending of a fault of the machine.
func (s *stage) fault(f fault.Fault) (strike func() (time.Duration, error), mend func() error) {
	apply := func(on bool) (time.Duration, error) {
		at := monotonic()
		_, err := s.world.Apply(f, on)
		return at, err
	}
	return func() (time.Duration, error) { return apply(true) }, func() error { _, err := apply(false); return err }
}

// What each class of reaction may take, from DEVELOPERS.md: the same tick and the one it may have missed by a moment; a lost sensor; a
// sensor that repeats itself, by chip; one-shot and contactor in hardware.
const (
	classSame     = 250 * time.Millisecond
	classLost     = time.Second + 150*time.Millisecond
	classHardware = 600 * time.Millisecond
	classFrozen   = 30 * time.Second
)

// acts are played in this order, each in a run of its own. The long form has those that take their time.
func (s *stage) acts(d *daemon, long bool) []act {
	var out []act
	contact := func(kind, promise string) {
		strike, mend := s.fault(fault.Fault{Kind: "interlock_open", Target: kind})
		out = append(out, act{promise: promise, limit: classSame, strike: strike, mend: mend, first: kind})
	}
	contact("door", "the guard door opens")
	contact("emergency_stop", "the emergency stop is pressed")
	contact("limiter", "the over-temperature limiter opens")
	strike, mend := s.fault(fault.Fault{Kind: "sensor_dead", Target: "area-left"})
	out = append(out, act{promise: "the converter on the I2C bus no longer acknowledges", limit: classLost, strike: strike, mend: mend, first: "sensor_lost|sensor_erratic"})
	strike, mend = s.fault(fault.Fault{Kind: "sensor_frozen", Target: "package-top"})
	out = append(out, act{promise: "a chip repeats its last word", limit: 3 * time.Second, strike: strike, mend: mend, first: "sensor_frozen"})
	if long {
		strike, mend = s.fault(fault.Fault{Kind: "sensor_frozen", Target: "joint-corner"})
		out = append(out, act{promise: "the joint's chip, whose steps are coarse, repeats its last word", limit: classFrozen, strike: strike, mend: mend, first: "sensor_frozen"})
	}
	var release func()
	out = append(out, act{
		promise: "the joint's bus keeps its caller waiting", limit: classLost, first: "sensor_lost|sensor_erratic",
		strike: func() (time.Duration, error) {
			at := monotonic()
			release = s.world.Hang(s.file.Wiring.Sensors[0].Bus)
			return at, nil
		},
		mend: func() error { release(); return nil },
	})
	out = append(out, act{
		promise: "somebody says stop", limit: classSame,
		strike: func() (time.Duration, error) {
			at := monotonic()
			_, err := d.send("/api/v1/stop", "", nil)
			return at, err
		},
	})
	return out
}

// heat starts a run and waits until relays are on behind a closed contactor.
func (s *stage) heat(d *daemon) error {
	if err := d.post("/api/v1/runs", fmt.Sprintf(`{"profile":%q,"by":"rig"}`, s.profile())); err != nil {
		return err
	}
	if _, err := d.until("heating", 60*time.Second, func(s *status) bool { return s.Phase == "heating" }); err != nil {
		return err
	}
	time.Sleep(2 * time.Second) // a few ticks of heat, so that what must not repeat itself has moved
	return s.burning()
}

// burning waits for a moment in which a relay line is high and the contactor closed.
func (s *stage) burning() error {
	for deadline := time.Now().Add(20 * time.Second); time.Now().Before(deadline); time.Sleep(2 * time.Millisecond) {
		if w := s.world.Look(); w.Switched && w.Closed {
			return nil
		}
	}
	return fmt.Errorf("no relay was on behind a closed contactor in 20 s")
}

// play plays one act in a run of its own, asks the witness, and brings the station back.
func (t *teller) play(s *stage, d *daemon, a act) error {
	if err := t.strike(s, d, a); err != nil {
		return fmt.Errorf("%s: %w", a.promise, err)
	}
	if a.mend != nil {
		if err := a.mend(); err != nil {
			return err
		}
	}
	return s.calm(d)
}

// strike plays one act and asks the witness.
func (t *teller) strike(s *stage, d *daemon, a act) error {
	if err := s.heat(d); err != nil {
		return err
	}
	at, err := a.strike()
	if err != nil {
		return err
	}
	time.Sleep(a.limit + time.Second)
	events, err := seen()
	if err != nil {
		return err
	}
	relays, enable := witness.LowAfter(events, s.heaters(), at), witness.LowAfter(events, s.numbers(s.file.Wiring.HeatEnable), at)
	w := s.world.Look()
	contactor := monotonic() - time.Since(w.Since) - at
	now, err := d.look()
	if err != nil {
		return err
	}
	t.took[a.promise] = append(t.took[a.promise], relays.For)
	t.check(relays.WereHigh > 0 && relays.Low && relays.For > 0 && relays.For <= a.limit, a.promise+": heater lines are low in time",
		fmt.Sprintf("%d lines high, low after %.1f ms, limit %d ms; heat-enable low after %.1f ms; first out %q; this tick late by %.1f ms", relays.WereHigh, ms(relays.For), a.limit.Milliseconds(), ms(enable.For), now.first(), now.LateMS))
	t.check(enable.Low && !w.Closed, a.promise+": heat-enable is low and the contactor open", fmt.Sprintf("contactor after %.0f ms, seen every 10 ms", ms(contactor)))
	if a.first != "" {
		t.check(slices.Contains(strings.Split(a.first, "|"), now.first()), a.promise+": the cause is named first", fmt.Sprintf("%q, want %q", now.first(), a.first))
	}
	return nil
}

// calm brings the station back to where a run may start.
func (s *stage) calm(d *daemon) error {
	time.Sleep(1500 * time.Millisecond) // every cause must be gone for a second
	for range 300 {                     // the blowers of a hot head run on for minutes
		now, err := d.look()
		if err != nil {
			return err
		}
		if now.State == "idle" && now.Trip == 0 {
			return nil
		}
		_ = d.post("/api/v1/reset", fmt.Sprintf(`{"trip_id":%d,"by":"rig"}`, now.Trip)) // refused until everything has come to rest
		time.Sleep(time.Second)
	}
	_, err := d.until("idle", time.Second, func(s *status) bool { return s.State == "idle" && s.Trip == 0 })
	return err
}

// stopped stops the process in the middle of heat: its lines stay as they are, and only what is outside of it can help.
func (t *teller) stopped(s *stage, d *daemon) error {
	if err := s.heat(d); err != nil {
		return err
	}
	at := monotonic()
	if err := d.cmd.Process.Signal(syscall.SIGSTOP); err != nil {
		return err
	}
	time.Sleep(2 * time.Second)
	w := s.world.Look()
	took := monotonic() - time.Since(w.Since) - at
	t.check(!w.Closed && took <= classHardware, "the process is stopped (SIGSTOP): one-shot and contactor drop the heat",
		fmt.Sprintf("contactor open after %.0f ms, limit %d ms, seen every 10 ms; a relay line still high: %v", ms(took), classHardware.Milliseconds(), w.Switched))
	resumed := monotonic()
	if err := d.cmd.Process.Signal(syscall.SIGCONT); err != nil {
		return err
	}
	time.Sleep(2 * time.Second)
	events, err := seen()
	if err != nil {
		return err
	}
	relays := witness.LowAfter(events, s.heaters(), resumed)
	again := s.world.Look()
	now, err := d.look()
	if err != nil {
		return err
	}
	t.check(relays.Low && relays.For <= classSame && again.Since.Equal(w.Since), "the process goes on (SIGCONT): nothing heats again",
		fmt.Sprintf("heater lines low after %.1f ms, contactor never closed again; first out %q", ms(relays.For), now.first()))
	return s.calm(d)
}

// killed kills the process in the middle of heat and starts it anew.
func (t *teller) killed(s *stage, d *daemon) (*daemon, error) {
	if err := s.heat(d); err != nil {
		return d, err
	}
	at := monotonic()
	if err := d.end(syscall.SIGKILL); err != nil {
		return d, err
	}
	low := time.Duration(-1)
	for range 200 {
		if low < 0 && !s.world.Look().Switched {
			low = monotonic() - at
		}
		time.Sleep(5 * time.Millisecond)
	}
	w := s.world.Look()
	took := monotonic() - time.Since(w.Since) - at
	t.check(!w.Closed && took <= classHardware, "the process is killed (SIGKILL): the contactor opens", fmt.Sprintf("after %.0f ms, limit %d ms", ms(took), classHardware.Milliseconds()))
	t.figure("after SIGKILL the simulator lets the lines go low", fmt.Sprintf("%.0f ms; how another chip leaves them is its own business, the contactor is what counts", ms(low)))
	before := monotonic()
	d, err := begin(startLimit)
	if err != nil {
		return d, err
	}
	time.Sleep(3 * time.Second)
	events, err := seen()
	if err != nil {
		return d, err
	}
	n := witness.Pulses(witness.Since(events, before), s.outputs(), monotonic())
	now, err := d.look()
	if err != nil {
		return d, err
	}
	t.check(n == 0 && now.State != "running", "after the kill and a new start nothing resumes", fmt.Sprintf("%d pulses on output lines, state %s", n, now.State))
	return d, nil
}

// vanished takes the joint's chip away in the middle of heat. A node that comes back is another one: the program is started anew.
func (t *teller) vanished(s *stage, d *daemon) error {
	bus := s.file.Wiring.Sensors[0].Bus
	err := t.strike(s, d, act{
		promise: "the joint's chip vanishes with its node", limit: classLost, first: "sensor_lost",
		strike: func() (time.Duration, error) { at := monotonic(); return at, s.world.Unplug(bus) },
	})
	if err != nil {
		return err
	}
	return s.world.Plug(bus)
}

func ms(d time.Duration) float64 { return d.Seconds() * 1e3 }

// reactions tells, of each way in which heat must end and that was played more than once, how long it took to the kernel's record of the last heater line low.
func (t *teller) reactions() {
	for _, promise := range slices.Sorted(maps.Keys(t.took)) {
		all := slices.Sorted(slices.Values(t.took[promise]))
		if n := len(all); n > 1 {
			t.figure(promise, fmt.Sprintf("%d times, heater lines low after %.1f ms at the middle, %.1f ms at the worst", n, ms(all[n/2]), ms(all[n-1])))
		}
	}
}
