package station

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"trivet/control/steptest"
	"trivet/safety"
)

// commissionable is a test station whose machine must be commissioned. Its guard was made before and does not ask; the station does.
func commissionable(t *testing.T) *testStation {
	s := newTestStation(t)
	s.setup.Limits.Commission = true
	s.setup.Heaters[0].Kind = "hot_air_top"
	s.commission = newCommissioning(&s.setup)
	s.run(time.Second)
	return s
}

func TestAMachineThatIsNotCommissionedRunsNothingButCommissioning(t *testing.T) {
	for state, want := range map[safety.Commissioning]string{
		safety.CommissionNever: "has not been commissioned", safety.CommissionStale: "machine file has changed", safety.CommissionPartly: "not finished",
		safety.CommissionFaulty: "not mended", safety.CommissionLost: "cannot be read",
	} {
		s := commissionable(t)
		s.SetCommissioned(state)
		s.step()
		err := s.say(Command{Event: Start, Order: s.order()})
		if err == nil || !strings.Contains(err.Error(), want) || s.last.State != Idle {
			t.Errorf("%d: %v, %s", state, err, s.last.State)
		}
		if text, _ := Sentence(&s.last, s.Setup()); !strings.Contains(text, want) {
			t.Errorf("%d: the page says %q", state, text)
		}
		if !s.last.Commission.Startable {
			t.Errorf("%d: commissioning cannot start", state)
		}
		s.must(Command{Event: Start, Order: CommissionOrder("test"), By: "test"})
		s.run(time.Second)
		if s.last.Phase != PhaseCommission || s.last.State != Running {
			t.Errorf("%d: %s in %s", state, s.last.State, s.last.Phase)
		}
	}
	s := commissionable(t)
	s.SetCommissioned(safety.CommissionedSound)
	s.step()
	s.must(Command{Event: Start, Order: s.order()})
}

func TestTheInputsAreTestedAtRestOnly(t *testing.T) {
	s := newTestStation(t)
	s.must(Command{Event: InputTest, Inputs: InputsBegin, By: "somebody"})
	s.run(time.Second)
	if n := s.last.Commission.Inputs; !n.Active || n.Ask != steptest.AskOpen || n.At != 0 || n.By != "somebody" {
		t.Fatalf("%+v", n)
	}
	if text, _ := Sentence(&s.last, s.Setup()); !strings.Contains(text, "press emergency_stop") {
		t.Errorf("it says %q", text)
	}
	for i := range 3 {
		s.f.closed[i] = false
		s.run(2 * time.Second)
		s.f.closed[i] = true
		s.run(2 * time.Second)
	}
	n := s.last.Commission.Inputs
	for i := range 3 {
		if n.Of[i].State != steptest.Proven {
			t.Errorf("input %d: %+v", i, n.Of[i])
		}
	}
	if n.Active || s.heaters() != 0 || s.f.enable.edges != 0 {
		t.Error("it goes on, or something was switched")
	}
	s.must(Command{Event: InputTest, Inputs: InputsAgain, Subject: 1})
	s.heating() // a start ends it
	if s.last.Commission.Inputs.Active {
		t.Error("inputs are tested during a run")
	}
	if err := s.say(Command{Event: InputTest, Inputs: InputsBegin}); err == nil {
		t.Error("a test of the inputs begins during a run")
	}
}

func TestWhatTheTestOfTheInputsCannotDoIsRefused(t *testing.T) {
	s := newTestStation(t)
	for _, c := range []Command{{Inputs: InputsSkip}, {Inputs: InputsAgain}, {Inputs: "dance"}} {
		c.Event = InputTest
		var r *Refusal
		if err := s.say(c); !errors.As(err, &r) {
			t.Errorf("%+v: %v", c, err)
		}
	}
	s.must(Command{Event: InputTest, Inputs: InputsBegin})
	s.must(Command{Event: InputTest, Inputs: InputsSkip})
	s.must(Command{Event: InputTest, Inputs: InputsEnd})
	if n := s.last.Commission.Inputs; n.Active || n.Of[0].State != steptest.Skipped {
		t.Errorf("%+v", n)
	}
}

// drawer is a CommissionStore in memory.
type drawer struct {
	kept       *Commissioned
	load, save error
	saves      int
}

func (s *drawer) Load() (*Commissioned, error) { return s.kept, s.load }
func (s *drawer) Save(c *Commissioned) error {
	if s.save == nil {
		k := *c
		s.kept, s.saves = &k, s.saves+1
	}
	return s.save
}

// sound is a result that owes nothing, of machine file d.
func sound(u *Setup, d string, at time.Time) *Commissioned {
	c := &Commissioned{Digest: d, AtUTC: at, InputsUTC: at, ProofTestedUTC: at}
	for i := range u.Limits.NInterlock {
		c.Inputs = append(c.Inputs, InputProven{Name: u.Limits.Interlocks[i].Name, State: steptest.Proven})
	}
	for _, h := range u.Heaters {
		c.Loops = append(c.Loops, LoopMeasured{Heater: h.Name, Gain: 400, InertiaSPK: 0.2, KpPerK: 0.03, TiS: 26, BandK: 20})
	}
	return c
}

