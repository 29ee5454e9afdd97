package bench

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"trivet/control"
	"trivet/process/unit"
	"trivet/station"
)

// The plain laws are measured against loops that nobody here wrote: a general PID library under node, pinned in
// testdata/outside, in both places where the plain laws have a PID. What is not a PID is the same on both sides: the plant, the
// station, the joint's filter, the budget, the relays, how top air stays back from a hot part, and the tuning rule.

// outsideDir is where the library is pinned, as seen from this package.
const outsideDir = "../../testdata/outside"

// installed puts the pinned library into a directory of its own and returns the script that plays it. Where node, npm or
// the package cannot be had the test is skipped, and says what is missing.
func installed(t *testing.T) string {
	t.Helper()
	for _, tool := range []string{"node", "npm"} {
		if _, err := exec.LookPath(tool); err != nil {
			lacking(t, tool+" is not installed")
		}
	}
	dir := t.TempDir()
	for _, name := range []string{"package.json", "package-lock.json", ".npmrc", "loops.js"} {
		data, err := os.ReadFile(filepath.Join(outsideDir, name))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, "npm", "ci", "--prefer-offline", "--ignore-scripts", "--no-audit", "--no-fund", "--loglevel=error")
	cmd.Dir = dir
	if text, err := cmd.CombinedOutput(); err != nil {
		lacking(t, fmt.Sprintf("node-pid-controller cannot be installed: %v\n%s", err, text))
	}
	return filepath.Join(dir, "loops.js")
}

// lacking skips the test on a desk and fails it in CI.
func lacking(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatalf("%s; in CI the comparison with an outside PID must run", what)
	}
	t.Skipf("%s: THE COMPARISON WITH AN OUTSIDE PID IS LEFT OUT", what)
}

// player is the script at work, one process for each run.
type player struct {
	cmd  *exec.Cmd
	in   io.WriteCloser
	out  *bufio.Scanner
	fail error // the first thing that went wrong; from then on every output is 0
}

func play(ctx context.Context, script string) (*player, error) {
	p := &player{cmd: exec.CommandContext(ctx, "node", script)}
	p.cmd.Stderr = os.Stderr
	var err error
	if p.in, err = p.cmd.StdinPipe(); err != nil {
		return nil, err
	}
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	p.out = bufio.NewScanner(out)
	return p, p.cmd.Start()
}

// close ends the process and returns what went wrong while it ran.
func (p *player) close() error {
	err := p.in.Close()
	if e := p.cmd.Wait(); err == nil {
		err = e
	}
	if p.fail != nil {
		return p.fail
	}
	return err
}

// ask sends one line and waits for n numbers.
func (p *player) ask(order any, n int) []float64 {
	none := make([]float64, n)
	if p.fail != nil {
		return none
	}
	line, err := json.Marshal(order)
	if err == nil {
		_, err = p.in.Write(append(line, '\n'))
	}
	var got []float64
	switch {
	case err != nil:
	case !p.out.Scan():
		err = fmt.Errorf("outside PID: no answer: %w", p.out.Err())
	default:
		if err = json.Unmarshal(p.out.Bytes(), &got); err == nil && len(got) != n {
			err = fmt.Errorf("outside PID: %d numbers, want %d", len(got), n)
		}
	}
	if err != nil {
		p.fail = err
		return none
	}
	return got
}

// outsideLoop is one loop of the library: the parallel form, u = kp·e + ki·∫e dt + kd·de/dt.
type outsideLoop struct {
	Kp   float64 `json:"kp"`
	Ki   float64 `json:"ki"`
	Kd   float64 `json:"kd"`
	Most float64 `json:"most"` // what the integral part may reach to either side
}

// inParallel turns a series PID into the library's form (Åström and Hägglund 1995, from memory). most is the range of its output.
func inParallel(kc, ti, td, most float64) outsideLoop {
	return outsideLoop{Kp: kc * (1 + td/ti), Ki: kc / ti, Kd: kc * td, Most: most}
}

// outside is a station law around the library's loops.
//
// As "pid" there is one loop for each heater, all on the joint, all with the numbers of our own single PID. As "cascade" there is
// a loop for each heater on its own thermocouple and one more on the joint that moves their set-points, with the numbers of our
// own bare cascade; what a heater needs to stay where it is told is added as it is there.
type outside struct {
	cfg     control.Config
	player  *player
	loops   []outsideLoop
	cascade bool

	cooling *control.Bare    // fans after the heat; of its loops nothing is used
	share   control.Schedule // relays under the budget
	joint   float64          // filtered as in our own laws, °C
	seen    bool
	heating bool
	last    time.Duration
	kept    [control.MaxZones]float64
}

