// Package rig is a simulated machine with its wiring: the physical plant, the chips at its thermocouples, the lines to
// its relays, blowers, contacts and fans, the series contactor and its one-shot. What it offers to the outside are
// buses and pins, exactly what a real machine offers, so that the real drivers run on it. It keeps virtual time.
package rig

import (
	"math/rand/v2"
	"time"

	"periph.io/x/conn/v3/gpio"

	"trivet/hal/emf"
	"trivet/process/unit"
	"trivet/safety"
	"trivet/sim/chip"
	"trivet/sim/plant"
)

// Probe is one thermocouple with the chip that reads it.
type Probe struct {
	Name    string
	Label   string
	Role    safety.Role
	Spot    plant.Spot
	Chip    string // "max31855", "max31856", "ad8495"
	Every   time.Duration
	Ceiling unit.Celsius
	Guard   bool
	Addr    uint16 // of the converter that an "ad8495" is to hang on, and which of its inputs; 0: wherever there is room
	Channel int

	front        front
	port         any // the amplifier's SPI port
	addr         uint16
	input        int
	sigma        float64 // noise at the junction, °C rms
	wrong        wrong   // what a fault does to it
	deaf         int     // steps for which nothing comes of it, by a glitch
	glitching    chip.Fault
	burst, spike time.Duration // when the next comes
	late, blocks time.Duration // what is wrong with its bus
	meddled      func()        // a second master at work on its converter

	at    plant.Spot       // where its couple is; Spot unless plugs have been exchanged
	wire  emf.Type         // what its couple is made of, when that is not what the amplifier expects
	fixed plant.Attachment // how it was fixed before a fault took it off
}

// front is any emulated amplifier seen from the junction's side.
type front interface {
	Advance(now time.Duration, hotC, coldC float64)
	Inject(f chip.Fault)
}

// Rig is the machine. It is used by one goroutine.
type Rig struct {
	Plant   *plant.Plant
	Machine plant.Machine
	Board   plant.Board
	Probes  []Probe
	Bus     *chip.I2CBus

	Relays     []*chip.Pin // one per heater, in the plant's order
	Sense      []*chip.Pin
	Blowers    []*chip.Pin // top, bottom
	Air        []*chip.Pin
	Interlocks []*chip.Pin // in the order of InterlockNames
	Mirror     *chip.Pin
	Enable     *chip.Pin
	Heartbeat  *chip.Pin
	Fan        *chip.Pin

	Names []string // heaters

	converters []Converter
	adcs       []*chip.Ads1115 // in the same order

	now      time.Duration
	rng      *rand.Rand
	ambient  float64
	flow     [2]float64 // what the blowers really move, 0…1
	lastBeat time.Duration
	beaten   bool
	coilFor  time.Duration // how long the contactor's coil has had what it wants
	closed   bool          // contactor

	stuckOn, stuckOff [plant.MaxHeaters]bool
	wired             [plant.MaxHeaters]int // which heater each relay switches
	blowerShare       [2]float64
	sensedOn          [plant.MaxHeaters]bool
	sensedOff         [plant.MaxHeaters]bool
	airStuck          [2]bool
	opened            []bool
	jammed            []bool    // stuck closed
	flutter           []float64 // changes per second, 0 for none
	welded, deadCoil  bool
	halfOn, halfStuck [plant.MaxHeaters]bool    // the relay passes one half of each cycle only: when on, or always
	inverted          [plant.MaxHeaters]bool    // the relay conducts when it is told not to
	fluttering        [plant.MaxHeaters]float64 // changes per second of a relay that is told to be on
	bent              plant.Disturbance         // nozzles that are not where they should be
	moves             time.Duration             // how long the contactor takes, pullIn when nothing is wrong
	holds             bool                      // the one-shot does not time out
	glitches          Glitches
	mains, nominal    float64 // now, and when nothing is wrong

	OnHang func() // see Hang
}

// InterlockNames are the contact loops of the simulated machine, in order.
var interlocks = []safety.Interlock{
	{Name: "Emergency stop", Kind: safety.EmergencyStop},
	{Name: "Guard door", Kind: safety.Door},
	{Name: "Fume extraction", Kind: safety.Extraction},
	{Name: "Over-temperature limiter", Kind: safety.Limiter},
}

// Interlocks returns the contact loops in the order of Rig.Interlocks.
func Interlocks() []safety.Interlock { return append([]safety.Interlock(nil), interlocks...) }

// Times of the simulated wiring. The one-shot and contactor figures are those that the hazard study demands
// (0.3–0.5 s and 0.1 s); blower and switch figures are judgement.
const (
	oneShot     = 400 * time.Millisecond
	pullIn      = 30 * time.Millisecond
	blowerTau   = 0.6 // s, spin-up and spin-down
	switchFlow  = 0.5 // the airflow switch closes above this share of full flow
	coldWander  = 4.0 // °C, how far an amplifier's cold junction warms up in use
	jointSigma  = 0.10
	nozzleSigma = 0.20
)

