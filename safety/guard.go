package safety

import (
	"fmt"
	"time"

	"trivet/process/unit"
)

const maxSubjects = 16 // the largest of MaxSensors, MaxHeaters, MaxBlowers, MaxInterlocks

// State of one alarm, by the words of IEC 62682. The words are stored and sent.
type State string

// The states an alarm can be in.
const (
	Normal                State = "normal"
	Unacknowledged        State = "unacknowledged"
	Acknowledged          State = "acknowledged"
	ReturnedUnacked       State = "return_to_normal_unacknowledged"
	LatchedUnacknowledged State = "latched_unacknowledged"
	LatchedAcknowledged   State = "latched_acknowledged"
)

// memory of one row for one subject.
type memory struct {
	true_   bool
	since   time.Duration          // since when it has been true without a break
	gone    time.Duration          // since when it has been false without a break
	rose    [flutter]time.Duration // when it last became true, a ring
	rises   int
	samples int  // ticks in a row it has been true
	raised  bool // it has been true for long enough, or it latched
	shown   bool // people have been told
	latched bool
	acked   bool
	at      time.Duration // when it was raised
	value   unit.Reading  // the sensor's reading when it was raised, for the operator
	limit   unit.Celsius  // the ceiling then in force, zero if the row has none
}

// Active is one raised alarm as others see it.
type Active struct {
	Row      int // index into Rows
	Subject  int // index into the table named by the row's Of
	State    State
	At       time.Duration
	Value    unit.Reading
	Limit    unit.Celsius
	TripID   uint32 // not zero for a latched trip: name it to reset
	FirstOut bool   // the trip that came first
	True     bool   // the cause is still there
	Because  int    // row of the raised alarm that explains this one; negative for none
	Flutters bool   // it comes and goes: one alarm is shown for all of it
}

// Verdict is what the guard allows in this tick.
type Verdict struct {
	Allow   Mask             // heaters that may be on; the output gate removes all others
	Hold    bool             // no heater may get more than it had
	Tripped bool             // a trip is latched: heat-enable and heartbeat are withheld
	Ready   bool             // every permissive holds: a run may start
	Proven  [MaxBlowers]bool // air proven for long enough to heat it
}

// Guard judges tick by tick and remembers what latched. It is used by one goroutine.
type Guard struct {
	limits   Limits
	checks   twice             // the limits once more, inverted
	explains [len(rows)]uint64 // for each row the set of rows that explain it
	past     past
	latches  [len(rows)]Mask // what has latched, and the same inverted
	inverse  [len(rows)]Mask
	mem      [len(rows)][maxSubjects]memory
	airSince [MaxBlowers]time.Duration // since when air has been proven without a break
	airOn    [MaxBlowers]bool
	tripID   uint32 // counts up; the present trip's number while one is latched
	firstRow int
	firstSub int
	now      time.Duration
	facts    Facts
}

// NewGuard returns a guard with nothing latched. Limits that could not protect are refused.
func NewGuard(l Limits) (*Guard, error) {
	for i := range l.NSensors {
		s := l.Sensors[i]
		if !(s.Ceiling > 0 && s.Ceiling <= 1000) {
			return nil, fmt.Errorf("sensor %q: ceiling is %g °C; it must be above 0 and at most 1000", s.Name, float64(s.Ceiling))
		}
		if s.Guard && !(s.LostAfter > 0 && s.LostAfter <= 2*time.Second) {
			return nil, fmt.Errorf("sensor %q: a guard sensor must count as lost after at most 2 s, not %v", s.Name, s.LostAfter)
		}
	}
	if !(l.MaxRun > 0) {
		return nil, fmt.Errorf("the longest run time is %v; it must be above zero", l.MaxRun)
	}
	if !(l.ExtractionHold >= 0 && l.ExtractionHold <= 30*time.Second) {
		return nil, fmt.Errorf("heat may be held without extraction for at most 30 s, not %v", l.ExtractionHold)
	}
	for i := range l.NHeaters {
		o := &l.Heaters[i].Loop
		if !(o.Gain >= 0 && o.Inertia >= 0 && o.Band >= 0 && o.Sensor >= 0 && o.Sensor < MaxSensors) {
			return nil, fmt.Errorf("heater %q: gain, inertia and band of its loop must be 0 or above and its sensor be one of %d", l.Heaters[i].Name, MaxSensors)
		}
	}
	g := &Guard{limits: l, firstRow: -1}
	g.checks.keep(&g.limits)
	for r := range rows {
		g.inverse[r] = ^g.latches[r]
		for _, code := range rows[r].Explains {
			for k := range rows {
				if rows[k].Code == code {
					g.explains[k] |= 1 << r
				}
			}
		}
	}
	return g, nil
}

