package safety

import (
	"testing"
	"time"

	"trivet/process/unit"
)

// one is what a row is asked about: a sound machine with two of everything, in the middle of a run.
type one struct {
	l Limits
	f Facts
	p past
}

func soundOne() *one {
	m := &one{l: Limits{Mirror: true, Supply: true, MaxRun: time.Hour, ExtractionHold: 10 * time.Second, NSensors: 4, NHeaters: 2, NBlowers: 2, NInterlock: 8}}
	for i, r := range []Role{RoleNozzle, RoleJoint, RolePackageTop, RoleBoard} {
		m.l.Sensors[i] = Sensor{Role: r, Ceiling: 260, Heaters: All, Guard: true, LostAfter: 700 * time.Millisecond, Noise: 0.1}
		m.f.Readings[i] = unit.Measured(0, 100)
	}
	for i := range 2 {
		m.l.Heaters[i] = Heater{Blower: i, Loop: Loop{Gain: 1, Inertia: 1, Band: 20}, Sense: true}
		m.l.Blowers[i].Proof = true
		m.f.BlowerOn[i], m.f.AirFlows[i] = true, true
	}
	for i, k := range []InterlockKind{EmergencyStop, EmergencyStop, Limiter, Limiter, Door, Door, Extraction, Extraction} {
		m.l.Interlocks[i].Kind = k
		m.f.Closed[i] = true
	}
	m.f.Armed, m.f.Enabled, m.f.Mirror, m.f.Supply = true, true, true, 1
	m.f.Driven, m.f.Sensed = 3, 3
	m.p.enabled, m.p.closed, m.p.now = time.Minute, time.Minute, time.Minute
	return m
}

// asks reports whether row r holds of subject i, as the guard would ask it.
func (m *one) asks(r, i int) bool {
	row := &rows[r]
	return (row.Asked == nil || row.Asked(&m.l, &m.f, &m.p, i)) && row.True(&m.l, &m.f, &m.p, i)
}

