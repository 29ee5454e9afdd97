package bench

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"trivet/control"
	"trivet/control/ident"
	"trivet/process"
	"trivet/process/unit"
	"trivet/sim/plant"
)

// Sample is a machine as described, with one board on it that stands for all: where laws that know no board get their
// numbers. Tests on it are those a person could do: steps of drive, and trial runs of a table.
type Sample struct {
	Machine plant.Machine
	Board   plant.Board
	zones   []control.Zone
	failed  error
}

// sampleRoom is the room in which samples are heated, °C: the middle of what sweeps draw.
const sampleRoom = unit.Celsius(25)

// NewSample puts the median board on a machine.
func NewSample(m plant.Machine) (*Sample, error) {
	s := &Sample{Machine: m, Board: medianBoard()}
	zones, known, err := Loops(m)
	if err == nil && !known {
		zones, err = Commission(m, s.Board, sampleRoom)
	}
	s.zones = zones
	return s, err
}

// sample is NewSample with its error kept for the first use.
func (p Parts) sample() *Sample {
	s, err := NewSample(p.Machine)
	if err != nil {
		return &Sample{failed: err}
	}
	return s
}

// medianBoard is the most middling of 101 drawn boards: the one whose ranks by size, by heat capacity per area, by size of part
// and by its heat capacity are nearest the middle, in the sum of their squares. None of them is in any sweep: those
// count their boards from 1 up under seeds a person chooses, this draw has a stream of its own.
func medianBoard() plant.Board {
	const boards, seed, stream = 101, 2718, 1 << 62
	all := make([]plant.Board, boards)
	for i := range all {
		all[i] = plant.RandomBoard(rand.New(rand.NewPCG(seed, stream+uint64(i))))
	}
	off := make([]int, boards)
	order := make([]int, boards)
	for _, of := range []func(b *plant.Board) float64{
		func(b *plant.Board) float64 { return b.SizeX * b.SizeY },
		func(b *plant.Board) float64 { return LoadOf(*b).Board },
		func(b *plant.Board) float64 { return b.Package.SizeX * b.Package.SizeY },
		func(b *plant.Board) float64 { return LoadOf(*b).Part },
	} {
		for i := range order {
			order[i] = i
		}
		slices.SortStableFunc(order, func(i, k int) int { return cmp.Compare(of(&all[i]), of(&all[k])) })
		for rank, i := range order {
			off[i] += (rank - boards/2) * (rank - boards/2)
		}
	}
	return all[slices.Index(off, slices.Min(off))]
}

// Where steps are made: with the joint at rest in the middle of a removal. They are small, because radiation makes the gain fall with
// the third power of temperature. The second is recorded for 200 s only: later the deck and the far ends of the board
// creep, which a first-order model can only explain by giving up its dead time, and with it the loop's margin.
const (
	restDuty, stepDuty, dutyLasts = 0.42, 0.03, 1200 // of rated power; s recorded
	restLift, stepLift, liftLasts = 60.0, 20.0, 200  // K above restJoint; s recorded
	restJoint                     = unit.Celsius(200)
	restsFor                      = 3000 // s until all is at rest: ten time constants of a board
)

// areaTwice is how much further above the joint than the air the area heaters are kept where nobody knows the board: they carry most
// of it, from further away. A rule of thumb, no source. With less the air does their work, and lids reach their limit.
const areaTwice = 2

// TuneSingle finds the three numbers of a single PID: a step of all duties together, a model fitted to the joint's answer, SIMC
// with τc = θ, the tightest the rule recommends.
func (s *Sample) TuneSingle() (control.SingleTuning, error) {
	m, err := s.SingleModel()
	if err != nil {
		return control.SingleTuning{}, err
	}
	t, err := m.Tune()
	if err != nil {
		return control.SingleTuning{}, fmt.Errorf("pid: %w", err)
	}
	return control.SingleTuning{Kc: t.PID.Kc, Ti: t.PID.Ti, Td: t.PID.Td}, nil
}