// AirProof is how long air must have been proven before a heater of that head may be on (invariant I-10).
const AirProof = time.Second

// Step judges one tick. It allocates nothing.
func (g *Guard) Step(now time.Duration, f *Facts) Verdict {
	g.now, g.facts = now, *f
	l := &g.limits
	v := Verdict{Allow: All}
	g.past.step(now, l, f)
	g.past.corrupt = !g.checks.agrees(l) || g.latchFlipped()
	for r := range rows {
		for i := range g.subjects(rows[r].Of) {
			g.judge(now, f, r, i, &v)
		}
	}
	for b := range l.NBlowers {
		flows := f.BlowerOn[b] && (f.AirFlows[b] || !l.Blowers[b].Proof)
		if flows && !g.airOn[b] {
			g.airSince[b] = now
		}
		g.airOn[b] = flows
	}
	for b := range l.NBlowers {
		v.Proven[b] = g.proven(b)
	}
	for h := range l.NHeaters {
		if b := l.Heaters[h].Blower; b >= 0 && !g.proven(b) && !f.Testing {
			v.Allow &^= 1 << h
		}
	}
	switch {
	case f.Testing: // one relay for one tick, before any air
		v.Allow &= f.Test.Relays
	case !f.Armed:
		v.Allow = 0 // heat exists only inside a run
	}
	for r := range rows {
		v.Tripped = v.Tripped || g.latches[r] != 0
	}
	v.Tripped = v.Tripped || g.past.corrupt
	if v.Tripped {
		v.Allow = 0
	}
	v.Ready = Ready(&g.limits, &g.facts)
	return v
}

// judge evaluates row r for subject i and lets it act.
func (g *Guard) judge(now time.Duration, f *Facts, r, i int, v *Verdict) {
	row, m := &rows[r], &g.mem[r][i]
	if row.Asked != nil && !row.Asked(&g.limits, f, &g.past, i) {
		if m.raised && m.latched {
			g.act(row, i, v)
			if m.true_ { // once latched there is nothing left to count, and what can never be asked again would never be gone
				m.true_, m.gone = false, now
			}
		}
		return
	}
	// A latched row is asked at rest, too: a door that is still open has not gone (invariant I-19).
	is := (!row.Armed || f.Armed || f.Testing || m.latched) && row.True(&g.limits, f, &g.past, i)
	switch {
	case is && !m.true_:
		m.since, m.samples = now, 1
		m.rose[m.rises%flutter] = now
		m.rises++
	case is:
		m.samples++
	case m.true_:
		m.gone = now
	}
	m.true_ = is
	if is && m.samples >= row.Samples && now-m.since >= g.delay(row, i) && !m.raised {
		m.raised, m.at, m.acked, m.shown = true, now, false, false
		if row.Of == EachSensor {
			m.value, m.limit = f.Readings[i], ceiling(&g.limits, f, i)
		}
		if row.Latch {
			g.latch(r, i)
		}
	}
	m.shown = m.shown || m.raised && (m.latched || is && now-m.since >= row.Show)
	if !is && m.raised && !m.latched && (!m.shown || now-m.gone >= m.linger(row, now)) {
		m.raised = false
	}
	// A latched trip acts whether its cause is gone or not; anything else acts only while it is true.
	if m.raised && (is || m.latched) {
		g.act(row, i, v)
	}
}

func (g *Guard) act(row *Alarm, i int, v *Verdict) {
	switch row.Action {
	case CutHeat:
		v.Allow = 0
	case ZoneOff:
		if row.Of == EachSensor {
			v.Allow &^= g.limits.Sensors[i].Heaters
		} else {
			v.Allow = 0
		}
	case HoldHeat:
		v.Hold = true
	}
}

// delay is how long a row must be true for a subject.
func (g *Guard) delay(row *Alarm, i int) time.Duration {
	if row.Delay != nil {
		return row.Delay(&g.limits, i)
	}
	return row.After
}

// How an alarm that has not latched goes away (IEC 62682 asks for an off-delay and for one alarm instead of a hail of them).
const (
	flutter     = 5 // times in flutterSpan make one fluttering alarm (invariant I-24)
	flutterSpan = 10 * time.Second
	flutterRest = time.Minute      // quiet for so long, it is over
	unseen      = 30 * time.Second // it came, went, and nobody looked: it is in the record
)

