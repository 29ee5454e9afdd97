package plant

import (
	"fmt"
	"math"
)

// Problem is one thing that is wrong with a description. Key is the TOML key, such as "bank[1].emissivity" (banks counted from 0).
type Problem struct{ Key, What string }

func (p Problem) String() string { return p.Key + ": " + p.What }

// checker collects problems. Its ranges are generous limits of what the model was built for, not of what is sensible.
type checker struct {
	prefix string
	found  []Problem
}

// in checks a number; written so that NaN fails.
func (c *checker) in(key string, v, lo, hi float64, unit string) {
	if !(v >= lo && v <= hi) {
		c.say(key, fmt.Sprintf("is %g, allowed %g…%g%s", v, lo, hi, unit))
	}
}

// orZero is in for keys that may be left out.
func (c *checker) orZero(key string, v, lo, hi float64, unit string) {
	if v != 0 && !(v >= lo && v <= hi) {
		c.say(key, fmt.Sprintf("is %g, allowed 0 or %g…%g%s", v, lo, hi, unit))
	}
}

func (c *checker) say(key, what string) { c.found = append(c.found, Problem{c.prefix + key, what}) }

// Validate returns everything that is wrong with the machine, nothing when it can be simulated.
func (m Machine) Validate() []Problem {
	c := &checker{}
	if m.Name == "" {
		c.say("name", "is missing, allowed any short name")
	}
	c.in("mains_budget_w", m.MainsBudgetW, 100, 20000, " W")
	c.head("top.", &m.Top)
	c.head("bottom.", &m.Bottom)
	c.prefix = "deck."
	c.in("deck_j_per_k", m.Deck.Heat, 200, 50000, " J/K")
	c.in("deck_loss_w_per_k", m.Deck.Loss, 0, 100, " W/K")
	c.in("spill_absorbed_share", m.Deck.Share, 0, 1, "")
	c.prefix = "fans."
	c.in("top_w_per_m2k", m.Fans.Top, 0, 200, " W/m²K")
	c.in("bottom_w_per_m2k", m.Fans.Bottom, 0, 200, " W/m²K")
	c.prefix = ""
	c.banks(m.Banks)
	return c.found
}

// head checks one hot-air head; the ranges are several times wider than the sane ones of the physics study.
func (c *checker) head(prefix string, h *Head) {
	c.prefix = prefix
	c.in("power_w", h.Power, 0, 5000, " W")
	c.in("element_j_per_k", h.ElementHeat, 10, 1000, " J/K")
	c.in("element_w_per_k", h.ElementUA, 0.2, 50, " W/K")
	c.in("element_radiating_m2", h.Radiating, 0, 0.1, " m²")
	c.in("air_w_per_k", h.Flow, 0.1, 30, " W/K")
	c.in("wall_j_per_k", h.WallHeat, 20, 2000, " J/K")
	c.in("wall_w_per_k", h.WallUA, 0, 50, " W/K")
	c.in("wall_loss_w_per_k", h.WallLoss, 0, 10, " W/K")
	c.in("jet_w_per_m2k", h.Jet, 0, 500, " W/m²K")
	c.orZero("nozzle_mm", h.Nozzle, 4, 200, " mm")
	c.in("nozzle_sealed_share", h.Sealed, 0.1, 1, "")
	c.in("nozzle_sensor_lag_s", h.SensorLag, 0.05, 60, " s")
	c.in("inlet_from_deck_share", h.FromDeck, 0, 1, "")
	// The head is stepped explicitly by 100 ms: it must not be able to change by much within one step.
	if h.ElementUA/h.ElementHeat > 2 {
		c.say("element_j_per_k", fmt.Sprintf("is %g, allowed at least element_w_per_k / 2 = %g J/K", h.ElementHeat, h.ElementUA/2))
	}
	if (h.WallUA+h.WallLoss)/h.WallHeat > 2 {
		c.say("wall_j_per_k", fmt.Sprintf("is %g, allowed at least (wall_w_per_k + wall_loss_w_per_k) / 2 = %g J/K", h.WallHeat, (h.WallUA+h.WallLoss)/2))
	}
	c.prefix = ""
}

