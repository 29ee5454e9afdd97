package chip

import (
	"errors"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
)

// Pin is an emulated line. The side of the program uses it as a periph pin; the side of the simulated machine reads what was
// driven (Level, Duty) and drives what is read (Set).
type Pin struct {
	name string
	// OnChange is called when the driven level changes, on the goroutine that drives it. Set it before use.
	OnChange func(gpio.Level)

	mu     sync.Mutex
	level  gpio.Level
	duty   float64
	output bool
	edges  int
}

var _ gpio.PinIO = (*Pin)(nil)

// NewPin returns a line that is low and has not been claimed.
func NewPin(name string) *Pin { return &Pin{name: name} }

// String returns the line's name.
func (p *Pin) String() string { return p.name }

// Name returns the line's name.
func (p *Pin) Name() string { return p.name }

// Number is −1: emulated lines are known by name only.
func (p *Pin) Number() int { return -1 }

// Function says what the line is used as.
func (p *Pin) Function() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.output {
		return "Out"
	}
	return "In"
}

// Halt does nothing: the line keeps its level, as real lines do until they are released.
func (p *Pin) Halt() error { return nil }

// In makes the line an input. A pull has no meaning here: the simulated machine always drives its inputs.
func (p *Pin) In(gpio.Pull, gpio.Edge) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.output = false
	return nil
}

// Read returns the level. Like a real line of some drivers, an output that is read becomes an input and lets go of what it drove.
func (p *Pin) Read() gpio.Level {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.output {
		p.output, p.level = false, gpio.Low
	}
	return p.level
}

// WaitForEdge never sees an edge.
func (p *Pin) WaitForEdge(time.Duration) bool { return false }

// Pull says that nothing is known about a pull.
func (p *Pin) Pull() gpio.Pull { return gpio.PullNoChange }

// DefaultPull says the same.
func (p *Pin) DefaultPull() gpio.Pull { return gpio.PullNoChange }

// Out drives the line.
func (p *Pin) Out(l gpio.Level) error {
	p.mu.Lock()
	changed := l != p.level
	p.output, p.level = true, l
	p.duty = 0
	if l {
		p.duty = 1
	}
	if changed {
		p.edges++
	}
	f := p.OnChange
	p.mu.Unlock()
	if changed && f != nil {
		f(l)
	}
	return nil
}

// PWM drives the line with a share of the time.
func (p *Pin) PWM(d gpio.Duty, _ physic.Frequency) error {
	if d < 0 || d > gpio.DutyMax {
		return errors.New("chip: duty out of range")
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.output, p.duty = true, float64(d)/float64(gpio.DutyMax)
	return nil
}

// Level returns what is on the line, without touching it.
func (p *Pin) Level() gpio.Level {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.level
}

// Duty returns the share of the time the line is driven high.
func (p *Pin) Duty() float64 {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.duty
}

// Edges returns how often the driven level has changed.
func (p *Pin) Edges() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.edges
}

// Set puts a level on the line from the machine's side.
func (p *Pin) Set(l gpio.Level) {
	p.mu.Lock()
	p.level = l
	p.mu.Unlock()
}
