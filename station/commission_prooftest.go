package station

import (
	"fmt"
	"strings"
	"time"

	"trivet/safety"
)

// proofTests is what the monthly proof test consists of: each by a person qualified for it, according to local electrical code (hazard study,
// section 5, item 11). Of names the kind of interlock without which a test does not apply.
var proofTests = [...]struct {
	ProofTest
	of safety.InterlockKind
}{
	{ProofTest{"limiter", "Each over-temperature limiter trips by its test button, drops the contactor, and stays out until it is reset by hand."}, safety.Limiter},
	{ProofTest{"emergency_stop", "The emergency stop drops the contactor, and releasing it starts nothing."}, safety.EmergencyStop},
	{ProofTest{"door", "Opening each guard drops the contactor."}, safety.Door},
	{ProofTest{"heartbeat", "Pulling the computer's plug drops the contactor within a second."}, ""},
	{ProofTest{"earth", "The protective earth of every touchable metal part has been measured."}, ""},
	{ProofTest{"rcd", "The residual-current device trips by its test button."}, ""},
}

// ProofTests is the checklist of the monthly proof test, as far as it applies to a machine.
func ProofTests(u *Setup) (list []ProofTest) {
	for _, p := range proofTests {
		applies := p.of == ""
		for i := range u.Limits.NInterlock {
			applies = applies || u.Limits.Interlocks[i].Kind == p.of
		}
		if applies {
			list = append(list, p.ProofTest)
		}
	}
	return list
}

// ProofTest is one line of the checklist.
type ProofTest struct {
	Code, Text string
}

// RecordProofTest writes down that somebody has done the proof test. done holds the codes of what was tested. It returns when it is on the disk.
func (c *Commissions) RecordProofTest(by string, done []string) error {
	for _, d := range done {
		known := false
		for _, p := range ProofTests(c.o.Setup) {
			known = known || p.Code == d
		}
		if !known {
			return &Refusal{Code: "not_complete", What: fmt.Sprintf("There is no proof test %q.", d)}
		}
	}
	var missing []string
	for _, p := range ProofTests(c.o.Setup) {
		found := false
		for _, d := range done {
			found = found || d == p.Code
		}
		if !found {
			missing = append(missing, strings.ReplaceAll(p.Code, "_", " "))
		}
	}
	if len(missing) > 0 {
		return &Refusal{Code: "not_complete", What: "Not recorded: " + strings.Join(missing, ", ") + " is missing from the list.", Do: "Test it too; the test counts as a whole."}
	}
	c.work.Lock()
	defer c.work.Unlock()
	c.mu.Lock()
	k := c.kept
	c.mu.Unlock()
	k.ProofTestedUTC, k.ProofTestedBy, k.ProofTested = c.o.Now().UTC(), by, append([]string(nil), done...)
	if err := c.save(k); err != nil {
		return fmt.Errorf("the proof test cannot be kept: %w", err)
	}
	return nil
}

// testDue says why the proof test is due; empty when it is not. The caller holds mu.
func (c *Commissions) testDue(now time.Time) string {
	switch t := c.kept.ProofTestedUTC; {
	case !c.o.Setup.Limits.Commission: // a simulated machine has no layers of hardware to test
	case t.IsZero():
		return "The proof test of the protective layers has never been recorded: it is due every month and after each change."
	case now.Sub(t) > ProofTestEvery:
		return fmt.Sprintf("The proof test of the protective layers was last done on %s: it is due every month and after each change.", t.Format(time.DateOnly))
	}
	return ""
}

// Reminder is something that forbids nothing and should be done.
type Reminder struct {
	Code string // stable: "proof_test_due", "commissioning_old", "commissioning_unsaved"
	Text string
	Do   string
}

// Reminders lists what should be done and forbids nothing.
func (c *Commissions) Reminders() (list []Reminder) {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := c.o.Now()
	if t := c.testDue(now); t != "" {
		list = append(list, Reminder{"proof_test_due", t, "Have it done by a person qualified for it, according to local electrical code, and record it."})
	}
	if k := &c.kept; c.standing() == safety.CommissionedSound && !k.AtUTC.IsZero() && now.Sub(k.AtUTC) > CommissionAge {
		list = append(list, Reminder{"commissioning_old", fmt.Sprintf("The machine was commissioned on %s, more than a year ago.", k.AtUTC.Format(time.DateOnly)), "Do it again when convenient."})
	}
	if c.failed != nil {
		list = append(list, Reminder{"commissioning_unsaved", "The newest result of commissioning could not be saved.", "Make room on the disk or mend it, then commission again, or it is owed after a restart."})
	}
	return list
}