// New returns a machine at rest in a room at ambient, with board b on it and thermocouples where probes say. The same seed gives the
// same noise.
func New(m plant.Machine, b plant.Board, ambient unit.Celsius, seed int64, probes []Probe) (*Rig, error) {
	p, err := plant.New(m, b, ambient)
	if err != nil {
		return nil, err
	}
	r := &Rig{
		Plant: p, Machine: m, Board: b, ambient: float64(ambient), mains: 1, nominal: 1, blowerShare: [2]float64{1, 1}, moves: pullIn, bent: plant.Undisturbed(),
		rng: rand.New(rand.NewPCG(uint64(seed), 0x7472697665740001)), opened: make([]bool, len(interlocks)),
		jammed: make([]bool, len(interlocks)), flutter: make([]float64, len(interlocks)),
	}
	r.Names = m.HeaterNames()
	for _, n := range r.Names {
		r.Relays = append(r.Relays, chip.NewPin("relay-"+n))
		r.Sense = append(r.Sense, chip.NewPin("sense-"+n))
	}
	for _, n := range []string{"top", "bottom"} {
		r.Blowers = append(r.Blowers, chip.NewPin("blower-"+n))
		r.Air = append(r.Air, chip.NewPin("air-"+n))
	}
	for _, i := range interlocks {
		pin := chip.NewPin("in-" + string(i.Kind))
		pin.Set(gpio.High)
		r.Interlocks = append(r.Interlocks, pin)
	}
	r.Mirror, r.Enable, r.Heartbeat, r.Fan = chip.NewPin("mirror"), chip.NewPin("heat-enable"), chip.NewPin("heartbeat"), chip.NewPin("fan")
	r.Heartbeat.OnChange = func(gpio.Level) { r.lastBeat, r.beaten = r.now, true }
	for i := range r.wired {
		r.wired[i] = i
	}
	if err := r.connect(probes); err != nil {
		return nil, err
	}
	r.senseAll()
	return r, nil
}

// Now returns the machine's virtual time.
func (r *Rig) Now() time.Duration { return r.now }

// Advance lets the machine run on until now, with the lines as they are.
func (r *Rig) Advance(now time.Duration) {
	for r.now < now {
		dt := min(now-r.now, 100*time.Millisecond)
		r.step(dt)
	}
}

func (r *Rig) step(dt time.Duration) {
	r.contactor(dt)
	var d plant.Drive
	d.Mains = r.mains
	s := dt.Seconds()
	for k := range r.Blowers {
		want := 0.0
		if r.Blowers[k].Level() == gpio.High {
			want = r.blowerShare[k]
		}
		r.flow[k] += s / (blowerTau + s) * (want - r.flow[k])
		d.Blower[k] = r.flow[k]
	}
	d.Fan = r.Fan.Duty()
	for i := range r.Names {
		if r.powered(i) {
			d.Heater[r.wired[i]] = r.half(i)
		}
	}
	r.Plant.Step(dt, d)
	r.now += dt
	r.senseAll()
}

// powered reports whether heater i has mains: contactor and relay in series, and an element that is whole.
func (r *Rig) powered(i int) bool {
	told := (r.Relays[i].Level() == gpio.High) != r.inverted[i]
	if told && r.fluttering[i] > 0 {
		told = int(r.now.Seconds()*r.fluttering[i])%2 == 0
	}
	on := (told || r.stuckOn[i] || r.halfStuck[i]) && !r.stuckOff[i]
	return on && r.closed
}

// half is the share of full power that a conducting relay lets through.
func (r *Rig) half(i int) float64 {
	if r.halfOn[i] || r.halfStuck[i] && (r.Relays[i].Level() == gpio.High) == r.inverted[i] {
		return 0.5
	}
	return 1
}

// contactor works the series contactor: its coil is fed through emergency stop, limiter, door and the heartbeat's
// one-shot, in hardware, whatever the program thinks.
func (r *Rig) contactor(dt time.Duration) {
	coil := r.Enable.Level() == gpio.High && (r.beaten && r.now-r.lastBeat <= oneShot || r.holds) && !r.deadCoil
	for k, i := range interlocks {
		if i.Kind != safety.Extraction && r.openNow(k) {
			coil = false
		}
	}
	if coil == r.closed {
		r.coilFor = 0
	} else if r.coilFor += dt; r.coilFor >= r.moves {
		r.closed, r.coilFor = coil, 0
	}
	if r.welded {
		r.closed = true
	}
}

// senseAll puts on every input line and into every amplifier what the world is like now.
func (r *Rig) senseAll() {
	for i := range r.Names {
		r.Sense[i].Set(level((r.powered(i) || r.sensedOn[i]) && !r.sensedOff[i]) != level(r.misread()))
	}
	for k := range r.Air {
		r.Air[k].Set(level(r.flow[k] > switchFlow || r.airStuck[k]))
	}
	for k := range r.Interlocks {
		r.Interlocks[k].Set(level(!r.openNow(k)))
	}
	r.Mirror.Set(level(r.closed))
	for i := range r.Probes {
		p := &r.Probes[i]
		cold := r.cold(i) + p.wrong.cold
		hot := p.wrong.hot(r.now, r.Plant.Sensed(p.at), cold, r.rng) + p.sigma*r.rng.NormFloat64()
		hot += r.glitch(p)
		if p.meddled != nil {
			p.meddled()
		}
		p.front.Advance(r.now, p.as(hot, cold), cold)
	}
}

// cold is the cold-junction temperature of amplifier i: the room, plus a slow warming of the electronics.
func (r *Rig) cold(i int) float64 {
	warm := 1 - 1/(1+r.now.Seconds()/600)
	return r.ambient + coldWander*warm + 0.2*float64(i)
}

func level(b bool) gpio.Level { return gpio.Level(b) }

// SetMains sets the voltage of the mains relative to nominal.
func (r *Rig) SetMains(share float64) { r.mains, r.nominal = share, share }

// Share is what a transducer on the mains says: voltage relative to nominal, good to a few percent. It is always fitted.
func (r *Rig) Share() (share float64, known bool) { return r.mains, true }

// SetNoise sets the noise at every junction, rms.
func (r *Rig) SetNoise(k unit.Kelvin) {
	for i := range r.Probes {
		r.Probes[i].sigma = float64(k)
	}
}
