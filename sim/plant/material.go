package plant

// Material properties. Volumetric heat capacities are in J/m³K, conductivities in W/mK. Copper, FR-4, solder and the
// emissivities are those of the physics study behind this package (partly read in handbooks, partly
// from memory, ±10 %); the others are from memory of usual handbook tables.
const (
	copperRhoC = 8930 * 385.0
	copperK    = 390.0
	// copperUse is the share of a copper layer's conduction that survives antipads, slots and necks. A judgement.
	copperUse     = 0.85
	fr4RhoC       = 1900 * 1150.0
	fr4K          = 0.35
	aluminiumRhoC = 2700 * 900.0
	aluminiumK    = 160.0 // wrought plate alloy
	mouldRhoC     = 2000 * 900.0
	mouldK        = 0.9
	substrateRhoC = 1900 * 1150.0 * 1.15 // laminate with about 5 % copper by volume
	substrateK    = 1.0                  // through the thickness, with its vias
	substrateInK  = 30.0                 // in plane, four to ten copper layers
	ceramicRhoC   = 3800 * 880.0         // alumina
	ceramicK      = 20.0
	siliconRhoC   = 2330 * 710.0
	solderRho     = 7380.0
	solderRhoC    = solderRho * 230.0
	solderK       = 58.0
	solderLatent  = 60e3  // J/kg, melting; literature on tin-silver-copper quotes 58…70 kJ/kg
	gapAirK       = 0.036 // air at about 170 °C
)

// warmerCapacity is by how much heat capacity grows per kelvin above 25 °C: resin, silicon and mould compound do so
// alike, by about a tenth of a percent (physics study).
const warmerCapacity = 1e-3

// metalWarmer is the same for aluminium, from memory of its handbook values at 300 K and 500 K.
const metalWarmer = 0.4e-3

// narrowestMelt is the least melting range used, in K. A eutectic alloy melts at one temperature; spreading that over
// half a kelvin keeps temperature a function of enthalpy and costs no accuracy anybody could measure.
const narrowestMelt = 0.5

// inPlane returns the in-plane conductivity of a laminate by the parallel rule of mixtures: copper and resin carry
// heat side by side, each in proportion to its share of the thickness.
func inPlane(copperShare, kCopper, kResin float64) float64 {
	return copperShare*kCopper + (1-copperShare)*kResin
}

// copperMetres returns how thick all copper of the board would be if it were spread evenly, in m.
func (b *Board) copperMetres() float64 {
	signals := float64(b.Layers - b.Planes)
	return 1e-6 * (float64(b.Planes)*b.PlaneCopper*b.PlaneCoverage + signals*b.SignalCopper*b.SignalCoverage)
}

// layer is one layer of the board as the heat sees it.
type layer struct {
	thick   float64 // m
	rhoC    float64 // J/m³K at 25 °C
	k       float64 // W/mK in plane
	through float64 // W/mK through the thickness
	under   float64 // W/mK through the thickness under the part
	warmer  float64 // growth of rhoC per K
}

// layers returns the board's layers from the underside up. A laminate is cut into n: with less than two layers the
// two faces cannot differ, which costs several kelvins in a one-sided step (physics study).
func (b *Board) layers(n int) []layer {
	thick, copper := b.Thickness*1e-3, b.copperMetres()
	if b.Core == CoreAluminium {
		metal := b.Metal * 1e-3
		rest := thick - metal
		return []layer{
			{thick: metal, rhoC: aluminiumRhoC, k: aluminiumK, through: aluminiumK, under: aluminiumK, warmer: metalWarmer},
			laminate(rest, copper/rest, b.Through, b.Through), // there is no via through the metal
		}
	}
	out := make([]layer, n)
	for i := range out {
		out[i] = laminate(thick/float64(n), copper/thick, b.Through, b.ThroughPart)
	}
	return out
}

// laminate returns a layer of resin with a share of copper in it.
func laminate(thick, share, through, under float64) layer {
	share = min(share, 1)
	return layer{
		thick: thick, rhoC: share*copperRhoC + (1-share)*fr4RhoC, k: inPlane(share, copperUse*copperK, fr4K),
		through: through, under: under, warmer: warmerCapacity,
	}
}

// solderCapacity returns the sensible heat capacity of the ball layer and the heat it takes to melt it, both per area
// under the part, in J/m²K and J/m².
func solderCapacity(fill, height float64) (sensible, latent float64) {
	return fill * height * solderRhoC, fill * height * solderRho * solderLatent
}
