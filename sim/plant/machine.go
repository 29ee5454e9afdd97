package plant

// Sizes that callers may build arrays with.
const (
	MaxBanks    = 6            // area-heater banks of one machine
	MaxHeaters  = 2 + MaxBanks // top, bottom, then the banks in file order
	maxEmitters = 16           // emitters of all banks together
)

// Indices of the heaters that every machine has. Bank k of the file is heater FirstBank+k.
const (
	HeaterTop = iota
	HeaterBottom
	FirstBank
)

// Machine is a rework heater described by physical properties only. The keys are those of a machine file; every
// key carries its unit. Ranges are in Validate.
type Machine struct {
	Name         string  `toml:"name"`
	Title        string  `toml:"title"`
	MainsBudgetW float64 `toml:"mains_budget_w"` // what the supply circuit may deliver; the plant itself does not enforce it
	Top          Head    `toml:"top"`
	Bottom       Head    `toml:"bottom"`
	Banks        []Bank  `toml:"bank"`
	Deck         Deck    `toml:"deck"`
	Fans         Fans    `toml:"fans"`
}

// Head is a hot-air head: blower, element, wall, nozzle, and how well its jet heats a surface.
type Head struct {
	Power       float64 `toml:"power_w"`               // rated at nominal mains
	ElementHeat float64 `toml:"element_j_per_k"`       // heat capacity of the element
	ElementUA   float64 `toml:"element_w_per_k"`       // element to air, at any flow
	Radiating   float64 `toml:"element_radiating_m2"`  // element area that radiates to the wall
	Flow        float64 `toml:"air_w_per_k"`           // mass flow times heat capacity of the air at full blower
	WallHeat    float64 `toml:"wall_j_per_k"`          // heat capacity of tube and nozzle
	WallUA      float64 `toml:"wall_w_per_k"`          // air to wall
	WallLoss    float64 `toml:"wall_loss_w_per_k"`     // wall to room
	Jet         float64 `toml:"jet_w_per_m2k"`         // heat transfer under the nozzle at full flow
	Nozzle      float64 `toml:"nozzle_mm"`             // inner diameter; 0 fits the nozzle to the part
	Sealed      float64 `toml:"nozzle_sealed_share"`   // share of the air's excess temperature that survives the gap leak
	SensorLag   float64 `toml:"nozzle_sensor_lag_s"`   // air thermocouple in the nozzle
	FromDeck    float64 `toml:"inlet_from_deck_share"` // share of the deck's excess temperature in the air drawn in
}

// Bank is a group of area emitters switched together, facing the underside of the board.
type Bank struct {
	Name       string    `toml:"name"`
	Emitters   []Emitter `toml:"emitters"`
	Power      float64   `toml:"emitter_power_w"`   // rated, each
	SizeX      float64   `toml:"emitter_size_x_mm"` // each
	SizeY      float64   `toml:"emitter_size_y_mm"` // each
	Below      float64   `toml:"below_board_mm"`    // distance from emitter face to the board's underside
	Heat       float64   `toml:"emitter_j_per_k"`   // heat capacity, each
	Emissivity float64   `toml:"emissivity"`
	Back       float64   `toml:"back_loss_share"`      // area that radiates away from the board, as a share of the face
	Convection float64   `toml:"convection_w_per_m2k"` // face to the air in the deck
	SensorLag  float64   `toml:"sensor_lag_s"`         // thermocouple at the bank
}

// Emitter is the place of one emitter's centre. The origin is below the axis of the top nozzle; y points away from the operator.
type Emitter struct {
	X float64 `toml:"x_mm"`
	Y float64 `toml:"y_mm"`
}

// Deck is the bed that carries emitters and board: slow, and what the underside sees between the emitters.
type Deck struct {
	Heat  float64 `toml:"deck_j_per_k"`
	Loss  float64 `toml:"deck_loss_w_per_k"`    // to the room
	Share float64 `toml:"spill_absorbed_share"` // share of the radiation missing the board that stays in the deck
}

// Fans are the board-cooling fans: forced convection they add at full speed.
type Fans struct {
	Top    float64 `toml:"top_w_per_m2k"`
	Bottom float64 `toml:"bottom_w_per_m2k"`
}

// Heaters returns how many switchable heaters the machine has.
func (m *Machine) Heaters() int { return FirstBank + len(m.Banks) }

// RatedW returns the rated power of heater i in W at nominal mains, and 0 for an index the machine does not have.
func (m *Machine) RatedW(i int) float64 {
	switch {
	case i == HeaterTop:
		return m.Top.Power
	case i == HeaterBottom:
		return m.Bottom.Power
	case i >= FirstBank && i < m.Heaters():
		b := &m.Banks[i-FirstBank]
		return b.Power * float64(len(b.Emitters))
	}
	return 0
}

// HeaterNames returns the names of all heaters in heater order: top, bottom, then the banks as the file names them.
func (m *Machine) HeaterNames() []string {
	names := []string{"top", "bottom"}
	for i := range m.Banks {
		names = append(names, m.Banks[i].Name)
	}
	return names
}

// InstalledW returns the sum of all rated powers in W. It may exceed the mains budget.
func (m *Machine) InstalledW() float64 {
	sum := 0.0
	for i := range m.Heaters() {
		sum += m.RatedW(i)
	}
	return sum
}
