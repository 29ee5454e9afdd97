package station

import (
	"fmt"
	"math"
	"time"

	"trivet/control"
	"trivet/control/steptest"
	"trivet/process/unit"
	"trivet/safety"
)

// Commissioned is what commissioning has found out about one machine: a plain value that goes into a file as it is.
type Commissioned struct {
	Machine string `json:"machine"` // name in the machine file
	Digest  string `json:"digest"`  // SHA-256 of the machine file, as hexadecimal digits

	InputsUTC time.Time     `json:"inputs_utc"` // zero: never
	InputsBy  string        `json:"inputs_by"`
	Inputs    []InputProven `json:"inputs"`

	AtUTC    time.Time           `json:"at_utc"` // of the run; zero: never
	By       string              `json:"by"`
	RoomC    float64             `json:"room_c"`
	Layers   LayersProven        `json:"layers"`
	Blowers  []BlowerProven      `json:"blowers"`
	Noise    []NoiseAtRest       `json:"noise"`
	Loops    []LoopMeasured      `json:"loops"`
	Findings []CommissionFinding `json:"findings"`

	ProofTestedUTC time.Time `json:"proof_tested_utc"` // zero: never
	ProofTestedBy  string    `json:"proof_tested_by"`
	ProofTested    []string  `json:"proof_tested"` // what was tested, see ProofTests
}

// InputProven is what became of one interlock that a person moved.
type InputProven struct {
	Name  string         `json:"name"`
	State steptest.Moved `json:"state"`
	Other string         `json:"other"` // which input moved in its place or with it; empty for none
}

// LayersProven says what the start-up test could show on this machine.
type LayersProven struct {
	Tested    bool     `json:"tested"`
	Mirror    bool     `json:"mirror"`     // contactor and one-shot were seen to close and open
	Senses    []string `json:"senses"`     // heaters whose relay was seen to switch its own load
	NotSensed []string `json:"not_sensed"` // heaters without a load sense: of these nothing is proven but what the couples showed
}

// BlowerProven is one blower that ran alone.
type BlowerProven struct {
	Name   string  `json:"name"`
	Proof  bool    `json:"proof"` // a proof of air is fitted; without one nothing was tested
	Proven bool    `json:"proven"`
	CameS  float64 `json:"came_s"`
	WentS  float64 `json:"went_s"`
}

// NoiseAtRest is the spread of one sensor at rest: what safety.Sensor.Noise takes.
type NoiseAtRest struct {
	Sensor  string  `json:"sensor"`
	KRMS    float64 `json:"k_rms"` // meaningful when Known
	Known   bool    `json:"known"`
	Samples int     `json:"samples"`
}

// LoopMeasured is one heater's loop: what control.Zone and safety.Loop take, and how well it is known.
type LoopMeasured struct {
	Heater     string  `json:"heater"`
	Gain       float64 `json:"gain"` // K above the room at full power, K⁴ for an area heater
	InertiaSPK float64 `json:"inertia_s_per_k"`
	KpPerK     float64 `json:"kp_per_k"`
	TiS        float64 `json:"ti_s"`
	BandK      float64 `json:"band_k"`
	SlopeKPerS float64 `json:"slope_k_per_s"` // steepest rise of its own reading at full power
	FitRMSK    float64 `json:"fit_rms_k"`
	RiseK      float64 `json:"rise_k"` // of the step
	Order      int     `json:"order"`
	Tau1S      float64 `json:"tau1_s"`
	Tau2S      float64 `json:"tau2_s"`
	DeadTimeS  float64 `json:"dead_time_s"`
	LagS       float64 `json:"lag_s"`    // effective dead time that the gains rest on
	NeedsK     float64 `json:"needs_k"`  // what full power adds in the time a cut-off may take
	MarginK    float64 `json:"margin_k"` // what there is between its highest set-point and its ceiling
}

// CommissionFinding is one thing that was found wrong.
type CommissionFinding struct {
	Code string `json:"code"`
	Text string `json:"text"`
	Do   string `json:"do"`
}

// Findings that only the conclusion can make.
const (
	foundPoorFit   = "poor_fit"
	foundNoMargin  = "no_margin"
	airBandLeast   = unit.Kelvin(20) // 1.25 times the worst of hundreds of fault-free hours on the simulated machines, air
	areaBandLeast  = unit.Kelvin(40) // and area heaters: a single step shows less than a run with every heater on
	bandOverWorst  = 2.0             // times the worst distance in the step test, where that is more
	cutoffLease    = 500 * time.Millisecond
	cutoffOneShot  = 500 * time.Millisecond // the longest one-shot that the wiring guide allows
	CommissionAge  = 365 * 24 * time.Hour   // older than this is worth a reminder; judgement
	ProofTestEvery = 31 * 24 * time.Hour    // the proof test is monthly (hazard study, section 5, item 11)
)

