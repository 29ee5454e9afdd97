// Command first is the first program of the guest: it mounts, loads modules, makes the machine, lets the program under test drive it
// through device nodes, and tells what the kernel has seen. It never touches a line that the program owns.
package main

import (
	"fmt"
	"os"
	"strings"
	"time"

	"trivet/cmd/trivet/machine"
	"trivet/process/unit"
	"trivet/sim/catalog"
	"trivet/sim/guest"
	"trivet/sim/guest/witness"
	"trivet/sim/guest/world"
)

const (
	machineFile = "/etc/trivet/machine.toml"
	board       = "switch-16-layer"
	room        = 23.0 // °C
	seed        = 7
)

func main() {
	defer restart()
	t := &teller{took: map[string][]time.Duration{}}
	fed, err := all(t)
	if err != nil {
		t.check(false, "the rig comes to its end", err.Error())
	}
	fmt.Println(guest.Done(t.checks, t.failed))
	if err == nil {
		fmt.Println("watchdog:", unfed(fed))
	}
}

// teller tells the host what came out and counts it.
type teller struct {
	checks, failed int
	took           map[string][]time.Duration // from each strike to the heater lines low
}

func (t *teller) check(ok bool, promise, seen string) {
	t.checks++
	if !ok {
		t.failed++
	}
	fmt.Println(guest.Check(ok, promise, seen))
}

func (t *teller) figure(name, value string) { fmt.Println(guest.Figure(name, value)) }

// stage is what the checks play on.
type stage struct {
	file  *machine.File
	world *world.World
	asked map[string]string
}

// all does everything but the last act, and leaves behind a program that feeds the watchdog.
func all(t *teller) (*daemon, error) {
	for _, prepare := range []func() error{mount, insert, loopback, watch} {
		if err := prepare(); err != nil {
			return nil, err
		}
	}
	s, err := newStage()
	if err != nil {
		return nil, err
	}
	t.figure("guest time to a machine that runs", monotonic().Round(time.Millisecond).String())
	if err := t.nodes(s); err != nil {
		return nil, err
	}
	if err := t.lines(s, "drivers alone"); err != nil {
		return nil, err
	}
	if err := t.program(s); err != nil {
		return nil, err
	}
	fed, err := t.watchdog(s)
	if err != nil {
		return nil, err
	}
	t.figure("slowest step of the simulated machine", s.world.Look().Slowest.String())
	return fed, s.world.Close()
}

// lines asks the witness how the outputs came to life, and whether they stayed outputs; then it begins a new trace.
func (t *teller) lines(s *stage, who string) error {
	events, err := seen()
	if err != nil {
		return err
	}
	outs := s.outputs()
	n, first := witness.Inputs(events, outs)
	seenFirst := ""
	if n > 0 {
		seenFirst = fmt.Sprintf(", first %+v", first)
	}
	t.check(n == 0, who+": no output ever becomes an input", fmt.Sprintf("%d times in %d calls to lines%s", n, len(events), seenFirst))
	b := witness.Began(events, outs)
	t.check(b.Taken == len(outs) && b.LowFirst == b.Taken, who+": every output is taken low, without a pulse", fmt.Sprintf("%d of %d taken, %d of them low", b.Taken, len(outs), b.LowFirst))
	return keep()
}

func newStage() (*stage, error) {
	data, err := os.ReadFile(machineFile)
	if err != nil {
		return nil, err
	}
	s := &stage{asked: asked()}
	if s.file, err = machine.Parse(machineFile, data); err != nil {
		return nil, err
	}
	b, err := catalog.Board(board)
	if err != nil {
		return nil, err
	}
	if s.world, err = world.New(s.file, b, unit.Celsius(room), seed); err != nil {
		return nil, err
	}
	s.world.Run()
	return s, nil
}

// profile is what is run: a short hot one is not needed, because each act ends its run after some seconds of heat.
func (s *stage) profile() string { return "removal-heavy-lead-free" }

// Forms of the rig: the ways in which heat must end; these and a whole removal; commissioning.
const (
	formShort      = "short"
	formFull       = "full"
	formCommission = "commission"
)

func (s *stage) form() string {
	if f := s.asked["form"]; f != "" {
		return f
	}
	return formShort
}

// law steers: the one that a station has by default, unless the plain one is asked for.
func (s *stage) law() string {
	if l := s.asked["law"]; l != "" {
		return l
	}
	return "full"
}

// numbers returns the kernel's numbers of lines.
func (s *stage) numbers(names ...string) witness.Lines {
	out := witness.Lines{}
	for _, n := range names {
		_, line, _ := strings.Cut(n, "/")
		if l := s.world.Bank.Line(line); l != nil {
			out[l.Number] = true
		}
	}
	return out
}

// heaters are the relay lines.
func (s *stage) heaters() witness.Lines {
	var names []string
	for _, h := range s.file.Wiring.Heaters {
		names = append(names, h.Output)
	}
	return s.numbers(names...)
}

// outputs are all lines that the program drives.
func (s *stage) outputs() witness.Lines {
	w := &s.file.Wiring
	names := []string{w.HeatEnable, w.Heartbeat}
	for _, b := range w.Blowers {
		names = append(names, b.Output)
	}
	if w.Fan != nil {
		names = append(names, w.Fan.Output)
	}
	out := s.numbers(names...)
	for n := range s.heaters() {
		out[n] = true
	}
	return out
}
