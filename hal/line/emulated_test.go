package line_test

import (
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"

	"trivet/hal/line"
	"trivet/sim/chip"
)

// The lines are tested on emulated pins; here the emulated pins are tested against what periph says of real ones.

func TestAReleasedOutputTakesTheLevelOfItsPull(t *testing.T) {
	for pull, want := range map[gpio.Pull]gpio.Level{gpio.PullUp: gpio.High, gpio.PullDown: gpio.Low, gpio.Float: gpio.Low, gpio.PullNoChange: gpio.Low} {
		for name, drive := range map[string]func(*chip.Pin) error{
			"output": func(p *chip.Pin) error { return p.Out(gpio.Level(!want)) },
			"pwm": func(p *chip.Pin) error {
				return p.PWM(map[gpio.Level]gpio.Duty{true: 0, false: gpio.DutyMax}[want], physic.KiloHertz)
			},
		} {
			p := chip.NewPin("x")
			if err := drive(p); err != nil {
				t.Fatal(err)
			}
			driven := p.Level()
			if err := p.In(pull, gpio.NoEdge); err != nil {
				t.Fatal(err)
			}
			if pulled := pull == gpio.PullUp || pull == gpio.PullDown; pulled && p.Level() != want || !pulled && p.Level() != driven || p.Function() != string(gpio.IN) {
				t.Errorf("%s released to %v: %v, was %v, is %s", name, pull, p.Level(), driven, p.Function())
			}
		}
	}
}

func TestAnInputLeavesTheLevelToTheWorld(t *testing.T) {
	p := chip.NewPin("door").Numbered(17)
	p.Set(gpio.High)
	if err := p.In(gpio.PullDown, gpio.BothEdges); err != nil || p.Level() != gpio.High || p.Pull() != gpio.PullDown {
		t.Errorf("%v, %v, %v: a pull is weaker than a contact", err, p.Level(), p.Pull())
	}
	if err := p.In(gpio.PullNoChange, gpio.BothEdges); err != nil || p.Pull() != gpio.PullDown {
		t.Errorf("%v, %v: the pull was to stay", err, p.Pull())
	}
	for _, l := range []gpio.Level{gpio.Low, gpio.High} {
		p.Set(l)
		if !p.WaitForEdge(-1) || p.Read() != l { // an edge is there: waiting for ever ends at once
			t.Errorf("no edge to %v, or it reads %v", l, p.Read())
		}
	}
	p.Set(gpio.Low)
	if err := p.In(gpio.PullDown, gpio.BothEdges); err != nil || p.WaitForEdge(time.Millisecond) {
		t.Errorf("%v: an edge from before it was made an input", err)
	}
	p.Set(gpio.High)
	p.Set(gpio.Low) // nobody has taken the first one: there is room for one
	if !p.WaitForEdge(0) && !p.WaitForEdge(time.Second) || p.WaitForEdge(0) {
		t.Error("two edges nobody waited for must be told as one")
	}
	if p.Number() != 17 || p.Name() != "door" || p.String() != "door" || p.DefaultPull() != gpio.PullNoChange {
		t.Errorf("%d, %s, %s, %v", p.Number(), p.Name(), p, p.DefaultPull())
	}
}

func TestWhatTheWorldDoesToAnOutputIsLostAndHaltLeavesItDriven(t *testing.T) {
	p := chip.NewPin("relay")
	if p.Function() != "" || p.Number() != -1 {
		t.Errorf("fresh it is %q, number %d", p.Function(), p.Number())
	}
	var told []gpio.Level
	p.OnChange = func(l gpio.Level) { told = append(told, l) }
	if err := p.Out(gpio.High); err != nil {
		t.Fatal(err)
	}
	p.Set(gpio.Low)
	if err := p.Halt(); err != nil || p.Level() != gpio.High || p.Duty() != 1 || len(told) != 1 || told[0] != gpio.High {
		t.Errorf("%v, %v, duty %v, told %v", err, p.Level(), p.Duty(), told)
	}
	if err := p.PWM(gpio.DutyMax/4, physic.KiloHertz); err != nil || p.Function() != string(gpio.PWM) || p.Frequency() != physic.KiloHertz {
		t.Errorf("%v, %s, %v", err, p.Function(), p.Frequency())
	}
	p.Set(gpio.High)
	if p.Level() != gpio.Low || p.Duty() != 0.25 {
		t.Errorf("under modulation the world moved it to %v, %v", p.Level(), p.Duty())
	}
}

// Every duty that a thousandth can ask for arrives as the nearest that the pin can make.
func TestEveryThousandthOfADutyArrives(t *testing.T) {
	pin := chip.NewPin("fan")
	f := fan(t, pin)
	for n := range 1001 {
		share := float64(n) / 1000
		if err := f.SetDuty(share); err != nil {
			t.Fatal(err)
		}
		if got := pin.Duty(); got < share-0.51/float64(gpio.DutyMax) || got > share+0.51/float64(gpio.DutyMax) || f.Commanded() != share {
			t.Fatalf("asked for %v, got %v, remembered %v", share, got, f.Commanded())
		}
	}
}

func TestLinesAreCalledByTheirPins(t *testing.T) {
	for name, got := range map[string]string{
		"relay": output(t, chip.NewPin("relay")).String(), "door": contact(t, chip.NewPin("door"), true).String(), "fan": fan(t, chip.NewPin("fan")).String(),
	} {
		if got != name {
			t.Errorf("the line on %s is called %s", name, got)
		}
	}
}

// flaky works until it is told not to: what was accepted before stays on record, and the failure is told.
type flaky struct {
	*chip.Pin
	fails bool
}

func (f *flaky) Out(l gpio.Level) error {
	if f.fails {
		return errBroken
	}
	return f.Pin.Out(l)
}

func (f *flaky) PWM(d gpio.Duty, hz physic.Frequency) error {
	if f.fails {
		return errBroken
	}
	return f.Pin.PWM(d, hz)
}

func TestALineThatBreaksLaterTellsEachTime(t *testing.T) {
	pin := &flaky{Pin: chip.NewPin("x")}
	o, f := output(t, pin), fan(t, &flaky{Pin: chip.NewPin("y")})
	if err := f.SetDuty(0.4); err != nil {
		t.Fatal(err)
	}
	broken, err := line.NewFan(pin, 25*physic.Hertz)
	if err != nil {
		t.Fatal(err)
	}
	pin.fails = true
	for range 2 {
		if o.Set(true) == nil || broken.SetDuty(0.9) == nil {
			t.Error("a failure was not told")
		}
	}
	// Asked for is on, and that is what is remembered: whoever reads it must not think the heat is surely off.
	if !o.Commanded() || broken.Commanded() != 0 || f.Commanded() != 0.4 {
		t.Errorf("remembered are %v, %v, %v", o.Commanded(), broken.Commanded(), f.Commanded())
	}
}