// banks checks the area emitters. Overlap is refused because the underside would then see more than the half-space
// holds, and the balance of heat would not close.
func (c *checker) banks(banks []Bank) {
	if len(banks) > MaxBanks {
		c.say("bank", fmt.Sprintf("has %d entries, allowed 0…%d", len(banks), MaxBanks))
		return // what is wrong with each of them nobody wants to read
	}
	total := 0
	var faces []rect
	names := map[string]bool{"top": true, "bottom": true, "": true}
	for k := range banks {
		total += len(banks[k].Emitters)
	}
	if total > maxEmitters {
		c.say("bank", fmt.Sprintf("has %d emitters in all, allowed 0…%d", total, maxEmitters))
		return
	}
	for k := range banks {
		b := &banks[k]
		c.prefix = fmt.Sprintf("bank[%d].", k)
		if names[b.Name] {
			c.say("name", fmt.Sprintf("is %q, allowed a name of its own, not top or bottom", b.Name))
		}
		names[b.Name] = true
		if len(b.Emitters) == 0 {
			c.say("emitters", "is empty, allowed one or more places")
		}
		c.in("emitter_power_w", b.Power, 0, 3000, " W")
		c.in("emitter_size_x_mm", b.SizeX, 5, 500, " mm")
		c.in("emitter_size_y_mm", b.SizeY, 5, 500, " mm")
		c.in("below_board_mm", b.Below, 5, 200, " mm")
		c.in("emitter_j_per_k", b.Heat, 10, 2000, " J/K")
		c.in("emissivity", b.Emissivity, 0.05, 1, "")
		c.in("back_loss_share", b.Back, 0, 1, "")
		c.in("convection_w_per_m2k", b.Convection, 0, 50, " W/m²K")
		c.in("sensor_lag_s", b.SensorLag, 0.05, 60, " s")
		for i, e := range b.Emitters {
			c.in(fmt.Sprintf("emitters[%d].x_mm", i), e.X, -1000, 1000, " mm")
			c.in(fmt.Sprintf("emitters[%d].y_mm", i), e.Y, -1000, 1000, " mm")
			f := centred(e.X, e.Y, b.SizeX, b.SizeY)
			for _, other := range faces {
				if f.overlap(other) > 1 { // mm²; touching is fine
					c.say(fmt.Sprintf("emitters[%d]", i), fmt.Sprintf("at %g, %g lies over another emitter, allowed places that do not overlap", e.X, e.Y))
					break
				}
			}
			faces = append(faces, f)
		}
	}
	c.prefix = ""
}

