package plant

// Words for what a board's core is made of.
const (
	CoreFR4       = "fr4"       // glass-epoxy laminate with copper layers
	CoreAluminium = "aluminium" // a metal plate, a thin dielectric, one copper foil
)

// Words for how a package is built, which decides how heat gets from its top to its balls.
const (
	KindMoulded = "moulded" // compound over substrate, touching everywhere
	KindLidded  = "lidded"  // metal lid that touches the die and a foot ring; an air gap elsewhere
	KindCeramic = "ceramic" // ceramic body on ceramic substrate
)

// Board is an assembled board with the package to be worked on, described by physical properties only.
// The keys are those of a board file; every key carries its unit. Ranges are in Validate.
type Board struct {
	Name           string   `toml:"name"`
	Title          string   `toml:"title"`
	SizeX          float64  `toml:"size_x_mm"`
	SizeY          float64  `toml:"size_y_mm"`
	Thickness      float64  `toml:"thickness_mm"`                // whole board
	Core           string   `toml:"core"`                        // fr4 or aluminium
	Metal          float64  `toml:"metal_mm"`                    // aluminium plate; 0 for fr4
	Layers         int      `toml:"layers"`                      // copper layers in all
	Planes         int      `toml:"planes"`                      // how many of them are planes
	PlaneCopper    float64  `toml:"plane_um"`                    // copper thickness of a plane
	PlaneCoverage  float64  `toml:"plane_coverage"`              // share of a plane that is copper
	SignalCopper   float64  `toml:"signal_um"`                   // copper thickness of a signal layer
	SignalCoverage float64  `toml:"signal_coverage"`             // share of a signal layer that is copper
	Through        float64  `toml:"through_w_per_mk"`            // conductivity through the thickness, away from the part
	ThroughPart    float64  `toml:"through_under_part_w_per_mk"` // the same under the ball array, where each ball has its via
	Emissivity     float64  `toml:"emissivity"`                  // both faces, total hemispherical
	OffsetX        float64  `toml:"offset_x_mm"`                 // how far the part's centre sits beside the nozzle axis
	OffsetY        float64  `toml:"offset_y_mm"`
	Package        Package  `toml:"package"`
	Neighbour      NextPart `toml:"neighbour"`
	Couples        Couples  `toml:"thermocouple"`
}

// Package is the ball-grid-array part.
type Package struct {
	Kind       string  `toml:"kind"` // moulded, lidded or ceramic
	SizeX      float64 `toml:"size_x_mm"`
	SizeY      float64 `toml:"size_y_mm"`
	Thickness  float64 `toml:"thickness_mm"` // body above the balls
	Lid        float64 `toml:"lid_mm"`       // metal lid; 0 unless lidded
	Substrate  float64 `toml:"substrate_mm"`
	DieX       float64 `toml:"die_x_mm"` // die under a lid; 0 where there is none to speak of
	DieY       float64 `toml:"die_y_mm"`
	Emissivity float64 `toml:"top_emissivity"`
	Pitch      float64 `toml:"ball_pitch_mm"`
	Ball       float64 `toml:"ball_height_mm"` // standing height when soldered
	Fill       float64 `toml:"ball_fill"`      // share of the area under the part that is solder, 0.02…0.7
	X          float64 `toml:"x_mm"`           // centre of the part from the centre of the board
	Y          float64 `toml:"y_mm"`
	Solidus    float64 `toml:"solidus_c"`
	Liquidus   float64 `toml:"liquidus_c"`
}

// NextPart is the nearest component that must not be reworked by accident. It sits beside the part, on the side with most board.
type NextPart struct {
	Gap    float64 `toml:"gap_mm"` // from the edge of the part to its edge
	SizeX  float64 `toml:"size_x_mm"`
	SizeY  float64 `toml:"size_y_mm"`
	Height float64 `toml:"height_mm"`
}

// Couples says how well the thermocouples are attached on this board.
type Couples struct {
	JointLag  float64 `toml:"joint_lag_s"`      // time constant of the bead at a ball
	JointStem float64 `toml:"joint_stem_share"` // share of the reading that is air along the wire
	TopLag    float64 `toml:"top_lag_s"`        // on the package top
	TopAir    float64 `toml:"top_air_share"`
	BoardLag  float64 `toml:"board_lag_s"` // on the board and on the neighbour
	BoardAir  float64 `toml:"board_air_share"`
}
