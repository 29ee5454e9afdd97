package rig

import (
	"fmt"
	"strings"

	"trivet/hal/emf"
	"trivet/process/unit"
	"trivet/sim/chip"
	"trivet/sim/fault"
	"trivet/sim/plant"
)

// Apply puts fault f on the machine or takes it off again. A fault that this machine cannot have is an error.
func (r *Rig) Apply(f fault.Fault, on bool) error {
	row, ok := fault.Find(f.Kind)
	if !ok {
		return fmt.Errorf("kind is %q; allowed are %s", f.Kind, fault.Kinds())
	}
	switch row.Of {
	case fault.AtSensor:
		return r.applySensor(f, on)
	case fault.AtHeater:
		return r.applyHeater(f, on)
	case fault.AtBlower:
		k := map[string]int{"top": 0, "bottom": 1}
		i, ok := k[f.Target]
		if !ok {
			return fmt.Errorf("there is no blower %q; there are top and bottom", f.Target)
		}
		if f.Kind == "nozzle_gap" {
			return r.gap(i, f, on)
		}
		r.blowerShare[i], r.airStuck[i] = 1, on && f.Kind == "blower_dead_unseen"
		if on && f.Kind == "blower_weak" {
			r.blowerShare[i] = f.Value
		} else if on {
			r.blowerShare[i] = 0
		}
		return nil
	case fault.AtInterlock:
		for k, i := range interlocks {
			if string(i.Kind) == f.Target {
				r.contactFault(k, f, on)
				return nil
			}
		}
		return fmt.Errorf("there is no interlock %q; there are emergency_stop, door, extraction and limiter", f.Target)
	}
	switch f.Kind {
	case "contactor_welded":
		r.welded = on
		return nil
	case "contactor_dead":
		r.deadCoil = on
		return nil
	case "one_shot_stuck":
		r.holds = on
		return nil
	case "contactor_slow":
		return r.slow(f, on)
	case "nozzle_off", "part_lifted":
		return r.disarrange(f, on)
	case "board_other":
		return fmt.Errorf("%s is there from the start or not at all: it is put on when the machine is built", f.Kind)
	}
	r.mains = r.nominal
	if on {
		r.mains = f.Value
	}
	return nil
}

var sensorFaults = map[fault.Kind]chip.Fault{
	"sensor_open": chip.Open, "sensor_short_ground": chip.ShortGround, "sensor_short_supply": chip.ShortSupply,
	"sensor_dead": chip.Dead, "sensor_zeros": chip.AllZeros, "sensor_ones": chip.AllOnes,
	"sensor_frozen": chip.FrozenFrame, "sensor_reversed": chip.Reversed, "sensor_reset": chip.ResetChip,
}

func (r *Rig) applyHeater(f fault.Fault, on bool) error {
	i, err := r.heater(f.Target)
	if err != nil {
		return err
	}
	switch f.Kind {
	case "relay_stuck_on":
		r.stuckOn[i] = on
	case "relay_stuck_off":
		r.stuckOff[i] = on
	case "relay_half":
		r.halfOn[i] = on
	case "relay_half_stuck":
		r.halfStuck[i] = on
	case "relay_inverted":
		r.inverted[i] = on
	case "relay_chatters":
		r.fluttering[i] = 0
		if on {
			r.fluttering[i] = f.Value
		}
	case "sense_stuck_on":
		r.sensedOn[i] = on
	case "sense_stuck_off":
		r.sensedOff[i] = on
	case "relay_swapped":
		k, err := r.heater(f.With)
		if err != nil {
			return err
		}
		r.wired[i], r.wired[k] = r.wired[k], r.wired[i] // twice is as before
	default:
		return fmt.Errorf("%s cannot be applied to a heater", f.Kind)
	}
	return nil
}

func (r *Rig) heater(name string) (int, error) {
	for i, n := range r.Names {
		if n == name {
			return i, nil
		}
	}
	return 0, fmt.Errorf("there is no heater %q; there are %v", name, r.Names)
}

func (r *Rig) sensor(name string) (*Probe, error) {
	var have []string
	for i := range r.Probes {
		if r.Probes[i].Name == name {
			return &r.Probes[i], nil
		}
		have = append(have, r.Probes[i].Name)
	}
	return nil, fmt.Errorf("there is no sensor %q; there are %v", name, have)
}

func (r *Rig) applySensor(f fault.Fault, on bool) error {
	p, err := r.sensor(f.Target)
	if err != nil {
		return err
	}
	switch f.Kind {
	case "sensor_offset", "sensor_noise", "sensor_spikes", "sensor_drift", "sensor_slips", "sensor_gain", "sensor_cold":
		p.wrong = wrong{}
		if on {
			p.wrong = wrongOf(f, r.now)
		}
		return nil
	case "sensor_swapped":
		q, err := r.sensor(f.With)
		if err != nil {
			return err
		}
		p.at, q.at = q.at, p.at // twice is as before
		return nil
	case "sensor_type":
		t, err := emf.ParseType(f.With)
		if err != nil {
			return err
		}
		p.wire = 0
		if on {
			p.wire = t
		}
		return nil
	case "sensor_detached":
		return r.detach(p, f.Value, on)
	}
	if strings.HasPrefix(string(f.Kind), "bus_") || strings.HasPrefix(string(f.Kind), "converter_") {
		return r.applyBus(p, f, on)
	}
	inject, ok := sensorFaults[f.Kind]
	if !ok {
		return fmt.Errorf("%s cannot be applied to a sensor", f.Kind)
	}
	if !on {
		inject = chip.None
	}
	p.front.Inject(inject)
	return nil
}

// detach takes the couple at p off its spot, or fixes it again.
func (r *Rig) detach(p *Probe, aside float64, on bool) error {
	switch p.at {
	case plant.Corner, plant.PackageTop, plant.BoardNear, plant.Neighbour:
	default:
		return fmt.Errorf("%s does not sit on part or board; it cannot come off", p.Name)
	}
	if !(aside >= 0 && aside <= 1) {
		return fmt.Errorf("value is %g; it must be between 0 (in the jet) and 1 (beside it)", aside)
	}
	if on {
		p.fixed = r.Plant.Attachment(p.at)
		off := p.fixed
		off.Detached, off.Aside = 1, aside
		r.Plant.SetAttachment(p.at, off)
		return nil
	}
	r.Plant.SetAttachment(p.at, p.fixed)
	return nil
}

// as returns the junction temperature at which a type K couple would give the voltage that this probe's couple gives at hot. All
// emulated amplifiers are for K.
func (p *Probe) as(hot, cold float64) float64 {
	if p.wire == 0 || p.wire == emf.K {
		return hot
	}
	h, okH := p.wire.Voltage(unit.Celsius(hot))
	c, okC := p.wire.Voltage(unit.Celsius(cold))
	k, okK := emf.K.Voltage(unit.Celsius(cold))
	t, ok := emf.K.Temperature(h - c + k)
	if !okH || !okC || !okK || !ok {
		return hot // outside what the functions cover: nothing a proof or a run gets to
	}
	return float64(t)
}
