package bench

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"trivet/control/full"
	"trivet/process/unit"
	"trivet/safety"
	"trivet/sim/catalog"
	"trivet/sim/fault"
	"trivet/station"
)

// Cell is one run of the fault table: a case in one phase, on one board.
type Cell struct {
	Case  fault.Case
	Phase fault.Phase
	Board string
	Seed  int64
}

// CellResult is what came of it.
type CellResult struct {
	ID        string   `json:"id"`
	Hazard    string   `json:"hazard"`
	Phase     string   `json:"phase"`
	Board     string   `json:"board"`
	Seed      int64    `json:"seed"`
	Class     string   `json:"class"`
	AllowedS  *float64 `json:"allowed_s"`  // null where the class is not about time
	ReactionS *float64 `json:"reaction_s"` // fault to every relay and heat-enable low; null when that did not happen or was not asked
	First     string   `json:"first"`      // what was named first
	Alarms    []string `json:"alarms"`     // raised after the fault, in the order of their coming
	AboveC    float64  `json:"above_c"`    // most that any true temperature was above its limit; negative when all stayed below
	Of        string   `json:"of"`         // which
	Wrong     []string `json:"wrong"`      // what is not as the table says; empty when all is
}

// FaultBoards are the boards that the table is run on, with the profile that fits each: light to heavy, and both solders.
func FaultBoards() []string {
	return []string{"thin-4-layer", "switch-16-layer", "handset-10-layer", "relay-8-tin-lead", "server-24-layer"}
}

func profileFor(board string) string {
	switch board {
	case "thin-4-layer", "handset-10-layer", "lamp-aluminium":
		return "removal-small-lead-free"
	case "relay-8-tin-lead":
		return "removal-tin-lead"
	}
	return "removal-heavy-lead-free"
}

// Cells lists every cell of the table on the given boards.
func Cells(boards []string, seed int64) []Cell {
	var out []Cell
	for _, b := range boards {
		for _, c := range fault.Cases() {
			for _, p := range fault.Phases() {
				if _, ok := c.In[p]; ok && c.Shown == "" {
					out = append(out, Cell{c, p, b, seed})
				}
			}
		}
	}
	return out
}

// Allowances on plant truth (invariant I-26): stored heat, and the steepest rise of a joint at full power, computed for this project.
const (
	storedHeat  = 5.0   // K
	fullSlope   = 0.9   // K/s
	elementMost = 700.0 // °C, what an element's insulation stands
	cellLongest = 20 * time.Minute
	afterDark   = 12 * time.Second // stored heat has come out by then
)

// cell is one run under way.
type cell struct {
	c       Cell
	want    fault.Expect
	b       *Bench
	parts   Parts
	line    *fault.Timeline
	snap    station.Snapshot
	res     CellResult
	now     time.Duration
	asked   bool
	begun   time.Duration
	ended   time.Duration
	on      bool // the fault is there
	at      time.Duration
	lit     time.Duration // until when anything was on
	ticked  time.Duration // when the last tick was through
	thinker thinker
	each    []placed // the faults; but for pairs and more there is one
	broke   error
	open    time.Duration
	seen    map[string]bool
}

// placed is one fault of a run.
type placed struct {
	c      fault.Case
	phase  fault.Phase
	want   fault.Expect
	on     bool // it is there, or has been
	at     time.Duration
	counts int // ticks of the kind its class counts in
}

// RunCell runs one cell on virtual time. A fault that cannot be put on, or whose phase the run never reaches, is an error.
func RunCell(ctx context.Context, c Cell) (*CellResult, error) {
	if c.Case.Shown != "" {
		return nil, fmt.Errorf("%s cannot be injected at the machine's lines; it is shown by %s", c.Case.ID, c.Case.Shown)
	}
	want, ok := c.Case.In[c.Phase]
	if !ok {
		return nil, fmt.Errorf("%s is not tried in phase %q; allowed are %s", c.Case.ID, c.Phase, phasesOf(&c.Case))
	}
	w := &cell{c: c, want: want, seen: map[string]bool{}, each: []placed{{c: c.Case, phase: c.Phase, want: want}}}
	if err := w.prepare(); err != nil {
		return nil, err
	}
	for !w.done() {
		if w.snap.Seq%512 == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		w.tick()
		if w.broke != nil {
			return nil, fmt.Errorf("%s: %w", c.Case.ID, w.broke)
		}
	}
	if !w.on {
		return nil, fmt.Errorf("%s: the run on %s never reached phase %q (it ended %s %s), so nothing was injected", c.Case.ID, c.Board, c.Phase, w.snap.State, w.snap.Ended.Code)
	}
	w.judge()
	return &w.res, nil
}