// flutters reports whether the row has come at least five times in ten seconds, and not been quiet for a minute since.
func (m *memory) flutters(now time.Duration) bool {
	if m.rises < flutter {
		return false
	}
	newest, oldest := m.rose[(m.rises-1)%flutter], m.rose[m.rises%flutter]
	return newest-oldest <= flutterSpan && now-newest < flutterRest
}

// linger is how long the alarm stays after its cause has gone.
func (m *memory) linger(row *Alarm, now time.Duration) time.Duration {
	switch {
	case m.flutters(now):
		return flutterRest
	case m.acked:
		return 0 // somebody has seen it
	case row.Action >= CutHeat:
		return 1<<63 - 1 // until somebody has seen it
	}
	return unseen
}

// latchFlipped reports whether a latch and its complement have come apart (hazard C-13).
func (g *Guard) latchFlipped() bool {
	for r := range rows {
		if g.latches[r] != ^g.inverse[r] {
			return true
		}
	}
	return false
}

func (g *Guard) latch(r, i int) {
	if g.firstRow < 0 {
		g.firstRow, g.firstSub = r, i
		g.tripID++
	}
	g.mem[r][i].latched = true
	g.latches[r] = g.latches[r].With(i)
	g.inverse[r] = ^g.latches[r]
}

func (g *Guard) subjects(s Subject) int { return subjects(&g.limits, s) }

// subjects is how many there are of a kind.
func subjects(l *Limits, s Subject) int {
	switch s {
	case EachSensor:
		return l.NSensors
	case EachHeater:
		return l.NHeaters
	case EachBlower:
		return l.NBlowers
	case EachInterlock:
		return l.NInterlock
	}
	return 1
}

func (g *Guard) proven(b int) bool {
	return b >= 0 && b < g.limits.NBlowers && g.airOn[b] && g.now-g.airSince[b] >= AirProof
}

// FirstOut returns the trip that latched first since the last reset: its row, subject and number.
func (g *Guard) FirstOut() (row, subject int, id uint32, tripped bool) {
	if g.firstRow < 0 {
		return 0, 0, 0, false
	}
	return g.firstRow, g.firstSub, g.tripID, true
}

// CauseGone is how long every cause must have been gone before a reset is accepted (invariant I-19).
const CauseGone = time.Second

// Reset clears trip id if every latched cause has been gone for CauseGone. It never energises anything: the
// station is idle afterwards and waits for a new start. A refused reset leaves no memory.
func (g *Guard) Reset(id uint32) error {
	if g.firstRow < 0 {
		return fmt.Errorf("there is no trip to reset")
	}
	if id != g.tripID {
		return fmt.Errorf("trip %d is not the present one; the present trip is %d", id, g.tripID)
	}
	for r := range rows {
		for i := range g.subjects(rows[r].Of) {
			m := &g.mem[r][i]
			if m.latched && (g.there(r, i) || g.now-m.gone < CauseGone) {
				return fmt.Errorf("the cause is still there: %s. %s", g.Title(r, i), rows[r].Do)
			}
		}
	}
	for r := range rows {
		for i := range g.subjects(rows[r].Of) {
			if g.mem[r][i].latched {
				g.mem[r][i] = memory{}
			}
		}
		g.latches[r], g.inverse[r] = 0, ^Mask(0)
	}
	g.firstRow = -1
	return nil
}

// there reports whether the cause of row r is still there. Armed rows are never true at rest, so the raw condition is asked: a door
// still open is a cause still there. A tick that can tell nothing about a row cannot say that its cause is there: a relay without drive
// draws no current however sound it is.
func (g *Guard) there(r, i int) bool {
	row := &rows[r]
	if row.Asked != nil && !row.Asked(&g.limits, &g.facts, &g.past, i) {
		return g.mem[r][i].true_
	}
	return g.mem[r][i].true_ || row.True(&g.limits, &g.facts, &g.past, i)
}

// Acknowledge records that a person has seen the alarm. It clears nothing that is true or latched.
func (g *Guard) Acknowledge(code string, subject int) error {
	for r := range rows {
		if rows[r].Code == code && subject >= 0 && subject < g.subjects(rows[r].Of) && g.mem[r][subject].raised {
			g.mem[r][subject].acked = true
			return nil
		}
	}
	return fmt.Errorf("alarm %q is not active", code)
}
