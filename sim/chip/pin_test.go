package chip_test

import (
	"sync"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"

	"trivet/sim/chip"
)

func TestAPinTellsTheWorldOfEveryChangeAndOfNothingElse(t *testing.T) {
	p := chip.NewPin("x").Numbered(17)
	var told []gpio.Level
	p.OnChange = func(l gpio.Level) { told = append(told, l) }
	for _, l := range []gpio.Level{gpio.Low, gpio.High, gpio.High, gpio.Low} {
		if err := p.Out(l); err != nil {
			t.Fatal(err)
		}
	}
	if len(told) != 2 || told[0] != gpio.High || told[1] != gpio.Low || p.Edges() != 2 || p.Number() != 17 || p.Name() != "x" {
		t.Errorf("told %v, %d edges", told, p.Edges())
	}
}

func TestTheWorldCannotMoveADrivenLineButAReleasedOneFollowsItsPull(t *testing.T) {
	p := chip.NewPin("x")
	p.Set(gpio.High)
	if p.Level() != gpio.High {
		t.Error("an open line does not follow the world")
	}
	_ = p.Out(gpio.Low)
	p.Set(gpio.High)
	if p.Level() != gpio.Low {
		t.Error("the world overpowered an output")
	}
	_ = p.In(gpio.PullUp, gpio.NoEdge)
	if p.Level() != gpio.High || p.Function() != "IN" {
		t.Errorf("released: %v, %s", p.Level(), p.Function())
	}
}

func TestReadingAnOutputReleasesItAsOnLinux(t *testing.T) {
	p := chip.NewPin("x")
	_ = p.Out(gpio.Low)
	if p.Read() != gpio.High || p.Function() != "IN" {
		t.Errorf("%v, %s", p.Level(), p.Function())
	}
}

func TestDutyIsTheLevelUnlessModulated(t *testing.T) {
	p := chip.NewPin("x")
	for _, c := range []struct {
		do   func() error
		want float64
	}{
		{func() error { return p.Out(gpio.High) }, 1}, {func() error { return p.PWM(gpio.DutyMax/4, 25*physic.Hertz) }, 0.25},
		{func() error { return p.PWM(0, 25*physic.Hertz) }, 0}, {func() error { return p.Out(gpio.Low) }, 0},
	} {
		if err := c.do(); err != nil || p.Duty() != c.want {
			t.Errorf("duty %v, want %v (%v)", p.Duty(), c.want, err)
		}
	}
	if err := p.PWM(gpio.DutyMax+1, physic.Hertz); err == nil {
		t.Error("more than all of the time")
	}
}

func TestWaitForEdgeSeesTheKindThatWasAskedFor(t *testing.T) {
	p := chip.NewPin("x")
	_ = p.In(gpio.PullDown, gpio.RisingEdge)
	if p.WaitForEdge(0) {
		t.Error("an edge out of nothing")
	}
	p.Set(gpio.High)
	if !p.WaitForEdge(time.Second) {
		t.Error("missed a rising edge")
	}
	p.Set(gpio.Low)
	if p.WaitForEdge(0) {
		t.Error("a falling edge passed for a rising one")
	}
}

func TestAPinStandsSeveralGoroutines(t *testing.T) {
	p := chip.NewPin("x")
	var wg sync.WaitGroup
	for i := range 4 {
		wg.Go(func() {
			for k := range 500 {
				switch i {
				case 0:
					_ = p.Out(gpio.Level(k%2 == 0))
				case 1:
					_ = p.PWM(gpio.DutyHalf, physic.Hertz)
				case 2:
					p.Set(gpio.High)
				default:
					_, _, _, _ = p.Level(), p.Duty(), p.Edges(), p.Function()
				}
			}
		})
	}
	wg.Wait()
}