// SingleModel fits the joint's answer to a step of every duty together. Its gain is in K per duty.
func (s *Sample) SingleModel() (ident.Model, error) {
	return remember(s, "pid", func() (ident.Model, error) {
		return s.step(restDuty, stepDuty, dutyLasts, func(u float64, _ *plant.Plant, d *plant.Drive) {
			for i := range s.zones {
				d.Heater[i] = u
			}
		})
	})
}

// TuneBare finds the outer loop of a cascade without feed-forward in the same way, by a step of all set-points together; the
// loops below it are those of the machine's own step test. PI, because the derivative in a cascade only amplified noise
// (control study).
func (s *Sample) TuneBare() (control.Tuning, error) {
	out := control.DefaultTuning()
	m, err := s.BareModel()
	if err != nil {
		return out, err
	}
	t, err := m.Tune()
	if err != nil {
		return out, fmt.Errorf("cascade-pid: %w", err)
	}
	out.Kc, out.Ti = t.PI.Kc, t.PI.Ti
	out.AreaShare = areaTwice
	out.MaxTrim = float64(areaMost) // heaters' own ceilings are the limit
	return out, nil
}

// BareModel fits the joint's answer to a step of every set-point together, area heaters by twice as much. Its gain is in K per K.
func (s *Sample) BareModel() (ident.Model, error) {
	hold := newHolder(s.zones, sampleRoom)
	return remember(s, "cascade-pid", func() (ident.Model, error) {
		return s.step(restLift, stepLift, liftLasts, func(u float64, p *plant.Plant, d *plant.Drive) {
			for i, z := range s.zones {
				set := restJoint + unit.Celsius(u)
				if z.Kind == control.Area {
					set = restJoint + unit.Celsius(areaTwice*u)
				}
				hold.drive(p, i, set, d)
			}
		})
	})
}

// step lets the sample come to rest under u, makes a step, and fits a model to what the joint thermocouple shows.
func (s *Sample) step(u, more float64, lasts int, drive func(u float64, p *plant.Plant, d *plant.Drive)) (ident.Model, error) {
	if s.failed != nil {
		return ident.Model{}, s.failed
	}
	p, err := plant.New(s.Machine, s.Board, sampleRoom)
	if err != nil {
		return ident.Model{}, err
	}
	const before = 60 // s recorded at rest
	d := plant.Drive{Mains: 1, Blower: [2]float64{1, 1}}
	var rec ident.Step
	for k := range restsFor + lasts {
		in := u
		if k >= restsFor {
			in += more
		}
		if k >= restsFor-before {
			rec.Time, rec.Input, rec.Temp = append(rec.Time, float64(k)), append(rec.Input, in), append(rec.Temp, p.Sensed(plant.Corner))
		}
		for range 10 {
			drive(in, p, &d)
			p.Step(100*time.Millisecond, d)
		}
	}
	return ident.FitStep(rec)
}

// holder holds heaters of a bare plant at set-points with the loops of the machine.
type holder struct {
	zones []control.Zone
	pi    [control.MaxZones]control.PI
	room  unit.Celsius
}

func newHolder(zones []control.Zone, room unit.Celsius) *holder {
	h := &holder{zones: zones, room: room}
	for i, z := range zones {
		h.pi[i] = control.PI{Kp: z.Kp, Ti: z.Ti}
	}
	return h
}

// drive sets the duty of heater i for the coming 100 ms.
func (h *holder) drive(p *plant.Plant, i int, set unit.Celsius, d *plant.Drive) {
	z := &h.zones[i]
	spot := plant.NozzleTop + plant.Spot(i)
	if z.Kind == control.Area {
		spot = plant.Bank0 + plant.Spot(i-plant.FirstBank)
	}
	set = min(set, z.Ceiling)
	base := float64(set-h.room) / z.Gain
	if z.Kind == control.Area {
		base = (math.Pow(set.Absolute(), 4) - math.Pow(h.room.Absolute(), 4)) / z.Gain
	}
	d.Heater[i] = h.pi[i].Step(0.1, float64(set)-p.Sensed(spot), base, 0, 1, false, false)
}

