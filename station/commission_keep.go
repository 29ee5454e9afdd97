package station

import (
	"context"
	"fmt"
	"sync"
	"time"

	"trivet/control/steptest"
	"trivet/safety"
)

// CommissionStore keeps what commissioning has found out. Load returns nil when there has been none; both may wait for a disk.
type CommissionStore interface {
	Load() (*Commissioned, error)
	Save(*Commissioned) error
}

// CommissionOptions is what Commissions are made of.
type CommissionOptions struct {
	Setup   *Setup
	Machine string // name in the machine file
	Digest  string // SHA-256 of the machine file: when it changes, commissioning is owed again
	Store   CommissionStore
	Report  func(error)                // told of each failure to load or save; may be nil
	Tell    func(*Commissioned)        // told of each new result, after it was saved; may be nil
	State   func(safety.Commissioning) // told how commissioning stands, at first and when it changes: Station.SetCommissioned; may be nil
	Now     func() time.Time           // for the dates; nil is time.Now
}

// Commissions keeps the result of commissioning and says what is owed. It works outside the tick: Note hands over, Run concludes and saves.
type Commissions struct {
	o     CommissionOptions
	next  chan noted
	last  *Measured // what Note has handed over, of the tick's goroutine
	tests uint32

	work   sync.Mutex // held from reading the result to saving the next, so that none is lost
	mu     sync.Mutex // shared with readers, never with the tick, and never held for long
	kept   Commissioned
	lost   error // why nothing could be loaded
	busy   bool
	newer  bool  // a run of this life of the process has measured what guard and law do not know yet
	failed error // the last save failed
}

// noted is what the tick hands over.
type noted struct {
	measured *Measured
	inputs   InputsNow
	tested   bool // inputs hold something new
}

// NewCommissions loads what there is. A result that cannot be read counts as none, and the reason is said.
func NewCommissions(o CommissionOptions) *Commissions {
	if o.Now == nil {
		o.Now = time.Now
	}
	c := &Commissions{o: o, next: make(chan noted, 16)}
	kept, err := o.Store.Load()
	switch {
	case err != nil:
		c.lost = err
		c.report(err)
	case kept != nil:
		c.kept = *kept
	}
	c.tell()
	return c
}

// Note looks at a tick. It is called from the tick and never waits. What does not fit into the queue is lost with the next result, which
// cannot happen: a result needs minutes and a person.
func (c *Commissions) Note(s *Snapshot) {
	n := &s.Commission
	fresh := n.Measured != nil && n.Measured != c.last
	tests := n.Inputs.Tests != c.tests
	if !fresh && !tests {
		return
	}
	out := noted{inputs: n.Inputs, tested: tests}
	if fresh {
		out.measured = n.Measured
	}
	select {
	case c.next <- out:
		c.tests = n.Inputs.Tests
		if fresh {
			c.last = n.Measured
		}
	default: // tried again in the next tick
	}
}

// Run concludes and saves what Note has handed over until ctx ends.
func (c *Commissions) Run(ctx context.Context) {
	for {
		select {
		case n := <-c.next:
			c.take(n)
		case <-ctx.Done():
			c.Settle()
			return
		}
	}
}

// Settle works off what Note has handed over so far. On virtual time it is called in place of Run.
func (c *Commissions) Settle() {
	for {
		select {
		case n := <-c.next:
			c.take(n)
		default:
			return
		}
	}
}

// take works off one thing.
func (c *Commissions) take(n noted) {
	if whole := n.measured != nil && n.measured.Whole; !n.tested && !whole {
		return // interrupted: what was kept stays as it is
	}
	c.work.Lock()
	defer c.work.Unlock()
	c.mu.Lock()
	kept := c.fresh()
	c.busy = n.measured != nil
	c.mu.Unlock()
	if n.tested {
		c.putInputs(&kept, &n.inputs)
	}
	if m := n.measured; m != nil && m.Whole {
		found := Conclude(c.o.Setup, m)
		found.Machine, found.Digest, found.AtUTC = c.o.Machine, c.o.Digest, c.o.Now().UTC()
		found.InputsUTC, found.InputsBy, found.Inputs = kept.InputsUTC, kept.InputsBy, kept.Inputs
		found.ProofTestedUTC, found.ProofTestedBy, found.ProofTested = kept.ProofTestedUTC, kept.ProofTestedBy, kept.ProofTested
		kept = found
		c.mu.Lock()
		c.newer = true
		c.mu.Unlock()
	}
	_ = c.save(kept)
}

// fresh is what is kept, or for another machine file what outlives it: dates of proof tests. The caller holds mu.
func (c *Commissions) fresh() Commissioned {
	k := c.kept
	if k.Digest != c.o.Digest {
		k = Commissioned{ProofTestedUTC: k.ProofTestedUTC, ProofTestedBy: k.ProofTestedBy, ProofTested: k.ProofTested}
	}
	k.Machine, k.Digest = c.o.Machine, c.o.Digest
	return k
}

// putInputs writes down what has become of the inputs.
func (c *Commissions) putInputs(k *Commissioned, n *InputsNow) {
	k.Inputs, k.InputsUTC, k.InputsBy = []InputProven{}, c.o.Now().UTC(), n.By
	for i := range c.o.Setup.Limits.NInterlock {
		p := InputProven{Name: c.o.Setup.Limits.Interlocks[i].Name, State: n.Of[i].State}
		if p.State == "" {
			p.State = steptest.Untried
		}
		if n.Of[i].Other >= 0 && (p.State == steptest.Wrong || p.State == steptest.Joined) {
			p.Other, _ = inputOf(n.Of[i].Other, c.o.Setup)
		}
		k.Inputs = append(k.Inputs, p)
	}
}

