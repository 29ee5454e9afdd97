package expander_test

import (
	"errors"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"

	"trivet/hal/expander"
)

// fake is a chip whose registers are fields. Its methods are never called by two goroutines at a time, or the race detector tells.
type fake struct {
	image          expander.Image
	outputs, pulls uint16
	wires          uint16
	fail           error // of every call
	failAt, calls  int   // the call that fails, counted from 1; 0: none
	check          error
	frequency      physic.Frequency
}

var errBus = errors.New("the bus is gone")

func (f *fake) call() error {
	f.calls++
	if f.failAt == f.calls {
		return errBus
	}
	return f.fail
}

func (f *fake) Begin() error {
	if err := f.call(); err != nil {
		return err
	}
	f.image, f.outputs, f.pulls = expander.Image{}, 0, 0
	return nil
}

func (f *fake) Direct(outputs, pulls uint16) error {
	if err := f.call(); err != nil {
		return err
	}
	f.outputs, f.pulls = outputs, pulls
	return nil
}

func (f *fake) Write(image *expander.Image) error {
	if err := f.call(); err != nil {
		return err
	}
	f.image = *image
	return nil
}

func (f *fake) Check(image *expander.Image) (uint16, error) {
	if err := f.call(); err != nil {
		return 0, err
	}
	if f.image != *image {
		return 0, expander.ErrLost
	}
	return f.wires, f.check
}

func (f *fake) setFrequency(hz physic.Frequency) error {
	if err := f.call(); err != nil {
		return err
	}
	f.frequency = hz
	return nil
}

func (f *fake) traits() expander.Traits {
	return expander.Traits{Lines: 16, Inputs: true, PullsUp: true, Slowest: 20 * physic.Hertz, Fastest: physic.KiloHertz, SetFrequency: f.setFrequency}
}

// driven are the levels on the lines that are outputs.
func (f *fake) driven() uint16 { return f.image.Levels & f.outputs }

// on says whether line i of the fuzzed bank is driven on: the upper four are on when low. A line that is released is off.
func (f *fake) on(i int) bool {
	return f.outputs>>i&1 != 0 && (f.image.Levels>>i&1 != 0) != (i >= 4)
}

