package bench

import (
	"math"

	"trivet/control"
	"trivet/control/model"
	"trivet/process/unit"
	"trivet/sim/plant"
)

// What a shop knows of a board without measuring it: its size and thickness, how many layers it has, and what sort of
// part is on it. Copper weight and coverage are assumed, not read from the board's description, because nobody
// on the bench knows them.
const (
	assumedCopper   = 35e-6 * 0.55 // m of copper per layer: one ounce, a little more than half covered
	copperHeat      = 8930 * 385.0 // J/m³K
	laminateHeat    = 1900 * 1150.0
	mouldHeat       = 1.9e6 // J/m³K, mould compound and substrate
	lidHeat         = 2.6e6 // a body of substrate, silicon and a metal lid together
	ceramicHeat     = 3.0e6
	aluminiumHeat   = 2700 * 900.0
	ballsHeat       = 1.7e6 // solder, by the share of the area it fills
	assumedBallFill = 0.25
)

// LoadOf estimates the heat capacities per area from what a calliper and the layer count tell.
func LoadOf(b plant.Board) control.Load {
	t := b.Thickness * 1e-3
	cu := min(t, float64(b.Layers)*assumedCopper)
	board := copperHeat*cu + laminateHeat*(t-cu)
	if b.Core == "aluminium" {
		metal := b.Metal * 1e-3
		board = aluminiumHeat*metal + laminateHeat*max(0, t-metal)
	}
	heat := mouldHeat
	switch b.Package.Kind {
	case "lidded":
		heat = lidHeat
	case "ceramic":
		heat = ceramicHeat
	}
	return control.Load{Board: board, Part: heat*b.Package.Thickness*1e-3 + ballsHeat*assumedBallFill*b.Package.Ball*1e-3}
}

// ReachOf says how the machine's heat gets to the board, from the geometry and the jets in the machine's description.
// The share of the view that emitters fill is taken as the mean over the board of the view factor from a small patch of its
// underside to all emitters, z²/(π r⁴) dA (parallel faces; the same form as the textbooks' differential view factor).
func ReachOf(m plant.Machine, b plant.Board) control.Reach {
	const patches, points = 5, 8
	sum := 0.0
	for i := range patches {
		for k := range patches {
			// The part sits on the nozzle axis: shift board coordinates by the part's place and the offset.
			x := ((float64(i)+0.5)/patches-0.5)*b.SizeX - b.Package.X + b.OffsetX
			y := ((float64(k)+0.5)/patches-0.5)*b.SizeY - b.Package.Y + b.OffsetY
			for _, bank := range m.Banks {
				for _, e := range bank.Emitters {
					sum += patchView(x-e.X, y-e.Y, bank.SizeX, bank.SizeY, bank.Below, points)
				}
			}
		}
	}
	return control.Reach{TopH: m.Top.Jet, BottomH: m.Bottom.Jet, AreaView: sum / (patches * patches)}
}

// patchView is the view factor from a small patch at (dx, dy) from the centre of a parallel w×h rectangle at distance z.
func patchView(dx, dy, w, h, z float64, points int) float64 {
	da := w * h / float64(points*points)
	sum := 0.0
	for i := range points {
		for k := range points {
			ex := dx + ((float64(i)+0.5)/float64(points)-0.5)*w
			ey := dy + ((float64(k)+0.5)/float64(points)-0.5)*h
			r2 := ex*ex + ey*ey + z*z
			sum += z * z / (math.Pi * r2 * r2) * da
		}
	}
	return sum
}

// FactsOf is everything a shop knows of a board on a machine without measuring a temperature: calliper, layer count, what sort of
// part, and the machine's own description.
func FactsOf(m plant.Machine, b plant.Board, ambient unit.Celsius) model.Facts {
	t := b.Thickness * 1e-3
	build := model.Moulded
	switch b.Package.Kind {
	case plant.KindLidded:
		build = model.Lidded
	case plant.KindCeramic:
		build = model.Ceramic
	}
	under := 0.0 // view of the emitters from the middle of the part, which sits on the nozzle axis
	for _, bank := range m.Banks {
		for _, e := range bank.Emitters {
			under += patchView(-e.X, -e.Y, bank.SizeX, bank.SizeY, bank.Below, 8)
		}
	}
	return model.Facts{
		BoardX: b.SizeX * 1e-3, BoardY: b.SizeY * 1e-3, Thickness: t, Copper: min(t/2, float64(b.Layers)*assumedCopper), Metal: b.Metal * 1e-3,
		PartX: b.Package.SizeX * 1e-3, PartY: b.Package.SizeY * 1e-3, Build: build, Load: LoadOf(b), Reach: ReachOf(m, b), ViewPart: under,
		FanTop: m.Fans.Top, FanBottom: m.Fans.Bottom,
		SolderHeight: b.Package.Ball * 1e-3, Solidus: b.Package.Solidus, Liquidus: b.Package.Liquidus, Ambient: float64(ambient),
	}
}
