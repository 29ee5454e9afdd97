package station

import (
	"time"

	"trivet/process/unit"
	"trivet/safety"
)

// Keeper is the safety side of the station: it owns the guard, the heat-enable line and the heartbeat. The control
// loop hands it facts and gets a verdict; it can ask for heat, but only the keeper enables it.
//
// The heartbeat is earned: one edge per completed, on-time, safe tick, from the single place below. A hung, late or
// lying control loop gives no edge, and the one-shot behind the line drops the series contactor by itself.
type Keeper struct {
	guard   *safety.Guard
	lines   Lines
	level   bool // present level of the heartbeat line
	enabled bool
	lastSeq uint64
	ticking bool
	judged  bool // the guard was asked since the last Done
	verdict safety.Verdict
	facts   safety.Facts
	silent  bool
}

// NewKeeper takes the two lines and drives both inactive before anything else.
func NewKeeper(g *safety.Guard, lines Lines) (*Keeper, error) {
	k := &Keeper{guard: g, lines: lines}
	if err := lines.Enable.Set(false); err != nil {
		return nil, err
	}
	return k, lines.Heartbeat.Set(false)
}

// Judge gives the guard the facts of this tick. A trip drops heat-enable here, before the tick goes on.
func (k *Keeper) Judge(now time.Duration, f *safety.Facts) safety.Verdict {
	f.Enabled = k.enabled
	f.Silent = k.silent
	k.silent = false
	k.judged = true
	k.facts = *f
	k.verdict = k.guard.Step(now, f)
	if k.verdict.Tripped {
		k.drop()
	}
	return k.verdict
}

// Done is the end of a tick: what was really commanded. It is the only place from which a heartbeat edge comes.
func (k *Keeper) Done(seq uint64, armed bool, on safety.Mask) (enabled bool) {
	inOrder := k.judged && (!k.ticking || seq == k.lastSeq+1)
	k.lastSeq, k.ticking, k.judged = seq, true, false
	test := k.facts.Testing && k.facts.Test.Enable
	// In the tick that begins to heat the guard has not been asked about heat yet: only a machine that is ready may have the contactor.
	armed = armed && (k.facts.Armed || k.verdict.Ready)
	// A silence since the guard was asked belongs to this tick: it took so long that heat-enable was dropped meanwhile. The next tick trips.
	earned := (armed || test) && inOrder && !k.silent && !k.verdict.Tripped && on&^k.verdict.Allow == 0 && k.facts.Late <= safety.MaxLate
	if !earned {
		k.drop()
		return false
	}
	if !k.enabled {
		k.enabled = k.lines.Enable.Set(true) == nil
	}
	// The start-up sequence withholds the heartbeat once, to see the one-shot drop the contactor.
	if k.enabled && (armed || k.facts.Test.Beat) {
		k.level = !k.level
		if k.lines.Heartbeat.Set(k.level) != nil {
			k.drop()
		}
	}
	return k.enabled
}

// Silence is called when no tick has come for too long. It takes the heat away at once; the next tick that does come
// finds the trip latched.
func (k *Keeper) Silence() {
	if k.ticking && (k.enabled || k.facts.Armed) {
		k.silent = true
	}
	k.drop()
	for _, r := range k.lines.Relays {
		_ = r.Set(false) // heat-enable is gone already; a line that fails here is dropped by the contactor
	}
}

// Restore latches the trips that an earlier process left owing an inspection. It is called before anything runs.
func (k *Keeper) Restore(list []safety.Owed) { k.guard.Restore(list) }

// Reset and Acknowledge pass a person's word to the guard.
func (k *Keeper) Reset(id uint32) error { return k.guard.Reset(id) }

// Acknowledge records that somebody has seen an alarm.
func (k *Keeper) Acknowledge(code string, subject int) error {
	return k.guard.Acknowledge(code, subject)
}

// Alarms copies the raised alarms in first-out order.
func (k *Keeper) Alarms(dst []safety.Active) int { return k.guard.Alarms(dst) }

// FirstOut names the trip that came first.
func (k *Keeper) FirstOut() (row, subject int, id uint32, tripped bool) { return k.guard.FirstOut() }

// drop takes heat-enable away. The error of the line is not looked at: there is nothing left to do about it but to
// stop the heartbeat, which the caller does by not giving one.
func (k *Keeper) drop() {
	_ = k.lines.Enable.Set(false)
	k.enabled = false
}

// Guarding is the keeper as the control loop sees it: called directly on virtual time, across goroutines on real time.
type Guarding interface {
	Judge(now time.Duration, f *safety.Facts) safety.Verdict
	Done(seq uint64, armed bool, on safety.Mask) (enabled bool)
	Reset(id uint32) error
	Acknowledge(code string, subject int) error
	Alarms(dst []safety.Active) int
	FirstOut() (row, subject int, id uint32, tripped bool)
}

// Balance is the guard's figure of that name. It is for benches on virtual time: no other goroutine may be running.
func (k *Keeper) Balance(h int) unit.Kelvin { return k.guard.Balance(h) }