// TestEachConditionHoldsOfItsSubjectAloneAndNeedsEveryTerm: what makes the row true of subject at, and then what each alone makes it false again.
func TestEachConditionHoldsOfItsSubjectAloneAndNeedsEveryTerm(t *testing.T) {
	kind := func(k InterlockKind, at int) func(*one) { return func(m *one) { m.l.Interlocks[at].Kind = k } }
	contact := func(code string, at int, other InterlockKind) conditionCase {
		return conditionCase{code, at, func(m *one) { m.f.Closed[at] = false }, []func(*one){
			kind(other, at), func(m *one) { m.f.Closed[at] = true }, func(m *one) { m.f.Closed[at], m.f.Closed[at-1] = true, false }}}
	}
	none := func(m *one) { m.l.Sensors[1].Guard = false }
	without := func(m *one) { m.f.Without = 2 }
	found := func(f Finding) func(*one) {
		return func(m *one) { m.f.Testing, m.f.Test = true, StartOut{Found: f, At: 1} }
	}
	ended := func(m *one) { m.f.Testing = false }
	other := func(m *one) { m.f.Test.Found = FoundNothing }
	first := func(m *one) { m.f.Test.At = 0 }
	cases := []conditionCase{
		contact("emergency_stop", 1, Door), contact("limiter", 3, Door), contact("door", 5, Limiter), contact("extraction_hold", 7, Door), contact("extraction", 7, Door),
		{"contact_chatters", 5, func(m *one) {
			m.p.interlocks[5] = contactOf(m.p.now - 10*time.Second)
		}, []func(*one){func(m *one) { m.p.interlocks[5].n = 5 }, func(m *one) { m.p.now++ }}},
		{"over_ceiling", 1, func(m *one) { m.f.Readings[1] = unit.Measured(0, 260) }, []func(*one){func(m *one) { m.f.Readings[1] = unit.Measured(0, 259.9) }}},
		{"at_ceiling", 1, func(m *one) { m.f.Readings[1] = unit.Measured(0, 260) }, []func(*one){func(m *one) { m.f.Readings[1] = unit.Measured(0, 259.9) }}},
		{"relay_stuck", 1, func(m *one) { m.f.Driven, m.f.Sensed = 1, 3 }, []func(*one){func(m *one) { m.f.Driven = 3 }, func(m *one) { m.f.Sensed = 1 },
			func(m *one) { m.l.Heaters[1].Sense = false }, func(m *one) { m.f.Testing = true }}},
		{"contactor_welded", 0, func(m *one) { m.f.Enabled = false }, []func(*one){func(m *one) { m.l.Mirror = false }, func(m *one) { m.f.Mirror = false }, func(m *one) { m.f.Enabled = true }}},
		{"contactor_open", 0, func(m *one) { m.f.Mirror = false }, []func(*one){func(m *one) { m.l.Mirror = false }, func(m *one) { m.f.Mirror = true }, func(m *one) { m.f.Enabled = false }}},
		{"air_lost", 1, func(m *one) { m.f.AirFlows[1] = false }, []func(*one){func(m *one) { m.f.BlowerOn[1] = false }, func(m *one) { m.l.Blowers[1].Proof = false }, func(m *one) { m.f.AirFlows[1] = true }}},
		{"cold_junction", 1, func(m *one) { m.p.sensors[1].coldBad = true }, nil},
		{"sensor_bad", 1, func(m *one) { m.f.Readings[1] = unit.Unusable(0, unit.Open) }, []func(*one){none, without}},
		{"sensor_bad", 1, func(m *one) { m.p.sensors[1].coldBad = true }, []func(*one){none, without}},
		{"sensor_lost", 1, func(m *one) {
			m.f.Readings[1], m.p.sensors[1].badFor = unit.Unusable(0, unit.Open), 700*time.Millisecond
		},
			[]func(*one){none, without, func(m *one) { m.p.sensors[1].badFor-- }}},
		{"sensor_lost", 1, func(m *one) { m.p.sensors[1].coldFor = 700 * time.Millisecond }, []func(*one){none, func(m *one) { m.l.Sensors[1].LostAfter++ }}},
		{"sensor_frozen", 1, func(m *one) { m.p.sensors[1].frozen = true }, []func(*one){none, without}},
		{"sensor_frozen", 1, func(m *one) { m.f.Readings[1] = unit.Unusable(0, unit.Frozen) }, []func(*one){none, func(m *one) { m.f.Readings[1] = unit.Unusable(0, unit.Open) }}},
		{"sensor_erratic", 1, func(m *one) { m.p.sensors[1].misses, m.p.sensors[1].ever = 0b11111111110, true },
			[]func(*one){none, func(m *one) { m.p.sensors[1].misses = 0b11111111100 }, func(m *one) { m.p.sensors[1].ever = false }}},
		{"sensor_noisy", 1, func(m *one) { m.p.sensors[1].rough = 0.401 }, []func(*one){func(m *one) { m.p.sensors[1].rough = 0.4 }, func(m *one) { m.l.Sensors[1].Noise = 0 }}},
		{"sensor_noisy", 1, func(m *one) { m.p.sensors[1].rough, m.l.Sensors[0].Noise = 0.401, 0 }, nil}, // the noise of another is not known
		{"sensor_noisy", 1, func(m *one) { m.p.sensors[1].rough, m.l.Sensors[0].Noise = 0.401, 10 }, nil},
		{"joint_doubt", 1, func(m *one) { m.f.Readings[1] = unit.Measured(0, 130) }, []func(*one){func(m *one) { m.l.Sensors[1].Role = RoleArea }}},
		{"joint_astray", 1, func(m *one) { m.f.Readings[1] = unit.Measured(0, 130) }, []func(*one){func(m *one) { m.l.Sensors[1].Role = RoleArea }}},
		{"relay_open", 1, func(m *one) { m.f.Sensed = 1 }, []func(*one){func(m *one) { m.f.Driven = 1 }, func(m *one) { m.f.Sensed = 3 }, func(m *one) { m.l.Heaters[1].Sense = false },
			func(m *one) { m.p.enabled = 500*time.Millisecond - 1 }, func(m *one) { m.p.closed = 200*time.Millisecond - 1 }}},
		{"relay_open", 1, func(m *one) { m.f.Sensed, m.p.enabled, m.p.closed = 1, 500*time.Millisecond, 200*time.Millisecond }, nil},
		{"relay_open", 1, func(m *one) { m.f.Sensed, m.p.closed, m.l.Mirror = 1, 0, false }, []func(*one){func(m *one) { m.l.Mirror = true }}},
		{"heat_missing", 1, func(m *one) { m.p.heaters[1].off = -20.1 }, []func(*one){func(m *one) { m.p.heaters[1].off = -20 }, func(m *one) { m.l.Heaters[1].Loop.Band = 0 }}},
		{"heat_missing", 1, func(m *one) { m.l.Heaters[1].Loop.Band, m.p.heaters[1].off = 0.5, -1 }, nil},
		{"heat_astray", 1, func(m *one) { m.l.Heaters[1].Sense, m.p.heaters[1].off = false, 20.1 },
			[]func(*one){func(m *one) { m.p.heaters[1].off = 20 }, func(m *one) { m.l.Heaters[1].Sense = true }, func(m *one) { m.l.Heaters[1].Loop.Band = 0 }}},
		{"heat_astray", 1, func(m *one) { m.l.Heaters[1].Sense, m.l.Heaters[1].Loop.Band, m.p.heaters[1].off = false, 0.5, 1 }, nil},
		{"air_weak", 1, func(m *one) { m.p.heaters[1].off = 20.1 }, []func(*one){func(m *one) { m.p.heaters[1].off = 20 }, func(m *one) { m.l.Heaters[1].Sense = false },
			func(m *one) { m.l.Heaters[1].Blower = -1 }, func(m *one) { m.l.Heaters[1].Loop.Band = 0 }}},
		{"air_weak", 1, func(m *one) { m.l.Heaters[1].Blower, m.l.Heaters[1].Loop.Band, m.p.heaters[1].off = 0, 0.5, 1 }, nil},
		{"idle_heat", 1, warmedBy(8), []func(*one){func(m *one) { m.p.heaters[1].idle = 2*time.Minute - 1 }, func(m *one) { warmedBy(7.9)(m) }, func(m *one) { m.l.Heaters[1].Loop.Gain = 0 }}},
		{"idle_heat", 1, func(m *one) { warmedBy(8)(m); m.l.Heaters[1].Loop.Gain = 0.5 }, nil},
		{"run_on_air", 1, func(m *one) { m.f.Armed, m.f.AirFlows[1] = false, false }, []func(*one){func(m *one) { m.f.Armed = true }, func(m *one) { m.f.Testing = true },
			func(m *one) { m.f.BlowerOn[1] = false }, func(m *one) { m.l.Blowers[1].Proof = false }, func(m *one) { m.f.AirFlows[1] = true }}},
		{"relay_flutters", 1, func(m *one) { m.p.mute[1] = 0b100100100100100100 }, []func(*one){func(m *one) { m.p.mute[1] = 0b100100100100100 }}},
		{"supply", 0, func(m *one) { m.f.Supply = 0.84 }, []func(*one){func(m *one) { m.l.Supply = false }, func(m *one) { m.f.Supply = 0.85 }}},
		{"supply", 0, func(m *one) { m.f.Supply = 1.11 }, []func(*one){func(m *one) { m.f.Supply = 1.1 }}},
		{"contact_untried", 5, func(m *one) { m.p.interlocks[5].runs = 50 }, []func(*one){func(m *one) { m.p.interlocks[5].runs = 49 }}},
		{"joint_missing", 1, func(m *one) { m.l.Sensors[0].Role, m.f.Readings[1] = RoleJoint, unit.Unusable(0, unit.Open) }, []func(*one){none, without,
			func(m *one) { m.l.Sensors[0].Role = RoleNozzle }, func(m *one) { m.f.Readings[1] = unit.Measured(0, 100) }}},
		{"sensor_out", 1, func(m *one) { m.l.Sensors[1].Guard, m.f.Readings[1] = false, unit.Unusable(0, unit.Open) },
			[]func(*one){func(m *one) { m.l.Sensors[1].Guard = true }, func(m *one) { m.f.Readings[1] = unit.Measured(0, 100) }}},
		{"start_bypass", 0, found(FoundBypass), []func(*one){ended, other}},
		{"start_no_contact", 0, found(FoundNoContact), []func(*one){ended, other}},
		{"start_one_shot", 0, found(FoundOneShot), []func(*one){ended, other}},
		{"start_relay_stuck", 1, found(FoundStuck), []func(*one){ended, other, first}},
		{"start_relay_dead", 1, found(FoundDead), []func(*one){ended, other, first}},
		{"start_crossed", 1, found(FoundCrossed), []func(*one){ended, other, first}},
		{"memory", 0, func(m *one) { m.p.corrupt, m.f.Armed = true, false }, nil},
		{"memory", 0, func(m *one) { m.p.loosened = true }, []func(*one){func(m *one) { m.f.Armed = false }}},
		{"clock", 0, func(m *one) { m.p.backward = true }, nil},
		{"bad_drive", 0, func(m *one) { m.f.BadDrive = true }, nil},
		{"late", 0, func(m *one) { m.f.Late = 300*time.Millisecond + 1 }, []func(*one){func(m *one) { m.f.Late = 300 * time.Millisecond }}}, // hazard C-05
		{"silent", 0, func(m *one) { m.f.Silent = true }, nil},
		{"run_too_long", 0, func(m *one) { m.f.HeatFor = time.Hour }, []func(*one){func(m *one) { m.f.HeatFor-- }}},
	}
	tried := map[string]bool{"owed": true} // which nothing but Restore makes true
	for n, c := range cases {
		r := rowOf(c.code)
		tried[c.code] = true
		m := soundOne()
		c.is(m)
		for i := range subjects(&m.l, rows[r].Of) {
			if got := m.asks(r, i); got != (i == c.at) {
				t.Errorf("case %d, %s of subject %d: %v", n, c.code, i, got)
			}
		}
		for k, not := range c.not {
			m := soundOne()
			c.is(m)
			if not(m); m.asks(r, c.at) {
				t.Errorf("case %d, %s of subject %d: still true after change %d", n, c.code, c.at, k)
			}
		}
	}
	m := soundOne()
	for r := range rows {
		for i := range subjects(&m.l, rows[r].Of) {
			if m.asks(r, i) {
				t.Errorf("%s of subject %d on a sound machine", rows[r].Code, i)
			}
		}
		if !tried[rows[r].Code] {
			t.Errorf("%s is not tried here", rows[r].Code)
		}
	}
}

