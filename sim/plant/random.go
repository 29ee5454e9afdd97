package plant

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// Spread is how one machine on one day differs from its description: what a controller does not know.
type Spread struct {
	Disturbance Disturbance
	Mains       float64 // rms voltage relative to nominal
	Ambient     float64 // °C
}

// RandomSpread draws heat transfer of each jet within ±15 %, mains within ±7 % and ambient within ±4 °C of 25 °C.
// The bounds are those the control goals are set for; uniform, because nobody knows a better distribution.
func RandomSpread(rng *rand.Rand) Spread {
	d := Undisturbed()
	d.TopHeat, d.BottomHeat = between(rng, 0.85, 1.15), between(rng, 0.85, 1.15)
	return Spread{Disturbance: d, Mains: between(rng, 0.93, 1.07), Ambient: between(rng, 21, 29)}
}

// RandomBoard draws a board with a part over the ranges of the physics study: handset to backplane,
// 12…58 mm parts, stem error 0…3 %. Properties that go together in real boards are drawn together: many layers
// make a thick board, a lid sits on a large part. The same generator state gives the same board; every board
// drawn passes Validate. Solder is tin-silver-copper.
func RandomBoard(rng *rand.Rand) Board {
	b := Board{Core: CoreFR4}
	b.Name = fmt.Sprintf("drawn-%06x", rng.Uint32()&0xffffff)
	b.Title = "A board drawn at random"
	if rng.Float64() < 0.07 {
		metalBoard(rng, &b)
	} else {
		laminateBoard(rng, &b)
	}
	b.Emissivity = between(rng, 0.82, 0.95)
	b.OffsetX, b.OffsetY = between(rng, -1.5, 1.5), between(rng, -1.5, 1.5) // mm; a part is centred by eye
	b.Package = randomPart(rng, &b)
	b.Neighbour = NextPart{Gap: between(rng, 2, 6), SizeX: between(rng, 3, 8), SizeY: between(rng, 2, 6), Height: between(rng, 0.6, 1.5)}
	b.Couples = randomCouples(rng)
	return b
}

// laminateBoard draws size, layers and copper. Board area is drawn evenly in its logarithm: small boards are as
// likely as large ones.
func laminateBoard(rng *rand.Rand, b *Board) {
	area := math.Exp(between(rng, math.Log(70*70), math.Log(330*420)))
	aspect := between(rng, 0.6, 1.4)
	b.SizeX, b.SizeY = math.Sqrt(area*aspect), math.Sqrt(area/aspect)
	// Large boards have more layers: two to ten below a square decimetre, up to 24 on backplanes.
	size := math.Log(area/4900) / math.Log(330*420/4900.0)
	b.Layers = 4 + 2*int(math.Round(between(rng, 0, 3)+size*between(rng, 1, 8)))
	b.Layers = min(b.Layers, 24)
	b.Planes = b.Layers / 2
	b.Thickness = max(0.8, 0.7+0.1*float64(b.Layers)*between(rng, 0.75, 1.15))
	if b.Layers <= 6 {
		b.Thickness = between(rng, 0.9, 1.7)
	}
	b.PlaneCopper, b.SignalCopper = 35, 18
	switch {
	case b.Thickness < 1.1 && b.Layers > 6:
		b.PlaneCopper = 18
	case b.Layers >= 18 && rng.Float64() < 0.4:
		b.PlaneCopper = 70
	}
	b.PlaneCoverage, b.SignalCoverage = between(rng, 0.6, 0.9), between(rng, 0.2, 0.45)
	b.Through, b.ThroughPart = between(rng, 0.4, 0.6), between(rng, 2.5, 6)
}

// metalBoard draws an aluminium-backed board.
func metalBoard(rng *rand.Rand, b *Board) {
	b.Core, b.Metal, b.Layers = CoreAluminium, between(rng, 1, 2), 1
	b.SizeX, b.SizeY = between(rng, 80, 180), between(rng, 80, 180)
	b.Thickness = b.Metal + between(rng, 0.18, 0.26)
	b.PlaneCopper, b.SignalCopper, b.SignalCoverage = 70, between(rng, 35, 70), between(rng, 0.4, 0.7)
	b.Through = between(rng, 1, 2.2)
	b.ThroughPart = b.Through
}