// Conclude works out what a commissioning run has shown: models, gains, bands, margins. It takes about a tenth of a second for each heater and
// is never called in the tick. What the run did not get to is empty.
func Conclude(u *Setup, m *Measured) Commissioned {
	r := &m.Result
	out := Commissioned{By: m.Order.By, RoomC: float64(r.Room), Inputs: []InputProven{}, Blowers: []BlowerProven{}, Noise: []NoiseAtRest{}, Loops: []LoopMeasured{},
		Findings: []CommissionFinding{}, Layers: layersOf(u, m), ProofTested: []string{}}
	for b := range u.Limits.NBlowers {
		x := &r.Blowers[b]
		out.Blowers = append(out.Blowers, BlowerProven{Name: u.Limits.Blowers[b].Name, Proof: u.Limits.Blowers[b].Proof, Proven: x.Tested, CameS: x.Came.Seconds(), WentS: x.Went.Seconds()})
	}
	for i := range u.Sensors {
		n := r.Noise[i]
		known := n.Samples >= 20
		x := NoiseAtRest{Sensor: u.Sensors[i].Name, Known: known, Samples: n.Samples}
		if known {
			x.KRMS = digits(n.RMS)
		}
		out.Noise = append(out.Noise, x)
	}
	for _, f := range r.Findings {
		what, do := FindingText(f, u)
		out.Findings = append(out.Findings, CommissionFinding{string(f.Code), what, do})
	}
	for i := range r.Records {
		if len(r.Findings) > 0 || !m.Whole {
			break
		}
		l, bad := conclude(u, i, &r.Records[i])
		out.Findings = append(out.Findings, bad...)
		if l != nil {
			out.Loops = append(out.Loops, *l)
		}
	}
	return out
}

// layersOf says what the start-up test of the run has proven.
func layersOf(u *Setup, m *Measured) LayersProven {
	out := LayersProven{Tested: m.Layers, Mirror: m.Layers && u.Limits.Mirror, Senses: []string{}, NotSensed: []string{}}
	for h := range u.Limits.NHeaters {
		if m.Layers && u.Limits.Heaters[h].Sense {
			out.Senses = append(out.Senses, u.Heaters[h].Name)
		} else {
			out.NotSensed = append(out.NotSensed, u.Heaters[h].Name)
		}
	}
	return out
}

// conclude is Conclude for one heater.
func conclude(u *Setup, i int, r *steptest.Record) (*LoopMeasured, []CommissionFinding) {
	h := &u.Heaters[i]
	l, err := steptest.Fit(kindOf(h.Kind), r)
	if err != nil {
		return nil, []CommissionFinding{{foundPoorFit, "The step test of " + h.Label + " gives no model: " + err.Error() + ".",
			"See that the mains were steady, that its air was free and that nothing was moved, and commission again."}}
	}
	out := &LoopMeasured{Heater: h.Name, Gain: digits(l.Gain), InertiaSPK: digits(l.Inertia), KpPerK: digits(l.Kp), TiS: digits(l.Ti), SlopeKPerS: digits(l.Slope),
		FitRMSK: digits(l.FitRMS), RiseK: digits(l.Rise), Order: l.Order, Tau1S: digits(l.Tau1), Tau2S: digits(l.Tau2), DeadTimeS: digits(l.DeadTime), LagS: digits(l.Lag)}
	out.BandK = digits(float64(bandOf(u, i, l, r)))
	needs, margin := CutoffMargin(u, i, l.Slope)
	out.NeedsK, out.MarginK = digits(float64(needs)), digits(float64(margin))
	if !(needs <= margin) {
		return out, []CommissionFinding{{foundNoMargin,
			fmt.Sprintf("%s gains %.1f °C/s at full power, %.0f °C in the time a cut-off may take, and its ceiling is only %.0f °C above its highest set-point.", h.Label, l.Slope, float64(needs), float64(margin)),
			"Lower its highest set-point in the machine file, or the power that is connected to it."}}
	}
	return out, nil
}