type conditionCase struct {
	code string
	at   int // the subject it is about
	is   func(m *one)
	not  []func(m *one)
}

// contactOf has changed six times, first at the given time.
func contactOf(first time.Duration) (c contact) {
	for k := range c.changes {
		c.changes[k] = first + time.Duration(k)*time.Second
	}
	c.n = len(c.changes)
	return c
}

// warmedBy leaves heater 1 long at rest, and its reading up by k in 20 s.
func warmedBy(k float64) func(*one) {
	return func(m *one) {
		b := &m.p.heaters[1]
		*b = balance{idle: 2 * time.Minute} // hazard P-02: stored heat has spread by then
		for n := range 11 {
			b.note(idleEvery, 100+k/10*float64(n), true)
		}
	}
}

// TestExtractionMayBeMissingForAsLongAsTheMachineSays, and no longer.
func TestExtractionMayBeMissingForAsLongAsTheMachineSays(t *testing.T) {
	for _, hold := range []time.Duration{0, 3 * time.Second, 30 * time.Second} {
		b := newBenchOf(t, func(l *Limits) { l.ExtractionHold = hold })
		b.f.Closed[2] = false
		b.step()
		if from := b.now; hold > 0 {
			if !b.v.Hold || b.v.Tripped {
				t.Fatalf("in the first tick: %+v", b.v)
			}
			if b.untilOff(All, time.Minute); b.now-from != hold {
				t.Errorf("heat went after %v; want %v", b.now-from, hold)
			}
		}
		if b.firstOut() != "extraction" {
			t.Errorf("first-out %q", b.firstOut())
		}
	}
}

// What needs time is raised in the tick in which the time is over, not one later and not one earlier.
func TestWhatNeedsTimeTakesThatTime(t *testing.T) {
	for code, after := range map[string]time.Duration{"contactor_welded": 800 * time.Millisecond, "air_lost": time.Second, "joint_doubt": 1500 * time.Millisecond,
		"joint_astray": 4 * time.Second, "sensor_out": 2 * time.Second} {
		b := around(t)
		from := b.now + tick
		raised := func() bool {
			for i := range b.g.mem[rowOf(code)] {
				if b.g.mem[rowOf(code)][i].raised {
					return true
				}
			}
			return false
		}
		switch code {
		case "contactor_welded":
			b.f.Armed, b.f.Enabled = false, false
		case "air_lost":
			b.f.AirFlows[0] = false
		case "sensor_out":
			b.bad(3)
		default:
			b.set(0, 190)
		}
		for !raised() && b.now < from+time.Minute {
			b.step()
		}
		if b.now-from != after {
			t.Errorf("%s after %v; want %v", code, b.now-from, after)
		}
	}
}
