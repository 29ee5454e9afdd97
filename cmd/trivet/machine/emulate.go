package machine

import (
	"fmt"
	"slices"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"trivet/hal/line"
	"trivet/process/unit"
	"trivet/safety"
	"trivet/sim/chip"
	"trivet/sim/plant"
	"trivet/sim/rig"
	"trivet/station"
)

// Emulated is the machine of a file in simulation: the same chips at the same places, the same lines by the same names, with a
// plant behind them. What is connected to it is what would be connected to the real one.
type Emulated struct {
	Rig  *rig.Rig
	spis map[string]spi.Port
	pins map[string]*chip.Pin
}

// Emulate builds the machine with a board on it. A chip that has no emulation on a rig, or a third kind of head, is an error.
func (f *File) Emulate(b plant.Board, ambient unit.Celsius, seed int64) (*Emulated, error) {
	w := &f.Wiring
	if len(w.Expanders) > 0 {
		return nil, fmt.Errorf("the machine has expanders, which are not emulated: try it without them, or on the real chips")
	}
	list, at := f.ordered()
	probes := make([]rig.Probe, 0, len(w.Sensors))
	joints := 0
	for i := range w.Sensors {
		s := &w.Sensors[i]
		p := rig.Probe{Name: s.Name, Label: label(s.Label, s.Name), Role: safety.Role(s.Role), Chip: s.Chip, Ceiling: unit.Celsius(s.CeilingC), Guard: !s.WatchOnly, Addr: uint16(s.Address), Channel: s.Input}
		switch p.Role {
		case safety.RoleJoint:
			if p.Spot = plant.Corner; joints > 0 {
				p.Spot = plant.Centre
			}
			joints++
		case safety.RolePackageTop:
			p.Spot = plant.PackageTop
		case safety.RoleBoard:
			p.Spot = plant.BoardNear
		case safety.RoleNeighbour:
			p.Spot = plant.Neighbour
		default:
			k := slices.IndexFunc(list, func(h Heater) bool { return h.Sensor == s.Name })
			if k < 0 {
				return nil, fmt.Errorf("sensor %s is no heater's own: where it is cannot be told", s.Name)
			}
			p.Spot = [...]plant.Spot{plant.NozzleTop, plant.NozzleBottom, plant.Bank0}[min(at[k], 2)]
			if at[k] > 2 {
				p.Spot += plant.Spot(at[k] - 2)
			}
		}
		probes = append(probes, p)
	}
	r, err := rig.New(f.Machine, b, ambient, seed, probes)
	if err != nil {
		return nil, err
	}
	e := &Emulated{Rig: r, spis: map[string]spi.Port{}, pins: map[string]*chip.Pin{
		w.HeatEnable: r.Enable, w.Heartbeat: r.Heartbeat, w.Mirror: r.Mirror,
	}}
	for i := range r.Probes {
		if p, ok := r.Probes[i].Port().(spi.Port); ok {
			e.spis[w.Sensors[i].Bus] = p
		}
	}
	for k, h := range list {
		e.pins[h.Output], e.pins[h.Sense] = r.Relays[at[k]], r.Sense[at[k]]
		for _, b := range w.Blowers {
			if at[k] < 2 && b.Name == h.Blower {
				e.pins[b.Output], e.pins[b.Proof] = r.Blowers[at[k]], r.Air[at[k]]
			}
		}
	}
	if w.Fan != nil {
		e.pins[w.Fan.Output] = r.Fan
	}
	e.interlocks(w.Interlocks)
	return e, nil
}

// interlocks finds each loop's contact. A second one of a kind is a contact that stays closed.
func (e *Emulated) interlocks(list []Interlock) {
	used := map[int]bool{}
	for _, l := range list {
		k := slices.IndexFunc(rig.Interlocks(), func(i safety.Interlock) bool { return string(i.Kind) == l.Kind })
		if k < 0 || used[k] {
			pin := chip.NewPin(l.Name)
			pin.Set(gpio.High)
			e.pins[l.Input] = pin
			continue
		}
		used[k] = true
		e.pins[l.Input] = e.Rig.Interlocks[k]
	}
}

// SPI returns the emulated chip behind a port.
func (e *Emulated) SPI(name string) (spi.PortCloser, error) {
	p, ok := e.spis[name]
	if !ok {
		return nil, fmt.Errorf("nothing is emulated at %s", name)
	}
	return port{p}, nil
}

// I2C returns the emulated bus: there is one, whatever it is called.
func (e *Emulated) I2C(string) (i2c.BusCloser, error) { return bus{e.Rig.Bus}, nil }

// Out returns an emulated line.
func (e *Emulated) Out(name string, _ bool) (gpio.PinOut, error) { return e.pin(name) }

// In returns an emulated contact.
func (e *Emulated) In(name string) (station.Contact, error) {
	p, err := e.pin(name)
	if err != nil {
		return nil, err
	}
	return line.NewIn(p, true)
}

func (e *Emulated) pin(name string) (*chip.Pin, error) {
	p, ok := e.pins[name]
	if !ok {
		return nil, fmt.Errorf("nothing is emulated at %s", name)
	}
	return p, nil
}

// port and bus are emulated ones that need no closing.
type port struct{ spi.Port }

func (port) Close() error { return nil }

func (port) LimitSpeed(physic.Frequency) error { return nil }

type bus struct{ i2c.Bus }

func (bus) Close() error { return nil }