func TestWhatIsOwedFollowsFromWhatIsKept(t *testing.T) {
	u := commissionable(t).Setup()
	now := time.Date(2031, 5, 1, 12, 0, 0, 0, time.UTC)
	for name, x := range map[string]struct {
		change func(c *Commissioned)
		want   safety.Commissioning
		says   string
		old    bool
	}{
		"sound":               {func(*Commissioned) {}, safety.CommissionedSound, "was commissioned on 2031-04-30", false},
		"another machine":     {func(c *Commissioned) { c.Digest = "other" }, safety.CommissionStale, "machine file has changed", false},
		"a finding":           {func(c *Commissioned) { c.Findings = []CommissionFinding{{"deaf", "No answer.", "Look."}} }, safety.CommissionFaulty, "No answer", false},
		"an exchanged input":  {func(c *Commissioned) { c.Inputs[1].State = steptest.Wrong }, safety.CommissionFaulty, "exchanged", false},
		"an untried input":    {func(c *Commissioned) { c.Inputs[2].State = steptest.Untried }, safety.CommissionPartly, "not finished", false},
		"a skipped input":     {func(c *Commissioned) { c.Inputs[2].State = steptest.Skipped }, safety.CommissionedSound, "was commissioned", false},
		"a heater without":    {func(c *Commissioned) { c.Loops = c.Loops[1:] }, safety.CommissionPartly, "not finished", false},
		"never run":           {func(c *Commissioned) { c.AtUTC = time.Time{} }, safety.CommissionPartly, "not finished", false},
		"more than a year":    {func(c *Commissioned) { c.AtUTC = now.Add(-366 * 24 * time.Hour) }, safety.CommissionedSound, "more than a year ago", true},
		"a month-old proof":   {func(c *Commissioned) { c.ProofTestedUTC = now.Add(-32 * 24 * time.Hour) }, safety.CommissionedSound, "was commissioned", false},
		"never a proof test":  {func(c *Commissioned) { c.ProofTestedUTC = time.Time{} }, safety.CommissionedSound, "was commissioned", false},
		"nothing but a proof": {func(c *Commissioned) { *c = Commissioned{Digest: "d", ProofTestedUTC: now} }, safety.CommissionNever, "has not been commissioned", false},
	} {
		kept := sound(u, "d", now.Add(-24*time.Hour))
		x.change(kept)
		var told safety.Commissioning
		c := NewCommissions(CommissionOptions{Setup: u, Digest: "d", Store: &drawer{kept: kept}, Now: func() time.Time { return now }, State: func(s safety.Commissioning) { told = s }})
		s := c.Status()
		if s.Standing != x.want || told != x.want || !strings.Contains(s.Text, x.says) || s.Old != x.old {
			t.Errorf("%s: %+v, told %d; want %d", name, s, told, x.want)
		}
		if due := strings.Contains(name, "proof test") || strings.Contains(name, "month-old"); s.TestDue != due || (s.TestText != "") != due {
			t.Errorf("%s: proof test due: %v, %q", name, s.TestDue, s.TestText)
		}
	}
	lost := NewCommissions(CommissionOptions{Setup: u, Digest: "d", Store: &drawer{load: errors.New("torn")}})
	if lost.Standing() != safety.CommissionLost {
		t.Errorf("a file that cannot be read counts as %d", lost.Standing())
	}
	free := *u
	free.Limits.Commission = false
	if s := NewCommissions(CommissionOptions{Setup: &free, Store: &drawer{}}).Status(); s.Standing != safety.CommissionedSound || s.Needed || s.TestDue {
		t.Errorf("a simulated machine owes %+v", s)
	}
}

