package gpiochip

import (
	"fmt"
	"time"

	"periph.io/x/conn/v3/gpio"
)

// pin shows an input to what knows periph's interface, such as line.NewIn.
type pin struct{ of *In }

var _ gpio.PinIn = pin{}

// Pin returns the input as periph sees one. The line stays as it was requested: asking for another pull, or for edges, is an error. Its
// Read gives the logical level; a line that cannot be read is low.
func (i *In) Pin() gpio.PinIn { return pin{i} }

// In implements gpio.PinIn.
func (p pin) In(pull gpio.Pull, edge gpio.Edge) error {
	if edge != gpio.NoEdge {
		return fmt.Errorf("GPIO line %s: edges are not watched", p.of.name)
	}
	if pull != gpio.PullNoChange && pull != p.Pull() {
		return fmt.Errorf("GPIO line %s: it was requested with bias %q, which is not %s", p.of.name, p.of.bias, pull)
	}
	return nil
}

// Read implements gpio.PinIn.
func (p pin) Read() gpio.Level { return gpio.Level(p.of.Read()) }

// WaitForEdge implements gpio.PinIn. There are none.
func (pin) WaitForEdge(time.Duration) bool { return false }

// Pull implements gpio.PinIn: what was asked for.
func (p pin) Pull() gpio.Pull {
	switch p.of.bias {
	case PullUp:
		return gpio.PullUp
	case PullDown:
		return gpio.PullDown
	case NoPull:
		return gpio.Float
	}
	return gpio.PullNoChange
}

// DefaultPull implements gpio.PinIn. The kernel does not say.
func (pin) DefaultPull() gpio.Pull { return gpio.PullNoChange }

func (p pin) String() string { return p.of.String() }

// Name implements pin.Pin.
func (p pin) Name() string { return p.of.Name() }

// Number implements pin.Pin.
func (p pin) Number() int { return p.of.Number() }

// Function implements pin.Pin.
func (pin) Function() string { return "In" }

// Halt implements conn.Resource. It leaves the line as it is.
func (pin) Halt() error { return nil }