// FindTable writes a zone table for a profile by a technician's rule of thumb: in every zone the air is a fixed number of
// kelvin above the joint's target and the area heaters twice that, on the way as at the end; the number is found by trial
// runs on the sample board until it just reaches the peak. Our own statement of common practice, no source.
func (s *Sample) FindTable(profile process.Profile) ([]control.Waypoint, error) {
	if s.failed != nil {
		return nil, s.failed
	}
	plan, err := process.NewPlan(unwaiting(profile), sampleRoom)
	if err != nil {
		return nil, err
	}
	return remember(s, fmt.Sprintf("table %+v", profile), func() ([]control.Waypoint, error) {
		lo, hi := 0.0, 150.0 // K; a bound that no machine described so far needs
		for hi-lo > 0.5 {
			lift := (lo + hi) / 2
			peak, err := s.trial(tableOf(plan, lift), plan)
			if err != nil {
				return nil, err
			}
			if peak < float64(profile.Peak()) {
				lo = lift
			} else {
				hi = lift
			}
		}
		return tableOf(plan, (lo+hi)/2), nil
	})
}

// tableOf is the table of a plan with the air lift K above the joint: one waypoint at the start, and two for every zone.
func tableOf(plan *process.Plan, lift float64) []control.Waypoint {
	at := func(t time.Duration, target unit.Celsius, lift float64) control.Waypoint {
		air := min(target.Plus(unit.Kelvin(lift)), airMost)
		return control.Waypoint{At: t, Top: air, Bottom: air, Area: min(target.Plus(unit.Kelvin(areaTwice*lift)), areaMost)}
	}
	out := []control.Waypoint{at(0, plan.Start(), 0)}
	for i, seg := range plan.Profile().Segments {
		if seg.Cool {
			break
		}
		begin := max(plan.HoldBegin(i), out[len(out)-1].At+time.Second)
		out = append(out, at(begin, seg.Target, lift))
		if end := plan.HoldEnd(i); end > begin {
			out = append(out, at(end, seg.Target, lift))
		}
	}
	return out
}

// trial heats the sample by a table and returns the highest reading of the joint, °C.
func (s *Sample) trial(path []control.Waypoint, plan *process.Plan) (float64, error) {
	p, err := plant.New(s.Machine, s.Board, sampleRoom)
	if err != nil {
		return 0, err
	}
	hold := newHolder(s.zones, sampleRoom)
	d := plant.Drive{Mains: 1, Blower: [2]float64{1, 1}}
	peak := 0.0
	k := 0
	for now := time.Duration(0); now < path[len(path)-1].At; now += 100 * time.Millisecond {
		for k+2 < len(path) && path[k+1].At <= now {
			k++
		}
		a, b := path[k], path[k+1]
		f := (now - a.At).Seconds() / (b.At - a.At).Seconds()
		for i, z := range s.zones {
			set := a.Top + unit.Celsius(f)*(b.Top-a.Top)
			if z.Kind == control.Area {
				set = a.Area + unit.Celsius(f)*(b.Area-a.Area)
			}
			hold.drive(p, i, set, &d)
		}
		p.Step(100*time.Millisecond, d)
		peak = max(peak, p.Sensed(plant.Corner))
	}
	return peak, nil
}

// unwaiting is a profile that goes by the clock alone.
func unwaiting(p process.Profile) process.Profile {
	p.Segments = slices.Clone(p.Segments)
	for i := range p.Segments {
		p.Segments[i].WaitWithin = 0
	}
	return p
}

// found keeps what samples have shown, because a sweep asks for the same again for each of its boards.
var found = struct {
	sync.Mutex
	by map[string]any
}{by: map[string]any{}}

// remember returns what make made for this machine and this question, making it once.
func remember[T any](s *Sample, what string, fresh func() (T, error)) (T, error) {
	if s.failed != nil {
		var none T
		return none, s.failed
	}
	key := fmt.Sprintf("%s %+v", what, s.Machine)
	found.Lock()
	defer found.Unlock()
	if v, ok := found.by[key].(T); ok {
		return v, nil
	}
	v, err := fresh()
	if err == nil {
		found.by[key] = v
	}
	return v, err
}
