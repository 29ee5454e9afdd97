package full_test

import (
	"math"

	"trivet/control"
	"trivet/control/model"
	"trivet/sim/plant"
)

// factsOf is what a shop knows of a simulated board: size, thickness, layers, kind of part. Copper weight and coverage
// are assumed, because nobody on the bench knows them.
func factsOf(m plant.Machine, b plant.Board) model.Facts {
	t := b.Thickness * 1e-3
	cu := min(t/2, float64(b.Layers)*35e-6*0.55)
	metal := b.Metal * 1e-3
	board := 8930*385.0*cu + 1900*1150.0*(t-cu)
	if metal > 0 {
		board = 2700*900.0*metal + 1900*1150.0*max(0, t-metal)
	}
	heat, build := 1.9e6, model.Moulded
	switch b.Package.Kind {
	case plant.KindLidded:
		heat, build = 2.6e6, model.Lidded
	case plant.KindCeramic:
		heat, build = 3.0e6, model.Ceramic
	}
	view := func(x, y float64) float64 {
		sum := 0.0
		for _, bank := range m.Banks {
			for _, e := range bank.Emitters {
				const n = 8
				for i := range n {
					for k := range n {
						ex := x - e.X + ((float64(i)+0.5)/n-0.5)*bank.SizeX
						ey := y - e.Y + ((float64(k)+0.5)/n-0.5)*bank.SizeY
						r2 := ex*ex + ey*ey + bank.Below*bank.Below
						sum += bank.Below * bank.Below / (math.Pi * r2 * r2) * bank.SizeX * bank.SizeY / (n * n)
					}
				}
			}
		}
		return sum
	}
	mean := 0.0
	for i := range 5 {
		for k := range 5 {
			mean += view(((float64(i)+0.5)/5-0.5)*b.SizeX-b.Package.X, ((float64(k)+0.5)/5-0.5)*b.SizeY-b.Package.Y) / 25
		}
	}
	return model.Facts{
		BoardX: b.SizeX * 1e-3, BoardY: b.SizeY * 1e-3, Thickness: t, Copper: cu, Metal: metal,
		PartX: b.Package.SizeX * 1e-3, PartY: b.Package.SizeY * 1e-3, Build: build,
		Load:  control.Load{Board: board, Part: heat*b.Package.Thickness*1e-3 + 1.7e6*0.25*b.Package.Ball*1e-3},
		Reach: control.Reach{TopH: m.Top.Jet, BottomH: m.Bottom.Jet, AreaView: mean}, ViewPart: view(0, 0),
		FanTop: m.Fans.Top, FanBottom: m.Fans.Bottom,
		SolderHeight: b.Package.Ball * 1e-3, Solidus: b.Package.Solidus, Liquidus: b.Package.Liquidus, Ambient: 25,
	}
}
