package chip

import (
	"fmt"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
)

// Pin is an emulated line. The program's side is gpio.PinIO, the world's side is Level, Duty, Set and Edges. It may be
// used by several goroutines.
//
// It has a trap of the real thing: on Linux, periph's Read on a line that is an output turns it into an input with
// pull-up. A relay would pull in. So does this one; a driver that reads back its outputs fails its tests.
type Pin struct {
	// OnChange, if set before use, is told the new level after every change, outside the pin's lock.
	OnChange func(level gpio.Level)

	name   string
	number int

	mu      sync.Mutex
	mode    mode
	level   gpio.Level
	pull    gpio.Pull
	watch   gpio.Edge
	duty    gpio.Duty
	freq    physic.Frequency
	edges   int
	noticed chan struct{}
}

type mode uint8

const (
	unused mode = iota
	input
	output
	modulated
)

// NewPin returns a line with a name and no number, low, that nobody has configured.
func NewPin(name string) *Pin { return &Pin{name: name, number: -1, noticed: make(chan struct{}, 1)} }

// Numbered gives the line a number and returns it.
func (p *Pin) Numbered(n int) *Pin {
	p.number = n
	return p
}

// Level returns what is on the wire.
func (p *Pin) Level() gpio.Level {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.level
}

// Duty returns the share of the time, 0 to 1, that the line is high: its duty under PWM, else its level.
func (p *Pin) Duty() float64 {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.mode == modulated {
		return float64(p.duty) / float64(gpio.DutyMax)
	}
	if p.level {
		return 1
	}
	return 0
}

// Frequency returns what the program asked for with PWM, 0 before.
func (p *Pin) Frequency() physic.Frequency {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.freq
}

// Edges returns how often the level has changed.
func (p *Pin) Edges() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.edges
}

// Set puts a level on the wire from the world's side. A line that is an output drives against it and wins.
func (p *Pin) Set(l gpio.Level) {
	p.mu.Lock()
	if p.mode == output || p.mode == modulated {
		p.mu.Unlock()
		return
	}
	p.change(l)
}

// change sets the level, unlocks, and tells whoever wants to know.
func (p *Pin) change(l gpio.Level) {
	changed := p.level != l
	p.level = l
	if changed {
		p.edges++
		rising := bool(l) && p.watch&gpio.RisingEdge != 0
		falling := !bool(l) && p.watch&gpio.FallingEdge != 0
		if rising || falling {
			select {
			case p.noticed <- struct{}{}:
			default: // one is waiting already; the kernel's queue is deeper, nobody here counts on it
			}
		}
	}
	tell := p.OnChange
	p.mu.Unlock()
	if changed && tell != nil {
		tell(l)
	}
}

// Out makes the line an output and drives it.
func (p *Pin) Out(l gpio.Level) error {
	p.mu.Lock()
	p.mode = output
	p.change(l)
	return nil
}

// PWM makes the line an output that switches by itself. The level is high from half duty up, to show something.
func (p *Pin) PWM(duty gpio.Duty, f physic.Frequency) error {
	if !duty.Valid() {
		return fmt.Errorf("%s: duty is %d; 0 to %d is allowed", p.name, duty, gpio.DutyMax)
	}
	p.mu.Lock()
	p.mode, p.duty, p.freq = modulated, duty, f
	p.change(duty >= gpio.DutyHalf)
	return nil
}

// In makes the line an input. An output that is released takes the level of its pull, if it is given one.
func (p *Pin) In(pull gpio.Pull, edge gpio.Edge) error {
	p.mu.Lock()
	was := p.mode
	p.mode, p.watch = input, edge
	if pull != gpio.PullNoChange {
		p.pull = pull
	}
	select {
	case <-p.noticed:
	default:
	}
	level := p.level
	if was == output || was == modulated {
		switch p.pull {
		case gpio.PullUp:
			level = gpio.High
		case gpio.PullDown:
			level = gpio.Low
		}
	}
	p.change(level)
	return nil
}

// Read returns the level. See the trap at Pin.
func (p *Pin) Read() gpio.Level {
	p.mu.Lock()
	released := p.mode == output || p.mode == modulated
	p.mu.Unlock()
	if released {
		_ = p.In(gpio.PullUp, gpio.NoEdge) // cannot fail
	}
	return p.Level()
}

// WaitForEdge waits, on the wall clock, for the kind of edge that In asked for. A negative time means for ever.
func (p *Pin) WaitForEdge(timeout time.Duration) bool {
	if timeout < 0 {
		<-p.noticed
		return true
	}
	t := time.NewTimer(timeout)
	defer t.Stop()
	select {
	case <-p.noticed:
		return true
	case <-t.C:
		return false
	}
}

// Pull returns the resistor last asked for.
func (p *Pin) Pull() gpio.Pull {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.pull
}

// DefaultPull is not known, as on Linux.
func (p *Pin) DefaultPull() gpio.Pull { return gpio.PullNoChange }

// String returns the name.
func (p *Pin) String() string { return p.name }

// Name returns the name.
func (p *Pin) Name() string { return p.name }

// Number returns the number, -1 if there is none.
func (p *Pin) Number() int { return p.number }

// Halt does nothing: what is driven stays driven.
func (p *Pin) Halt() error { return nil }

// Function says what the line is used for. Unlike the real thing it leaves an output alone.
func (p *Pin) Function() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch p.mode {
	case input:
		return string(gpio.IN)
	case output:
		return string(gpio.OUT)
	case modulated:
		return string(gpio.PWM)
	}
	return ""
}

var _ gpio.PinIO = (*Pin)(nil)