func phasesOf(c *fault.Case) string {
	var out []string
	for _, p := range fault.Phases() {
		if _, ok := c.In[p]; ok {
			out = append(out, string(p))
		}
	}
	return strings.Join(out, ", ")
}

func (w *cell) prepare() error {
	c := &w.c
	s := catalog.Scenario{Name: c.Case.ID, Machine: "bench-5kw", Board: c.Board, Profile: profileFor(c.Board), Seed: c.Seed, AmbientC: 25, Law: w.law(),
		Proof: w.somewhere(fault.Before) || w.somewhere(fault.Proof)}
	p := Parts{Scenario: s}
	var err error
	if p.Machine, err = catalog.Machine(s.Machine); err != nil {
		return err
	}
	if p.Board, err = catalog.Board(s.Board); err != nil {
		return err
	}
	if p.Profile, err = catalog.Profile(s.Profile); err != nil {
		return err
	}
	inside := rand.New(rand.NewPCG(uint64(c.Seed), 0x6661756c74)).Float64() // the same moment for all
	var list []fault.Fault
	for i := range w.each {
		e := &w.each[i]
		if e.c.Fault.Kind == "board_other" {
			if err := p.exchange(e.c.Fault.With); err != nil {
				return err
			}
		}
		f, err := e.c.At(e.phase, inside, float64(p.Profile.Alloy.Liquidus))
		if err != nil {
			return err
		}
		list = append(list, f)
	}
	w.parts, w.line = p, fault.NewTimeline(list)
	if w.b, err = Assemble(p, 1); err != nil {
		return err
	}
	w.b.options.Publish = func(s *station.Snapshot) { w.snap = *s }
	w.b.Rig.OnHang = w.hang
	w.b.Station, err = station.New(w.b.options)
	w.thinker.law, _ = w.b.options.Law.(*full.Law)
	w.thinker.station = w.b.Station
	w.res = CellResult{ID: c.Case.ID, Hazard: c.Case.Hazard, Phase: string(c.Phase), Board: c.Board, Seed: c.Seed, Class: string(w.want.Class),
		Alarms: []string{}, Wrong: []string{}, AboveC: -1000}
	if s, ok := w.want.Class.Seconds(); ok {
		w.res.AllowedS = &s
	}
	return err
}

// law is the law that steers the run: the first that a row asks for.
func (w *cell) law() string {
	for i := range w.each {
		if l := w.each[i].c.Law; l != "" {
			return l
		}
	}
	return "cascade"
}

// somewhere reports whether a fault is put on in phase p.
func (w *cell) somewhere(p fault.Phase) bool {
	return slices.ContainsFunc(w.each, func(e placed) bool { return e.phase == p })
}

// exchange puts another board on the machine than the run is about; everybody goes on believing in the first.
func (p *Parts) exchange(name string) error {
	believed := p.Board
	p.Believed = &believed
	var err error
	p.Board, err = catalog.Board(name)
	return err
}

// tick is one tick of machine, fault, people and station.
func (w *cell) tick() {
	w.now = max(w.now+station.Period, w.b.Rig.Now()) // a tick that was held up is not caught up with
	w.b.Rig.Advance(w.now)
	m := fault.Moment{SinceStart: -1, Joint: float64(w.b.Rig.Plant.Truth().ColdestJoint), Phase: string(w.snap.Phase)}
	if !w.asked {
		m.Phase = "idle"
	}
	w.line.Step(w.now, m, func(i int, f *fault.Fault, on bool) {
		if f.Kind != "board_other" { // that one lies there already
			if err := w.b.Rig.Apply(*f, on); err != nil {
				w.broke = err
			}
		}
		if w.each[i].on, w.each[i].at = true, w.now; !w.on {
			w.on, w.at = true, w.now
		}
	})
	w.people()
	w.b.Station.Tick(w.now, 0)
	w.thinker.after(w.now)
	w.ticked = w.b.Rig.Now()
	if w.on {
		w.watch()
	}
	if w.begun > 0 && !w.snap.State.Live() && w.ended == 0 {
		w.ended = w.now
	}
}