func TestAResultIsSavedWholeAndAnInterruptedRunChangesNothing(t *testing.T) {
	s := commissionable(t)
	u := s.Setup()
	disk := &drawer{kept: sound(u, "old", time.Now())}
	var states []safety.Commissioning
	c := NewCommissions(CommissionOptions{Setup: u, Machine: "bench", Digest: "new", Store: disk, State: func(x safety.Commissioning) { states = append(states, x) }})
	s.must(Command{Event: InputTest, Inputs: InputsBegin, By: "ada"})
	for range 3 {
		s.must(Command{Event: InputTest, Inputs: InputsSkip})
		c.Note(&s.last)
	}
	c.Settle()
	if k := disk.kept; k.Digest != "new" || k.InputsBy != "ada" || len(k.Inputs) != 3 || len(k.Loops) != 0 || k.ProofTestedUTC.IsZero() {
		t.Errorf("kept %+v", k)
	}
	snap := s.last
	snap.Commission.Measured = &Measured{Order: CommissionOrder("ada"), Whole: false}
	c.Note(&snap)
	c.Settle()
	if !disk.kept.AtUTC.IsZero() {
		t.Error("an interrupted run counts as a commissioning")
	}
	snap.Commission.Measured = &Measured{Order: CommissionOrder("ada"), Whole: true, Result: steptest.Result{Findings: []steptest.Finding{{Code: steptest.Deaf, Heater: 0, Sensor: 3, Blower: -1, Other: -1}}}}
	c.Note(&snap)
	c.Note(&snap) // the next tick shows the same
	saves := disk.saves
	c.Settle()
	if k := disk.kept; disk.saves != saves+1 || k.By != "ada" || len(k.Findings) != 1 || len(k.Inputs) != 3 {
		t.Errorf("%d saves, kept %+v", disk.saves-saves, k)
	}
	if !slices.Equal(states[:1], []safety.Commissioning{safety.CommissionStale}) || states[len(states)-1] != safety.CommissionFaulty {
		t.Errorf("told %v", states)
	}
	kept := sound(u, "new", time.Now())
	snap.Commission.Measured = &Measured{Order: CommissionOrder("ada"), Whole: true}
	c.Note(&snap)
	c.Settle()
	c.mu.Lock()
	c.kept.Loops, c.kept.Findings = kept.Loops, nil // as a whole machine would have given
	c.mu.Unlock()
	if got := c.Standing(); got != safety.CommissionUnused {
		t.Errorf("what guard and law do not know yet counts as %d", got)
	}
	if again := NewCommissions(CommissionOptions{Setup: u, Digest: "new", Store: &drawer{kept: kept}}); again.Standing() != safety.CommissionedSound {
		t.Error("a new start does not take it into use")
	}
	disk.save = errors.New("full")
	snap.Commission.Measured = &Measured{Order: CommissionOrder("ada"), Whole: true}
	c.Note(&snap)
	c.Settle()
	if st := c.Status(); st.Unsaved != "full" {
		t.Errorf("a disk that fails is kept secret: %+v", st)
	}
	if list := c.Reminders(); len(list) != 1 || list[0].Code != "commissioning_unsaved" {
		t.Errorf("reminders %+v", list)
	}
}

func TestAProofTestCountsAsAWholeAndOnlyWhenItIsKept(t *testing.T) {
	u := commissionable(t).Setup()
	disk := &drawer{}
	c := NewCommissions(CommissionOptions{Setup: u, Digest: "d", Store: disk})
	var all []string
	for _, p := range ProofTests(u) {
		all = append(all, p.Code)
	}
	if slices.Contains(all, "limiter") || !slices.Contains(all, "door") {
		t.Errorf("a machine without a limiter is to test %v", all)
	}
	if err := c.RecordProofTest("ada", all[1:]); err == nil || disk.saves != 0 {
		t.Errorf("a part of it is taken for all: %v", err)
	}
	if err := c.RecordProofTest("ada", append([]string{"dance"}, all...)); err == nil {
		t.Error("a test that does not exist is recorded")
	}
	disk.save = errors.New("full")
	if err := c.RecordProofTest("ada", all); err == nil {
		t.Error("it is said to be kept, and is not")
	}
	disk.save = nil
	if err := c.RecordProofTest("ada", all); err != nil || disk.kept.ProofTestedBy != "ada" || c.Status().TestDue {
		t.Errorf("%v, %+v", err, disk.kept)
	}
	if c.Standing() != safety.CommissionNever {
		t.Error("a proof test commissions nothing")
	}
}

func TestAConfigurationWithoutMarginIsFound(t *testing.T) {
	u := commissionable(t).Setup()
	// One tick, 0.7 s of patience, lease and one-shot of 0.5 s each: 1.8 s.
	if needs, margin := CutoffMargin(u, 0, 5); float64(needs) < 8.99 || float64(needs) > 9.01 || margin != 50 {
		t.Errorf("needs %v of %v", needs, margin)
	}
	tight := *u
	tight.Limits.Sensors[3].Ceiling = 405
	r := steptest.Record{Supply: 1, Room: 22, Rise: 250}
	temp := 22.0
	for i := range 3000 {
		d := 0.0
		if i > 100 {
			d = 0.7
		}
		temp += 0.1 * (d - (temp-22)/380) / 0.2
		r.Time, r.Duty, r.Temp = append(r.Time, float64(i)/10), append(r.Duty, d), append(r.Temp, temp)
	}
	for _, x := range []struct {
		u    *Setup
		want int
	}{{u, 0}, {&tight, 1}} {
		got := Conclude(x.u, &Measured{Order: CommissionOrder(""), Whole: true, Result: steptest.Result{Records: []steptest.Record{r}}})
		if len(got.Findings) != x.want || len(got.Loops) != 1 || got.Loops[0].BandK != 20 {
			t.Errorf("%+v", got)
		}
		if x.want == 1 && got.Findings[0].Code != foundNoMargin {
			t.Errorf("%+v", got.Findings)
		}
		limited := *x.u
		got.Guard(&limited)
		if l := limited.Limits.Heaters[0].Loop; l.Sensor != 3 || l.Gain != got.Loops[0].Gain || l.Band != 20 {
			t.Errorf("the guard gets %+v", l)
		}
	}
}