func newOutside(c control.Config, p *player, joint outsideLoop, cascade bool) *outside {
	o := &outside{cfg: c, player: p, cascade: cascade, cooling: control.NewBare(c)}
	o.share = control.Schedule{Zones: c.Zones, Budget: float64(c.Budget), Steps: make([]control.ScheduleStep, 1)}
	for _, z := range c.Zones {
		if cascade {
			o.loops = append(o.loops, outsideLoop{Kp: z.Kp, Ki: z.Kp / z.Ti, Most: 1})
		} else {
			o.loops = append(o.loops, joint)
		}
	}
	if cascade {
		o.loops = append(o.loops, joint)
	}
	return o
}

func (o *outside) Begin() {
	o.cooling.Begin()
	o.share.Begin()
	o.seen, o.heating = false, false
}

// Transfer does nothing: the library offers no way to set what its integral holds. No run here is held.
func (o *outside) Transfer(*control.Inputs) {}

func (o *outside) Step(now time.Duration, in *control.Inputs, out *control.Outputs) {
	if dt := (now - o.last).Seconds(); dt > 0 && dt <= 1 {
		o.filter(dt, in)
	}
	o.last = now
	if !in.Heat || in.Plan == nil || !o.seen {
		o.heating = false
		o.cooling.Step(now, in, out)
		o.kept = out.Duty
		return
	}
	if !o.heating {
		o.heating = true
		o.player.ask(map[string]any{"dt": station.Period.Seconds(), "loops": o.loops}, 0)
	}
	var set [control.MaxZones]unit.Celsius
	duty := &o.share.Steps[0].Duty
	if o.cascade {
		o.through(in, duty, &set)
	} else {
		o.alone(in, duty)
	}
	for i := range o.cfg.Zones {
		duty[i] = math.Max(0, math.Min(1, duty[i]))
		if in.Keep {
			duty[i] = math.Min(duty[i], o.kept[i])
		}
	}
	o.share.Step(now, in, out)
	out.Set, o.kept = set, out.Duty
}

func (o *outside) filter(dt float64, in *control.Inputs) {
	if y, ok := in.Joint.Temp(); ok {
		if !o.seen {
			o.joint, o.seen = float64(y), true
		}
		o.joint += dt / (o.cfg.Tuning.Filter + dt) * (float64(y) - o.joint)
	}
}

// back is how far top air stays back for the package top, K, as in our own laws.
func (o *outside) back(in *control.Inputs) float64 {
	if b, ok := in.Body.Temp(); ok && in.BodyTop > 0 {
		return math.Max(0, o.cfg.Tuning.BodyBack*float64(b-in.BodyTop))
	}
	return 0
}

// alone is one loop for each heater on the joint.
func (o *outside) alone(in *control.Inputs, duty *[control.MaxZones]float64) {
	target := float64(in.Plan.At(in.Profile).Target)
	turns := make([][3]float64, len(o.cfg.Zones))
	for i := range turns {
		turns[i] = [3]float64{float64(i), target, o.joint}
	}
	for i, u := range o.player.ask(turns, len(turns)) {
		// Limited before top air is held back, as in our own: what is taken away is taken from what was given.
		duty[i] = math.Max(0, math.Min(1, u))
		if o.cfg.Zones[i].Kind == control.TopAir {
			duty[i] -= o.back(in) * o.cfg.Zones[i].Kp
		}
	}
}

// through is the cascade: the joint's loop moves the set-points, each heater's own loop holds it there.
func (o *outside) through(in *control.Inputs, duty *[control.MaxZones]float64, set *[control.MaxZones]unit.Celsius) {
	t := &o.cfg.Tuning
	target := in.Plan.At(in.Profile).Target
	trim := o.player.ask([][3]float64{{float64(len(o.cfg.Zones)), float64(target), o.joint}}, 1)[0]
	trim = math.Max(-t.MaxTrim, math.Min(t.MaxTrim, trim))
	var turns [][3]float64
	for i, z := range o.cfg.Zones {
		own := trim
		switch z.Kind {
		case control.Area:
			own *= t.AreaShare
		case control.TopAir:
			own -= o.back(in)
		}
		set[i] = max(o.cfg.Ambient, min(target.Plus(unit.Kelvin(own)), z.Ceiling))
		y, ok := in.Heaters[i].Temp()
		if !ok {
			y = set[i] // a silent thermocouple is no error
		}
		turns = append(turns, [3]float64{float64(i), float64(set[i]), float64(y)})
	}
	for i, u := range o.player.ask(turns, len(turns)) {
		duty[i] = o.stays(i, set[i]) + u
	}
}

// stays is the duty at which heater i stays at c, by the machine's step test.
func (o *outside) stays(i int, c unit.Celsius) float64 {
	z := &o.cfg.Zones[i]
	if z.Kind == control.Area {
		return (math.Pow(c.Absolute(), 4) - math.Pow(o.cfg.Ambient.Absolute(), 4)) / z.Gain
	}
	return float64(c-o.cfg.Ambient) / z.Gain
}