// people start the run, and lift the part late in the window.
func (w *cell) people() {
	start := warmUp
	if w.somewhere(fault.Idle) {
		start = 10 * time.Second
	}
	if w.now >= start && !w.asked {
		w.asked = true
		order := &station.RunOrder{Kind: w.parts.Profile.Kind, Profile: w.parts.Profile, Board: w.parts.Board.Title, By: "bench", Proof: w.parts.Scenario.Proof}
		w.post(station.Command{Event: station.Start, Order: order, By: "bench"}, func(err error) {
			if r, ok := err.(*station.Refusal); ok {
				w.res.First, w.ended = r.Code, w.now
				for _, p := range station.PermissivesNow(&w.b.Setup.Limits, &w.snap.Facts) {
					if r.Code == "not_ready" && !p.Holds {
						w.res.First = p.Code
						break
					}
				}
				return
			}
			w.begun = w.now
		})
	}
	if !w.snap.Lift.Open {
		w.open = 0
	} else if w.open += station.Period; w.open > 20*time.Second && !w.snap.Lift.Confirmed {
		w.post(station.Command{Event: station.Lifted, By: "bench"}, func(error) {})
	}
}

func (w *cell) post(c station.Command, reply func(error)) {
	if err := w.b.Station.Post(c, reply); err != nil {
		w.broke = err
	}
}

// hang is called while the loop waits for a bus. The safety goroutine does not: after so long without a completed tick it acts.
func (w *cell) hang() {
	now := w.b.Rig.Now()
	if w.lights() {
		w.lit = now
	}
	if now-w.ticked > safety.MaxLate {
		w.b.Keeper.Silence()
	}
}

// lights reports whether a relay line or heat-enable is high.
func (w *cell) lights() bool {
	lit := bool(w.b.Rig.Enable.Level())
	for _, r := range w.b.Rig.Relays {
		lit = lit || bool(r.Level())
	}
	return lit
}

// count counts the tick if it is one of those that the class of the fault counts in.
func (e *placed) count(w *cell) {
	f := &e.c.Fault
	if !e.on || !byTicks(f.Kind) || !w.snap.State.Heats() {
		return
	}
	for i, r := range w.b.Rig.Relays {
		if w.b.Rig.Names[i] == f.Target && bool(r.Level()) == countsDrive(f.Kind) {
			e.counts++
		}
	}
}

// watch looks at the lines and at plant truth after the tick.
func (w *cell) watch() {
	for k := range w.each {
		w.each[k].count(w)
	}
	if w.lights() {
		w.lit = w.now + station.Period
	}
	for i := range w.snap.NAlarms {
		code := safety.Rows()[w.snap.Alarms[i].Row].Code
		if a := &w.snap.Alarms[i]; a.At >= w.at && !w.seen[code] {
			w.seen[code] = true
			w.res.Alarms = append(w.res.Alarms, code)
		}
	}
	t := w.b.Rig.Plant.Truth()
	above := func(name string, c, limit unit.Celsius) {
		if limit > 0 && float64(c-limit) > w.res.AboveC {
			w.res.AboveC, w.res.Of = float64(c-limit), name
		}
	}
	body := bodyCeiling
	if b := w.parts.Profile.BodyLimit; b > 0 {
		body = min(body, b)
	}
	above("joint", t.HottestJoint, jointCeiling)
	above("package top", t.PackageTop, body)
	above("board", t.BoardMax, boardCeiling)
	above("neighbour", t.Neighbour, neighbourCeiling)
	above("element", max(t.ElementTop, t.ElementBottom), elementMost)
}

// countsDrive reports whether a fault can only be seen in ticks of drive; byTicks, whether its time is counted in such ticks at all.
func countsDrive(k fault.Kind) bool { return k == "relay_stuck_off" || k == "sense_stuck_off" }

func byTicks(k fault.Kind) bool {
	return countsDrive(k) || k == "relay_stuck_on" || k == "sense_stuck_on" || k == "relay_half_stuck"
}

// done reports whether enough has been seen.
func (w *cell) done() bool {
	switch {
	case w.now >= cellLongest:
		return true
	case w.ended > 0 && w.now-w.ended > afterDark && (w.on && w.now-w.at > afterDark || w.now-w.ended > 2*afterDark):
		return true
	case !w.on:
		return false
	}
	since := w.now - w.at
	if s, ok := w.want.Class.Seconds(); ok {
		if byTicks(w.c.Case.Fault.Kind) && w.snap.State.Live() && float64(w.each[0].counts)*station.Period.Seconds() <= s {
			return false // nothing could show it yet
		}
		return w.now-max(w.lit, w.at) > afterDark || since.Seconds() > 20*s+60
	}
	return w.want.Class == fault.Told && w.begun > 0 && since > 25*time.Second && w.now-w.begun > 25*time.Second
}