// randomPart draws a part that fits on the board with at least 12 mm to spare on every side.
func randomPart(rng *rand.Rand, b *Board) Package {
	q := Package{Solidus: 217, Liquidus: 220, Kind: KindMoulded}
	room := min(b.SizeX, b.SizeY) - 24
	side := between(rng, 12, min(58, room))
	if b.Core == CoreAluminium {
		side = between(rng, 18, 32)
	}
	q.SizeX = side
	q.SizeY = side
	if rng.Float64() < 0.2 {
		q.SizeY = max(12, side*between(rng, 0.75, 1))
	}
	q.Pitch, q.Ball, q.Fill = 1, between(rng, 0.35, 0.6), between(rng, 0.18, 0.3)
	q.Emissivity, q.Substrate = 0.92, between(rng, 0.4, 0.7)
	q.Thickness = q.Substrate + between(rng, 0.8, 1.6)
	switch die := rng.Float64(); {
	case side < 18:
		q.Pitch, q.Ball = 0.5, between(rng, 0.2, 0.35)
		q.Substrate = between(rng, 0.3, 0.5)
		q.Thickness = q.Substrate + between(rng, 0.5, 0.9)
	case side > 28 && die < 0.6:
		q.Kind, q.Emissivity = KindLidded, between(rng, 0.1, 0.4)
		q.Lid, q.Substrate = between(rng, 1, 2.6), between(rng, 0.9, 1.5)
		q.Thickness = q.Substrate + q.Lid + between(rng, 0.6, 1)
		q.DieX = side * between(rng, 0.3, 0.5)
		q.DieY = q.DieX * between(rng, 0.7, 1)
	case side > 20 && side < 45 && die > 0.85:
		q.Kind, q.Emissivity = KindCeramic, 0.85
		q.Substrate, q.Ball = between(rng, 1, 1.8), between(rng, 0.6, 0.85)
		q.Thickness = q.Substrate + between(rng, 1, 2.2)
	}
	x, y := (b.SizeX-q.SizeX)/2-12, (b.SizeY-q.SizeY)/2-12
	q.X, q.Y = between(rng, -0.5, 0.5)*max(0, x), between(rng, -0.5, 0.5)*max(0, y)
	return q
}

// between draws evenly from lo…hi.
func between(rng *rand.Rand, lo, hi float64) float64 { return lo + rng.Float64()*(hi-lo) }

// Sibling draws another board of b's type on another day of the same machine: masses within ±5 % and heat transfer of each jet within
// ±10 % of what they were, the part centred and the thermocouples attached anew, another mains voltage and another room. The bounds
// are those the goals for repeats are set for.
func Sibling(rng *rand.Rand, b Board, s Spread) (Board, Spread) {
	board, part := between(rng, 0.95, 1.05), between(rng, 0.95, 1.05)
	b.Thickness *= board
	b.PlaneCopper *= board
	b.SignalCopper *= board
	b.Metal *= board
	b.Package.Thickness *= part
	b.Package.Lid *= part
	b.Package.Substrate *= part
	b.OffsetX, b.OffsetY = between(rng, -1.5, 1.5), between(rng, -1.5, 1.5)
	b.Couples = randomCouples(rng)
	day := RandomSpread(rng)
	s.Mains, s.Ambient = day.Mains, day.Ambient
	s.Disturbance.TopHeat *= between(rng, 0.9, 1.1)
	s.Disturbance.BottomHeat *= between(rng, 0.9, 1.1)
	return b, s
}

// randomCouples draws how thermocouples happen to have been attached.
func randomCouples(rng *rand.Rand) Couples {
	return Couples{
		JointLag: between(rng, 0.4, 1.2), JointStem: between(rng, 0, 0.03),
		TopLag: between(rng, 0.6, 1.2), TopAir: between(rng, 0.01, 0.05),
		BoardLag: between(rng, 0.6, 1.2), BoardAir: between(rng, 0, 0.02),
	}
}