// save keeps a new result and says how things stand. A result that cannot be saved counts until the program ends.
func (c *Commissions) save(k Commissioned) error {
	err := c.o.Store.Save(&k)
	c.mu.Lock()
	c.kept, c.busy, c.failed = k, false, err
	if err == nil {
		c.lost = nil
	}
	c.mu.Unlock()
	if err != nil {
		c.report(err)
	}
	if c.o.Tell != nil {
		c.o.Tell(&k)
	}
	c.tell()
	return err
}

func (c *Commissions) report(err error) {
	if c.o.Report != nil {
		c.o.Report(err)
	}
}

func (c *Commissions) tell() {
	if c.o.State != nil {
		c.o.State(c.Standing())
	}
}

// Standing says how commissioning stands.
func (c *Commissions) Standing() safety.Commissioning {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.standing()
}

func (c *Commissions) standing() safety.Commissioning {
	k := &c.kept
	switch {
	case !c.o.Setup.Limits.Commission:
		return safety.CommissionedSound
	case c.lost != nil:
		return safety.CommissionLost
	case k.AtUTC.IsZero() && k.InputsUTC.IsZero():
		return safety.CommissionNever
	case k.Digest != c.o.Digest:
		return safety.CommissionStale
	case len(k.Findings) > 0 || k.wrongInputs() > 0:
		return safety.CommissionFaulty
	case k.AtUTC.IsZero() || !k.triedInputs(c.o.Setup) || !k.whole(c.o.Setup):
		return safety.CommissionPartly
	case c.newer:
		return safety.CommissionUnused
	}
	return safety.CommissionedSound
}

// wrongInputs counts the inputs that did not do what they should.
func (c *Commissioned) wrongInputs() (n int) {
	for _, p := range c.Inputs {
		if p.State == steptest.Wrong || p.State == steptest.Joined {
			n++
		}
	}
	return n
}

// triedInputs reports whether every interlock was proven, or skipped by a person.
func (c *Commissioned) triedInputs(u *Setup) bool {
	done := 0
	for _, p := range c.Inputs {
		if p.State == steptest.Proven || p.State == steptest.Skipped {
			done++
		}
	}
	return done == u.Limits.NInterlock
}

// whole reports whether every loop was measured.
func (c *Commissioned) whole(u *Setup) bool {
	_, ok := c.Zones(u)
	return ok
}

// CommissionStatus is how commissioning stands, for people and programs.
type CommissionStatus struct {
	Standing safety.Commissioning
	Needed   bool         // this machine must be commissioned before a run
	Text     string       // one sentence: what is owed, or that nothing is
	Do       string       // what to do next; empty when there is nothing
	Busy     bool         // a result is being worked out
	Unsaved  string       // why the newest result could not be saved; empty when it was
	Result   Commissioned // of this machine file or of an older one: compare Digest with Now
	Now      string       // digest of the machine file in force
	Old      bool         // older than CommissionAge
	// TestDue says that the monthly proof test is due, and TestText why, in a sentence.
	TestDue  bool
	TestText string
}

// Status says how things stand.
func (c *Commissions) Status() CommissionStatus {
	c.mu.Lock()
	defer c.mu.Unlock()
	s := CommissionStatus{Standing: c.standing(), Needed: c.o.Setup.Limits.Commission, Busy: c.busy, Result: c.kept, Now: c.o.Digest}
	if c.failed != nil {
		s.Unsaved = c.failed.Error()
	}
	now := c.o.Now()
	s.Old = !c.kept.AtUTC.IsZero() && now.Sub(c.kept.AtUTC) > CommissionAge
	s.Text, s.Do = c.words(&s)
	s.TestText = c.testDue(now)
	s.TestDue = s.TestText != ""
	return s
}

// words says what is owed and what to do next. The caller holds mu.
func (c *Commissions) words(s *CommissionStatus) (text, do string) {
	k := &c.kept
	switch owed := s.Standing.Owed(); {
	case !c.o.Setup.Limits.Commission:
		return "This machine is simulated and needs no commissioning; it can be done all the same.", ""
	case s.Standing == safety.CommissionedSound && s.Old:
		return fmt.Sprintf("The machine was commissioned on %s, more than a year ago.", k.AtUTC.Format(time.DateOnly)), "Do it again when convenient."
	case s.Standing == safety.CommissionedSound:
		return fmt.Sprintf("The machine was commissioned on %s.", k.AtUTC.Format(time.DateOnly)), ""
	case s.Standing == safety.CommissionUnused:
		return "The machine is commissioned. Guard and control work with what was measured from the next start of the program on.", "Restart the program."
	case s.Standing == safety.CommissionFaulty && len(k.Findings) > 0:
		return "No runs: " + k.Findings[0].Text, k.Findings[0].Do + " Then commission again."
	case s.Standing == safety.CommissionFaulty:
		return "No runs: an input is exchanged or moves with another.", "With the mains off at the isolator, put its wires right, then test the inputs again."
	case !k.triedInputs(c.o.Setup) || k.Digest != c.o.Digest:
		return "No runs: " + owed + ".", "Test the inputs, then begin the commissioning run with an empty deck or a scrap board."
	default:
		return "No runs: " + owed + ".", "Begin the commissioning run with an empty deck or a scrap board."
	}
}
