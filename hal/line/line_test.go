package line_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"

	"trivet/hal/line"
	"trivet/sim/chip"
)

func output(t *testing.T, pin gpio.PinOut) *line.Out {
	t.Helper()
	o, err := line.NewOut(pin)
	if err != nil {
		t.Fatal(err)
	}
	return o
}

func contact(t *testing.T, pin gpio.PinIn, activeHigh bool) *line.In {
	t.Helper()
	i, err := line.NewIn(pin, activeHigh)
	if err != nil {
		t.Fatal(err)
	}
	return i
}

func fan(t *testing.T, pin gpio.PinOut) *line.Fan {
	t.Helper()
	f, err := line.NewFan(pin, 25*physic.Hertz)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestAnOutputStartsOffFollowsItsCommandAndRemembersIt(t *testing.T) {
	pin := chip.NewPin("relay-top")
	pin.Set(gpio.High) // whatever was there before
	out := output(t, pin)
	if pin.Level() != gpio.Low || out.Commanded() {
		t.Fatal("a fresh output is on")
	}
	before := pin.Edges()
	for _, on := range []bool{true, true, false, true, false} {
		if err := out.Set(on); err != nil {
			t.Fatal(err)
		}
		if bool(pin.Level()) != on || out.Commanded() != on {
			t.Errorf("commanded %v, the line is %v, remembered %v", on, pin.Level(), out.Commanded())
		}
	}
	if n := pin.Edges() - before; n != 4 {
		t.Errorf("%d edges, want 4: a repeated command must not make one", n)
	}
}

func TestALineDisturbedFromOutsideIsPutRightByTheNextCommand(t *testing.T) {
	pin := chip.NewPin("relay-top")
	out := output(t, pin)
	if err := pin.Out(gpio.High); err != nil { // somebody else's program
		t.Fatal(err)
	}
	if err := out.Set(false); err != nil || pin.Level() != gpio.Low {
		t.Errorf("%v, the line is %v", err, pin.Level())
	}
}

// A real line that is read becomes an input with pull-up, and so does the emulated one.
func TestLookingAtAnOutputNeverReleasesIt(t *testing.T) {
	pin := chip.NewPin("relay-top")
	out := output(t, pin)
	_, _ = out.Commanded(), out.String()
	if pin.Function() != string(gpio.OUT) || pin.Level() != gpio.Low {
		t.Errorf("the line is %s and %v", pin.Function(), pin.Level())
	}
	pin.Read() // the trap itself, so that this test means something
	if pin.Level() != gpio.High {
		t.Error("the emulated line lacks the trap this test is about")
	}
}

type broken struct{ *chip.Pin }

var errBroken = errors.New("device is gone")

func (broken) Out(gpio.Level) error                  { return errBroken }
func (broken) In(gpio.Pull, gpio.Edge) error         { return errBroken }
func (broken) PWM(gpio.Duty, physic.Frequency) error { return errBroken }
func (broken) Read() gpio.Level                      { return gpio.High }

func TestAFailedLineIsNamedInItsErrorAndNotHandedOut(t *testing.T) {
	pin := broken{chip.NewPin("relay-7")}
	out, errOut := line.NewOut(pin)
	in, errIn := line.NewIn(pin, true)
	f, errFan := line.NewFan(pin, 25*physic.Hertz)
	if out != nil || in != nil || f != nil {
		t.Errorf("handed out %v, %v, %v", out, in, f)
	}
	for _, err := range []error{errOut, errIn, errFan} {
		if !errors.Is(err, errBroken) || !strings.Contains(err.Error(), "relay-7") {
			t.Errorf("got %v", err)
		}
	}
}

func TestAnInputReadsItsActiveLevel(t *testing.T) {
	for _, activeHigh := range []bool{true, false} {
		pin := chip.NewPin("door")
		in := contact(t, pin, activeHigh)
		if want := map[bool]gpio.Pull{true: gpio.PullDown, false: gpio.PullUp}[activeHigh]; pin.Pull() != want {
			t.Errorf("active high %v: pull is %v, a broken wire would read as closed", activeHigh, pin.Pull())
		}
		for _, level := range []gpio.Level{gpio.High, gpio.Low, gpio.High} {
			pin.Set(level)
			if in.Read() != (bool(level) == activeHigh) {
				t.Errorf("active high %v, level %v: read %v", activeHigh, level, in.Read())
			}
		}
	}
}

func TestAFanTakesItsDutyAndClampsIt(t *testing.T) {
	pin := chip.NewPin("fan")
	fan := fan(t, pin)
	for share, want := range map[float64]float64{0: 0, 0.25: 0.25, 1: 1, 1.5: 1, -3: 0, math.Inf(1): 1, math.Inf(-1): 0} {
		if err := fan.SetDuty(share); err != nil {
			t.Fatal(err)
		}
		if math.Abs(pin.Duty()-want) > 1e-6 || fan.Commanded() != want {
			t.Errorf("asked for %v, got %v (remembered %v), want %v", share, pin.Duty(), fan.Commanded(), want)
		}
	}
	if pin.Frequency() != 25*physic.Hertz {
		t.Errorf("switches at %v", pin.Frequency())
	}
}

func TestAFanRefusesWhatIsNoDutyAndKeepsTurning(t *testing.T) {
	pin := chip.NewPin("fan")
	fan := fan(t, pin)
	if err := fan.SetDuty(0.5); err != nil {
		t.Fatal(err)
	}
	if err := fan.SetDuty(math.NaN()); err == nil || fan.Commanded() != 0.5 || math.Abs(pin.Duty()-0.5) > 1e-6 {
		t.Errorf("NaN gave %v; duty is %v", err, pin.Duty())
	}
	for _, f := range []physic.Frequency{0, -1, 19 * physic.Hertz, physic.MegaHertz} {
		if _, err := line.NewFan(pin, f); err == nil || !strings.Contains(err.Error(), "allowed") {
			t.Errorf("%v gave %v", f, err)
		}
	}
}

func TestSettingALineMakesNoGarbage(t *testing.T) {
	out, in, fan := output(t, chip.NewPin("a")), contact(t, chip.NewPin("b"), true), fan(t, chip.NewPin("c"))
	on := false
	if n := testing.AllocsPerRun(1000, func() {
		on = !on
		_ = out.Set(on)
		_ = fan.SetDuty(0.3)
		in.Read()
	}); n != 0 {
		t.Errorf("%v allocations per tick", n)
	}
}