func bank(t *testing.T, f *fake) *expander.Bank {
	t.Helper()
	b, err := expander.New("fake", f, f.traits(), false)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func output(t *testing.T, b *expander.Bank, i int, activeLow bool) gpio.PinOut {
	t.Helper()
	p, err := b.Out(i, activeLow)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// Two goroutines switch, one polls; now and then the bus fails. Whoever was last told that a line is off must find it off, and
// in the end the chip has what was last asked for.
func TestSwitchingFromTwoGoroutinesLosesNothing(t *testing.T) {
	f := &fake{}
	b := bank(t, f)
	var pins [4]gpio.PinOut
	for i := range pins {
		pins[i] = output(t, b, i, i%2 == 1)
	}
	var wg sync.WaitGroup
	var last [4]gpio.Level
	for g := range 2 {
		wg.Go(func() {
			rng := rand.New(rand.NewPCG(uint64(g), 1))
			for range 5000 {
				i := g*2 + rng.IntN(2)
				last[i] = rng.IntN(2) == 0
				_ = pins[i].Out(last[i])
			}
		})
	}
	wg.Go(func() {
		for range 3000 {
			b.Poll(0)
		}
	})
	wg.Wait()
	b.Poll(0)
	want := uint16(0)
	for i, l := range last {
		if bool(l) != (i%2 == 1) {
			want |= 1 << i
		}
	}
	if f.driven() != want || b.Err() != nil {
		t.Errorf("driven %04x, want %04x, %v", f.driven(), want, b.Err())
	}
}

func TestABusThatFailsWhileALineIsClaimedHandsOutNothing(t *testing.T) {
	for failAt := 2; failAt <= 3; failAt++ { // the level, the direction
		f := &fake{failAt: failAt}
		b := bank(t, f)
		if p, err := b.Out(0, false); !errors.Is(err, errBus) || p != nil || !strings.HasPrefix(err.Error(), "fake: ") {
			t.Errorf("call %d: %v, %v", failAt, p, err)
		}
	}
	f := &fake{}
	b := bank(t, f)
	p, err := b.In(0)
	if err != nil {
		t.Fatal(err)
	}
	f.fail = errBus
	if err := p.In(gpio.PullUp, gpio.NoEdge); !errors.Is(err, errBus) || p.Pull() == gpio.PullUp {
		t.Errorf("a pull: %v, %v", err, p.Pull())
	}
	if _, err := expander.New("fake", f, f.traits(), false); !errors.Is(err, errBus) {
		t.Errorf("a bank: %v", err)
	}
}

func TestEveryStepOfConfiguringMayFail(t *testing.T) {
	f := &fake{}
	b := bank(t, f)
	p := output(t, b, 0, false)
	if err := p.PWM(gpio.DutyHalf, 100*physic.Hertz); err != nil {
		t.Fatal(err)
	}
	for step := 1; step <= 4; step++ { // begin, frequency, levels, directions
		f.calls, f.failAt = 0, step
		if err := b.Configure(); !errors.Is(err, errBus) || !errors.Is(b.Err(), errBus) {
			t.Errorf("step %d: %v, %v", step, err, b.Err())
		}
	}
	f.failAt, f.frequency = 0, 0
	if err := b.Configure(); err != nil || f.frequency != 100*physic.Hertz || b.Err() != nil {
		t.Errorf("%v, frequency %v, %v", err, f.frequency, b.Err())
	}
}

func TestAFrequencyThatCouldNotBeSetIsTriedAgain(t *testing.T) {
	f := &fake{}
	b := bank(t, f)
	p := output(t, b, 0, false)
	f.fail = errBus
	if err := p.PWM(gpio.DutyHalf, 100*physic.Hertz); !errors.Is(err, errBus) {
		t.Error(err)
	}
	f.fail = nil
	if err := p.PWM(gpio.DutyHalf, 100*physic.Hertz); err != nil || f.frequency != 100*physic.Hertz || f.image.Duty[0] != expander.FullDuty/2 {
		t.Errorf("%v, %v, %+v", err, f.frequency, f.image)
	}
}

func TestALineThatIsOnWhenLowHasItsDutyTurnedRound(t *testing.T) {
	f := &fake{}
	b := bank(t, f)
	p := output(t, b, 2, true)
	if err := p.PWM(gpio.DutyMax/4, 100*physic.Hertz); err != nil || f.image.Duty[2] != 3*expander.FullDuty/4 {
		t.Errorf("%v, %d", err, f.image.Duty[2])
	}
}

// A chip that hangs for a whole tick: its inputs are not those of now.
func TestWhileSomebodyElseHoldsTheBusInputsReadAsOpen(t *testing.T) {
	f := &hanging{inside: make(chan struct{}), goOn: make(chan struct{})}
	b, err := expander.New("fake", f, f.traits(), false)
	if err != nil {
		t.Fatal(err)
	}
	p, err := b.In(4)
	if err != nil {
		t.Fatal(err)
	}
	f.wires = 1 << 4
	if b.Poll(0); !p.Read() {
		t.Fatal("not seen")
	}
	f.hang = true
	done := make(chan struct{})
	go func() { defer close(done); b.Poll(0) }()
	<-f.inside
	if b.Poll(0); p.Read() {
		t.Error("a contact reads as closed while the chip hangs")
	}
	close(f.goOn)
	<-done
}

type hanging struct {
	fake
	hang         bool
	inside, goOn chan struct{}
}

func (h *hanging) Check(image *expander.Image) (uint16, error) {
	if h.hang {
		close(h.inside)
		<-h.goOn
	}
	return h.fake.Check(image)
}

func TestABankHasAtMostSixteenLinesAndOnlySomeChipsSwitchByThemselves(t *testing.T) {
	for _, n := range []int{0, -1, 17} {
		if _, err := expander.New("fake", &fake{}, expander.Traits{Lines: n}, false); err == nil {
			t.Errorf("%d lines", n)
		}
	}
	b, err := expander.New("fake", &fake{}, expander.Traits{Lines: 2, Inputs: true}, false)
	if err != nil {
		t.Fatal(err)
	}
	if err := output(t, b, 0, false).PWM(gpio.DutyHalf, 50*physic.Hertz); err == nil {
		t.Error("it switches by itself")
	}
	p, err := b.In(1)
	if err != nil {
		t.Fatal(err)
	}
	if err := p.In(gpio.PullUp, gpio.NoEdge); err == nil || !strings.Contains(err.Error(), "no pull-ups") {
		t.Errorf("pulled up: %v", err)
	}
}

func TestWhatALineCannotDoIsRefusedInItsOwnWords(t *testing.T) {
	f := &fake{}
	traits := f.traits()
	traits.Inputs, traits.ActiveHighOnly = false, "it wakes low"
	b, err := expander.New("fake", f, traits, false)
	if err != nil {
		t.Fatal(err)
	}
	_, low := b.Out(0, true)
	_, in := b.In(0)
	p, q := output(t, b, 1, false), output(t, b, 2, false)
	if err := p.PWM(gpio.DutyHalf, 50*physic.Hertz); err != nil {
		t.Fatal(err)
	}
	for words, err := range map[string]error{
		"line 0 cannot be active low: it wakes low": low, "line 0: the chip has outputs only": in,
		"duty is -1":        p.PWM(-1, 50*physic.Hertz),
		"frequency is 2kHz": p.PWM(gpio.DutyHalf, 2*physic.KiloHertz),
		"another line has":  q.PWM(gpio.DutyHalf, 60*physic.Hertz),
	} {
		if err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%s: %v", words, err)
		}
	}
}

func TestABankTellsWhatItsChipCanDo(t *testing.T) {
	f := &fake{}
	if got := bank(t, f).Traits(); got.Lines != 16 || !got.Inputs || !got.PullsUp || got.Fastest != physic.KiloHertz {
		t.Errorf("%+v", got)
	}
	traits := f.traits()
	traits.ActiveLowOnly = "it wakes high"
	b, err := expander.New("fake", f, traits, false)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.Out(3, false); err == nil || !strings.Contains(err.Error(), "line 3 must be active low: it wakes high") {
		t.Error(err)
	}
}

func TestAChipThatIsLostAndThenGoneKeepsItsFirstReason(t *testing.T) {
	f := &fake{}
	b := bank(t, f)
	p := output(t, b, 0, false)
	f.check = expander.ErrLost
	b.Poll(0)
	f.fail = errBus
	b.Poll(0)
	if err := p.Out(gpio.Low); !errors.Is(err, errBus) {
		t.Errorf("off on a dead bus: %v", err)
	}
	if err := p.PWM(gpio.DutyHalf, 50*physic.Hertz); err == nil || !errors.Is(b.Err(), expander.ErrLost) {
		t.Errorf("%v; the bank says %v", err, b.Err())
	}
}

// meddled is a chip during whose write something happens.
type meddled struct {
	fake
	meanwhile func()
}

func (m *meddled) Write(image *expander.Image) error {
	err := m.fake.Write(image)
	if f := m.meanwhile; f != nil {
		m.meanwhile = nil
		f()
	}
	return err
}

// The safety goroutine switches off while the loop's write is under way: it must not wait, and the line must be off when the
// loop's command returns, without a poll.
func TestWhatIsSwitchedOffDuringSomebodyElsesWriteIsOffAfterIt(t *testing.T) {
	m := &meddled{}
	b, err := expander.New("fake", m, m.traits(), false)
	if err != nil {
		t.Fatal(err)
	}
	first, second := output(t, b, 0, false), output(t, b, 1, false)
	if err := first.Out(gpio.High); err != nil {
		t.Fatal(err)
	}
	m.meanwhile = func() {
		if err := first.Out(gpio.Low); err == nil {
			t.Error("it says that the line is off already")
		}
	}
	if err := second.Out(gpio.High); err != nil || m.driven() != 1<<1 {
		t.Errorf("%v, driven %04x", err, m.driven())
	}
}
