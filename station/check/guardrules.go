package check

import (
	"time"

	"trivet/safety"
)

// judge asks every property of the guard alone. tripped is what FirstOut says.
func (g *GuardAlone) judge(a *guardAct, tripped bool) string {
	d, s, v := &g.drive, &g.seen, &g.v
	heat := v.Allow != 0
	armed := d.armed || d.testing
	cut := armed && (d.opened[estop] || d.opened[door] || d.long || a.late > safety.MaxLate) || d.opened[limiter] || d.bad || d.silent || a.still
	blind, lost := false, false
	for i := range nSensors {
		blind = blind || d.sensor[i] == open
		lost = lost || s.bad[i] >= lostAfter
	}
	two := s.over[0] >= 2 || s.over[1] >= 2 || s.over[2] >= 2
	for _, p := range []struct {
		name string
		ok   bool
	}{
		{"guard: only heaters there can be", v.Allow&^safety.All == 0},
		{"guard: the verdict says tripped exactly while a trip is latched", v.Tripped == tripped},
		{"guard: nothing is allowed while tripped", implies(v.Tripped, !heat)},
		{"guard: nothing is allowed at rest", implies(!armed, !heat)},
		{"guard: a test may have the relays it asks for and no other", implies(d.testing, v.Allow&^d.relays == 0)},
		{"guard: a condition of class R0 takes heat and trips in the same tick", implies(cut, !heat && v.Tripped)},
		{"guard: a board-side ceiling takes all heat in the same tick", implies(s.over[joint] > 0 || s.over[top] > 0, !heat)},
		{"guard: a nozzle's ceiling takes its own heater in the same tick", implies(s.over[nozzle] > 0, !v.Allow.Has(0))},
		{"guard: two samples at a ceiling trip", implies(two, v.Tripped)},
		{"guard: a lost sensor takes heat and trips in its time", implies(armed && lost, !heat && v.Tripped)},
		{"guard: heat is held from the first bad sample", implies(armed && blind, v.Hold)},
		{"guard: heat is held while extraction is missing", implies(armed && d.opened[extract], v.Hold)},
		{"guard: no air heater without a second of air", implies(!d.testing && v.Allow.Has(0), s.flow && s.air >= time.Second)},
		{"guard: air counts as proven only after a second of it", implies(v.Proven[0], s.flow && s.air >= time.Second)},
		{"guard: ready only with every contact closed and every sensor read", implies(v.Ready, d.opened == [nInterlocks]bool{} && !blind)},
	} {
		if !p.ok {
			return p.name
		}
	}
	return ""
}

// Reset implements System.
func (g *GuardAlone) Reset() { g.first.restore() }

// Moves implements System.
func (g *GuardAlone) Moves() []string {
	var out []string
	for _, a := range g.acts {
		out = append(out, a.name)
	}
	return out
}

// Able implements System: a move must change something.
func (g *GuardAlone) Able(m int) bool {
	if g.acts[m].set == nil {
		return true
	}
	next := g.drive
	g.acts[m].set(&next)
	return next != g.drive
}

// Do implements System.
func (g *GuardAlone) Do(m int) string {
	a := &g.acts[m]
	if a.set != nil {
		a.set(&g.drive)
	}
	if p := g.tick(a); p != "" {
		return p
	}
	for range a.ticks - 1 {
		if p := g.tick(&guardAct{}); p != "" {
			return p
		}
	}
	return ""
}

// Save implements System.
func (g *GuardAlone) Save() { g.slot.save() }

// Restore implements System.
func (g *GuardAlone) Restore() { g.slot.restore() }

// Key implements System.
func (g *GuardAlone) Key() uint64 { return g.keyer.key(g.now) }

// Ticks implements System.
func (g *GuardAlone) Ticks() int { return g.ticks }

// Roots implements System.
func (g *GuardAlone) Roots() [][]string {
	return [][]string{{}, {"air proof lies", "wait 2.5 s"}, {"armed, air on", "wait 2.5 s"}, {"armed, air on", "wait 2.5 s", "door moves", "door moves"}, {"armed, air on", "wait 2.5 s", "extraction moves"}}
}

// Probe asks whether the guard can be cleared: every fact put right, at rest, a reset by name (invariant I-25).
func (g *GuardAlone) Probe() string {
	g.drive = drive{}
	for range 24 {
		if p := g.tick(&guardAct{}); p != "" {
			return p
		}
	}
	if p := g.tick(&guardAct{reset: 1}); p != "" {
		return p
	}
	if g.v.Tripped || !g.v.Ready {
		return "guard: everything put right and reset, and yet not ready"
	}
	return ""
}
