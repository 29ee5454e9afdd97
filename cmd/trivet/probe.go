package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"periph.io/x/conn/v3/i2c/i2creg"
	"periph.io/x/conn/v3/spi/spireg"

	"trivet/cmd/trivet/machine"
	"trivet/hal/gpiochip"
	"trivet/hal/hostbus"
	"trivet/process/unit"
	"trivet/station"
)

// probeCmd looks at what is connected and changes nothing: no line is claimed, no chip of an output is spoken to.
type probeCmd struct {
	Machine string        `arg:"" optional:"" help:"Machine file: its sensors are read too. Without one only buses and lines are listed." type:"existingfile"`
	Wait    time.Duration `help:"How long a sensor may take to its first value." default:"2s"`
}

// Run prints one line for each thing found.
func (c *probeCmd) Run(e *env) error {
	if err := probeComputer(e.out); err != nil {
		return err
	}
	if c.Machine == "" {
		fmt.Fprintln(e.out, "sensors: give a machine file to have them read")
		return nil
	}
	data, err := os.ReadFile(c.Machine)
	if err != nil {
		return err
	}
	f, err := machine.Parse(c.Machine, data)
	if err != nil {
		return err
	}
	silent, err := probeSensors(e.ctx, e.out, f, realBuses{}, c.Wait, func(time.Duration) { time.Sleep(station.Period) })
	if silent > 0 {
		e.exit = exitOutside
	}
	return err
}

// probeComputer lists what the computer offers.
func probeComputer(w io.Writer) error {
	report, err := hostbus.Init()
	if err != nil {
		return err
	}
	for _, t := range report.Trouble() {
		fmt.Fprintln(w, "trouble:", t)
	}
	for _, p := range spireg.All() {
		fmt.Fprintf(w, "spi      %s%s\n", p.Name, also(p.Aliases))
	}
	for _, b := range i2creg.All() {
		fmt.Fprintf(w, "i2c      %s%s\n", b.Name, also(b.Aliases))
	}
	chips, err := gpiochip.List()
	if err != nil {
		return err
	}
	if len(spireg.All())+len(i2creg.All())+len(chips) == 0 {
		fmt.Fprintln(w, "no SPI port, no I²C bus and no GPIO chip: is this the computer in the machine, and are its buses switched on?")
	}
	for _, c := range chips {
		for _, l := range c.Lines {
			name, use := l.Name, "free"
			if name == "" {
				name = fmt.Sprintf("#%d", l.Offset)
			}
			if l.Used {
				use = "used"
				if l.Consumer != "" {
					use += " by " + l.Consumer
				}
			}
			fmt.Fprintf(w, "gpio     %s/%s  %s, %s\n", c.Label, name, map[bool]string{true: "output", false: "input"}[l.Output], use)
		}
	}
	return nil
}

func also(names []string) string {
	if len(names) == 0 {
		return ""
	}
	return fmt.Sprintf("  (also %s)", names[len(names)-1])
}

// probeSensors opens the sensors of a machine, waits for each to read, and prints one line each. It returns how many did not.
// pause lets a period pass.
func probeSensors(ctx context.Context, w io.Writer, f *machine.File, b machine.Buses, wait time.Duration, pause func(now time.Duration)) (silent int, err error) {
	s, err := f.Sensors(b)
	if err != nil {
		for _, e := range split(err) {
			fmt.Fprintf(w, "%v\n", e)
			silent++
		}
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	last := make([]unit.Reading, len(s.Hardware.Sensors))
	now := time.Duration(0)
	for waiting := len(last); waiting > 0 && now < wait && ctx.Err() == nil; {
		now += station.Period
		pause(now)
		for _, p := range s.Hardware.Pollers {
			p.Poll(now)
		}
		waiting = 0
		for i, t := range s.Hardware.Sensors {
			if last[i] = t.Read(now); !last[i].Usable() {
				waiting++
			}
		}
	}
	for i := range last {
		if machine.Absent(s.Hardware.Sensors[i]) {
			continue // told above
		}
		d := &f.Wiring.Sensors[i]
		value := last[i].Quality.Reason()
		if c, ok := last[i].Temp(); ok {
			value = fmt.Sprintf("%.2f °C", float64(c))
		} else {
			silent++
		}
		if j, ok := s.Hardware.Sensors[i].(station.Junction); ok {
			if c, ok := j.ColdJunction().Temp(); ok {
				value += fmt.Sprintf(", cold junction %.2f °C", float64(c))
			}
		}
		if f, ok := s.Hardware.Sensors[i].(interface{ LastError() error }); ok && f.LastError() != nil {
			value += ": " + f.LastError().Error()
		}
		fmt.Fprintf(w, "sensor   %-14s %-10s %-12s %s\n", d.Name, d.Chip, place(d), value)
	}
	return silent, nil
}

// split takes joined errors apart, so that each has a line.
func split(err error) []error {
	if j, ok := err.(interface{ Unwrap() []error }); ok {
		var out []error
		for _, e := range j.Unwrap() {
			out = append(out, split(e)...)
		}
		return out
	}
	return []error{err}
}

func place(s *machine.Sensor) string {
	if s.Address == 0 {
		return s.Bus
	}
	return fmt.Sprintf("%s %#02x/%d", s.Bus, s.Address, s.Input)
}

// safeOutputsCmd drives every output of a machine low. It is what the service manager runs behind the daemon, however that ended.
type safeOutputsCmd struct {
	Config string `help:"Configuration file (TOML)." type:"path" default:"/etc/trivet/trivet.toml"`
}

// Run claims each line low and lets it go. A line that somebody else holds is named: then that program is still there.
func (c *safeOutputsCmd) Run(e *env) error {
	s := serveCmd{Config: c.Config}
	conf, err := s.settings()
	if err != nil {
		return err
	}
	if conf.Station == nil || conf.Sim != nil {
		fmt.Fprintln(e.out, "no real machine is configured: there are no outputs")
		return nil
	}
	f, err := conf.machineFile()
	if err != nil {
		return err
	}
	n, err := f.AllOff(realBuses{})
	fmt.Fprintf(e.out, "%d outputs are low\n", n)
	return err
}