// Validate returns everything that is wrong with the board, nothing when it can be simulated.
func (b Board) Validate() []Problem {
	c := &checker{}
	if b.Name == "" {
		c.say("name", "is missing, allowed any short name")
	}
	c.in("size_x_mm", b.SizeX, 15, 800, " mm")
	c.in("size_y_mm", b.SizeY, 15, 800, " mm")
	c.in("thickness_mm", b.Thickness, 0.4, 10, " mm")
	switch b.Core {
	case CoreFR4:
		c.in("metal_mm", b.Metal, 0, 0, " mm for an fr4 core")
	case CoreAluminium:
		c.in("metal_mm", b.Metal, 0.3, b.Thickness-0.05, " mm, the rest being dielectric and foil")
	default:
		c.say("core", fmt.Sprintf("is %q, allowed %q or %q", b.Core, CoreFR4, CoreAluminium))
	}
	if b.Layers < 1 || b.Layers > 60 {
		c.say("layers", fmt.Sprintf("is %d, allowed 1…60", b.Layers))
	}
	if b.Planes < 0 || b.Planes > b.Layers {
		c.say("planes", fmt.Sprintf("is %d, allowed 0…layers (%d)", b.Planes, b.Layers))
	}
	c.in("plane_um", b.PlaneCopper, 0, 400, " µm")
	c.in("plane_coverage", b.PlaneCoverage, 0, 1, "")
	c.in("signal_um", b.SignalCopper, 0, 400, " µm")
	c.in("signal_coverage", b.SignalCoverage, 0, 1, "")
	// More copper than this is no laminate any more, and the parallel rule of mixtures would not hold.
	if room := (b.Thickness - b.Metal) * 1e-3; !(b.copperMetres() < 0.7*room) {
		c.say("layers", fmt.Sprintf("hold %.2f mm of copper, allowed less than 70 %% of the %.2f mm of laminate", b.copperMetres()*1e3, room*1e3))
	}
	c.in("through_w_per_mk", b.Through, 0.1, 20, " W/mK")
	c.in("through_under_part_w_per_mk", b.ThroughPart, 0.1, 60, " W/mK")
	c.in("emissivity", b.Emissivity, 0.05, 1, "")
	c.in("offset_x_mm", b.OffsetX, -50, 50, " mm")
	c.in("offset_y_mm", b.OffsetY, -50, 50, " mm")
	c.packageOn(&b)
	c.prefix = "neighbour."
	c.in("gap_mm", b.Neighbour.Gap, 0.2, 100, " mm")
	c.in("size_x_mm", b.Neighbour.SizeX, 0.5, 50, " mm")
	c.in("size_y_mm", b.Neighbour.SizeY, 0.5, 50, " mm")
	c.in("height_mm", b.Neighbour.Height, 0.2, 20, " mm")
	q := &b.Package
	// The neighbour stands where there is most board; its longer side counts, whichever way it is turned.
	room := max(b.SizeX/2+math.Abs(q.X)-q.SizeX/2, b.SizeY/2+math.Abs(q.Y)-q.SizeY/2)
	if reach := b.Neighbour.Gap + max(b.Neighbour.SizeX, b.Neighbour.SizeY); reach > room {
		c.say("gap_mm", fmt.Sprintf("puts the neighbour %g mm beside the part, allowed at most the %g mm of board there, its own size included", reach, room))
	}
	c.prefix = "thermocouple."
	c.in("joint_lag_s", b.Couples.JointLag, 0.05, 30, " s")
	c.in("joint_stem_share", b.Couples.JointStem, 0, 0.5, "")
	c.in("top_lag_s", b.Couples.TopLag, 0.05, 30, " s")
	c.in("top_air_share", b.Couples.TopAir, 0, 0.5, "")
	c.in("board_lag_s", b.Couples.BoardLag, 0.05, 30, " s")
	c.in("board_air_share", b.Couples.BoardAir, 0, 0.5, "")
	return c.found
}

// packageOn checks the package and that it fits on the board with a rim of at least 1 mm.
func (c *checker) packageOn(b *Board) {
	q := &b.Package
	c.prefix = "package."
	c.in("size_x_mm", q.SizeX, 4, 120, " mm")
	c.in("size_y_mm", q.SizeY, 4, 120, " mm")
	c.in("thickness_mm", q.Thickness, 0.3, 12, " mm")
	c.in("substrate_mm", q.Substrate, 0.1, q.Thickness-0.1, " mm")
	c.in("die_x_mm", q.DieX, 0, q.SizeX, " mm")
	c.in("die_y_mm", q.DieY, 0, q.SizeY, " mm")
	c.in("top_emissivity", q.Emissivity, 0.03, 1, "")
	c.in("ball_pitch_mm", q.Pitch, 0.2, 3, " mm")
	c.in("ball_height_mm", q.Ball, 0.05, 2, " mm")
	c.in("ball_fill", q.Fill, 0.02, 0.7, "")
	c.in("solidus_c", q.Solidus, 60, 320, " °C")
	c.in("liquidus_c", q.Liquidus, q.Solidus, q.Solidus+60, " °C, not below the solidus")
	c.in("x_mm", math.Abs(q.X), 0, max(0, b.SizeX/2-q.SizeX/2-1), " mm from the middle, so that the part lies on the board")
	c.in("y_mm", math.Abs(q.Y), 0, max(0, b.SizeY/2-q.SizeY/2-1), " mm from the middle, so that the part lies on the board")
	switch q.Kind {
	case KindLidded:
		c.in("lid_mm", q.Lid, 0.1, q.Thickness-q.Substrate-0.05, " mm, leaving room for the die")
	case KindMoulded, KindCeramic:
		c.in("lid_mm", q.Lid, 0, 0, " mm without a lid")
	default:
		c.say("kind", fmt.Sprintf("is %q, allowed %q, %q or %q", q.Kind, KindMoulded, KindLidded, KindCeramic))
	}
	if b.SizeX < q.SizeX+2 || b.SizeY < q.SizeY+2 {
		c.say("size_x_mm", "is larger than the board, allowed at least 1 mm of board all round")
	}
}