// CutoffMargin is invariant I-27 for one heater: what it gains at full power, at slope K/s, in the longest time from a lost sensor to a
// dropped contactor (one tick, the sensor's own patience, the lease of a command, the one-shot), and what there is between its highest
// set-point and the ceiling of its own sensor. A configuration that needs more than it has must not heat.
func CutoffMargin(u *Setup, heater int, slope float64) (needs, margin unit.Kelvin) {
	h := &u.Heaters[heater]
	if h.Sensor < 0 || h.Sensor >= u.Limits.NSensors {
		return unit.Kelvin(math.Inf(1)), 0
	}
	s := &u.Limits.Sensors[h.Sensor]
	after := Period + s.LostAfter + cutoffLease + cutoffOneShot
	return unit.Kelvin(after.Seconds() * slope), s.Ceiling.Sub(h.Ceiling)
}

// bandOf plays the step test to a guard that knows the loop and returns how far its balance may come apart from the reading.
func bandOf(u *Setup, i int, l steptest.Loop, r *steptest.Record) unit.Kelvin {
	least := airBandLeast
	radiates := kindOf(u.Heaters[i].Kind) == control.Area
	if radiates {
		least = areaBandLeast
	}
	limits := u.Limits
	limits.Room = unit.Celsius(r.Room)
	for h := range limits.NHeaters {
		limits.Heaters[h].Loop = safety.Loop{}
	}
	limits.Heaters[i].Loop = safety.Loop{Sensor: u.Heaters[i].Sensor, Gain: l.Gain, Inertia: l.Inertia, Radiates: radiates}
	g, err := safety.NewGuard(limits)
	if err != nil {
		return least
	}
	var f safety.Facts
	f.Supply = math.Sqrt(r.Supply)
	worst, owed, row := 0.0, 0.0, 0
	for now := Period; now.Seconds() <= r.Time[len(r.Time)-1]; now += Period {
		for row+1 < len(r.Time) && r.Time[row+1] <= now.Seconds() {
			row++
		}
		f.Readings[u.Heaters[i].Sensor] = unit.Measured(now, unit.Celsius(r.Temp[row]))
		g.Step(now, &f)
		worst = math.Max(worst, math.Abs(float64(g.Balance(i))))
		// Whole relays by error feedback, as in the run; the guard is told in the next tick.
		f.Driven = 0
		if owed += r.Duty[row]; owed >= 0.5 {
			owed--
			f.Driven = f.Driven.With(i)
		}
	}
	return max(least, unit.Kelvin(math.Ceil(bandOverWorst*worst)))
}

// digits rounds to four digits, which is more than a step test knows.
func digits(x float64) float64 {
	if x == 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return 0
	}
	p := math.Pow(10, 3-math.Floor(math.Log10(math.Abs(x))))
	return math.Round(x*p) / p
}

// Zones returns the loops as the laws want them, in the order of the heaters; false when one of them has not been measured.
func (c *Commissioned) Zones(u *Setup) ([]control.Zone, bool) {
	zones := make([]control.Zone, len(u.Heaters))
	for i := range u.Heaters {
		h := &u.Heaters[i]
		l := c.loop(h.Name)
		if l == nil {
			return nil, false
		}
		zones[i] = control.Zone{Kind: kindOf(h.Kind), Rated: h.Rated, Ceiling: h.Ceiling, Gain: l.Gain, Inertia: l.InertiaSPK, Kp: l.KpPerK, Ti: l.TiS}
	}
	return zones, true
}

// Guard writes what the guard takes of it into a machine's limits: loops, bands, noise. What was not measured stays as it is.
func (c *Commissioned) Guard(u *Setup) {
	for i := range u.Heaters {
		h := &u.Heaters[i]
		if l := c.loop(h.Name); l != nil && h.Sensor >= 0 {
			u.Limits.Heaters[i].Loop = safety.Loop{Sensor: h.Sensor, Gain: l.Gain, Inertia: l.InertiaSPK, Radiates: kindOf(h.Kind) == control.Area, Band: l.BandK}
		}
	}
	for i := range u.Sensors {
		for _, n := range c.Noise {
			if n.Sensor == u.Sensors[i].Name && n.Known {
				u.Limits.Sensors[i].Noise = n.KRMS
			}
		}
	}
}

func (c *Commissioned) loop(heater string) *LoopMeasured {
	for i := range c.Loops {
		if c.Loops[i].Heater == heater {
			return &c.Loops[i]
		}
	}
	return nil
}
