package model

import "math"

// Params are the physical parameters of the three lumps: Top is the upper body of the part, Joint its lower body with
// the balls and the board beneath, Ring the board around. Heat in J, conductances in W/K, radiative ones in W/K⁴.
type Params struct {
	Ambient                      float64 // °C
	HeatTop, HeatJoint, HeatRing float64 // J/K at 25 °C
	JetTop, JetJoint             float64 // nozzle air to the part's top and to the board beneath it, W/K
	SealTop, SealBottom          float64 // share of the excess air temperature that arrives
	JetRingTop, JetRingBottom    float64 // spill of the jets on the ring, W/K
	MixRing                      float64 // share of the excess that arrives there
	ViewJoint, ViewRing          float64 // emitters to board, W/K⁴
	GlowTop, GlowJoint, GlowRing float64 // board and part to the room, W/K⁴
	LossTop, LossJoint, LossRing float64 // still air, W/K
	FanTop, FanBottom            float64 // full fans on top and joint, W/K
	Across, Along                float64 // top–joint and joint–ring, W/K
	Latent                       float64 // J to melt the balls
	Melt                         float64 // °C, middle of the melting range
	MeltWidth                    float64 // K, half width over which they melt: the range of the alloy and the spread over the array
	Stem                         float64 // share of the joint reading that is air along the wire
	TopAir                       float64 // the same on the package top
	JointLag                     float64 // s, of the joint thermocouple and its amplifier
	AirLag, AreaLag              float64 // s, of the thermocouples in the nozzles and at the emitters
	JointMix                     float64 // share of the ring in the temperature of an outer ball
	BoardMix                     float64 // share of the ring at the board thermocouple; the rest is joint
}

// Lumps is how many states the model has.
const Lumps = 3

// State is the temperature of top, joint and ring in °C.
type State [Lumps]float64

// Input is what the heaters are at, as measured, over one step.
type Input struct {
	Top, Bottom float64 // nozzle air, °C
	Area4       float64 // mean of the emitters' fourth powers, K⁴
	Wind        float64 // board fans: share of full speed to the 0.7th power, 0…1
	Push        float64 // extra rate on the joint lump that the model does not explain, K/s
}

const (
	warmer = 1e-3 // growth of heat capacity per kelvin (physics study, 1.4)
)

func fourth(c float64) float64 {
	k := c + zeroC
	k *= k
	return k * k
}

// rates returns dT/dt of the lumps in K/s, and its Jacobian by rows when j is not nil.
func (p *Params) rates(x *State, u *Input, dx *State, j *[9]float64) {
	a4 := fourth(p.Ambient)
	t, b, r := x[0], x[1], x[2]
	t4, b4, r4 := fourth(t), fourth(b), fourth(r)
	airTop := p.Ambient + p.SealTop*(u.Top-p.Ambient)
	airBottom := p.Ambient + p.SealBottom*(u.Bottom-p.Ambient)
	ringTop := p.Ambient + p.MixRing*(airTop-p.Ambient)
	ringBottom := p.Ambient + p.MixRing*(airBottom-p.Ambient)
	qt := p.JetTop*(airTop-t) + p.Across*(b-t) + p.LossTop*(p.Ambient-t) + p.GlowTop*(a4-t4) + u.Wind*p.FanTop*(p.Ambient-t)
	qb := p.JetJoint*(airBottom-b) + p.Across*(t-b) + p.Along*(r-b) + p.LossJoint*(p.Ambient-b) + p.GlowJoint*(a4-b4) + p.ViewJoint*(u.Area4-b4) + u.Wind*p.FanBottom*(p.Ambient-b)
	qr := p.JetRingTop*(ringTop-r) + p.JetRingBottom*(ringBottom-r) + p.Along*(b-r) + p.LossRing*(p.Ambient-r) + p.GlowRing*(a4-r4) + p.ViewRing*(u.Area4-r4)
	ct, cr := p.HeatTop*(1+warmer*(t-25)), p.HeatRing*(1+warmer*(r-25))
	cb := p.HeatJoint*(1+warmer*(b-25)) + p.Latent*p.melting(b)
	dx[0], dx[1], dx[2] = qt/ct, qb/cb+u.Push, qr/cr
	if j == nil {
		return
	}
	d3 := func(c float64) float64 { k := c + zeroC; return 4 * k * k * k }
	*j = [9]float64{
		-(p.JetTop + p.Across + p.LossTop + p.GlowTop*d3(t)) / ct, p.Across / ct, 0,
		p.Across / cb, -(p.JetJoint + p.Across + p.Along + p.LossJoint + (p.GlowJoint+p.ViewJoint)*d3(b)) / cb, p.Along / cb,
		0, p.Along / cr, -(p.JetRingTop + p.JetRingBottom + p.Along + p.LossRing + (p.GlowRing+p.ViewRing)*d3(r)) / cr,
	}
}

// melting is the share of the balls that melts per kelvin at c, in 1/K: a bump of area one around the melting range.
func (p *Params) melting(c float64) float64 {
	z := (c - p.Melt) / p.MeltWidth
	if z > 6 || z < -6 {
		return 0
	}
	s := math.Cosh(z)
	return 1 / (2 * p.MeltWidth * s * s)
}

// Step moves the state by h seconds under an input that is held: one linearly implicit midpoint step, of second order
// and stable however fast the thinnest lump is. h is 0.1…2 s in use.
func (p *Params) Step(x *State, u *Input, h float64) {
	p.step(x, u, h, nil)
}

// Linear moves the state like Step and also returns the sensitivity of the new state to the old one, by rows.
func (p *Params) Linear(x *State, u *Input, h float64, a *[9]float64) { p.step(x, u, h, a) }

func (p *Params) step(x *State, u *Input, h float64, a *[9]float64) {
	var dx State
	var j [9]float64
	p.rates(x, u, &dx, &j)
	// (I − h/2·J) Δ = h·f. J has no top–ring entry, so Δ follows by elimination of top and ring.
	m00, m01 := 1-h/2*j[0], -h/2*j[1]
	m10, m11, m12 := -h/2*j[3], 1-h/2*j[4], -h/2*j[5]
	m21, m22 := -h/2*j[7], 1-h/2*j[8]
	pivot := m11 - m10*m01/m00 - m12*m21/m22
	solve := func(f0, f1, f2 float64) (d0, d1, d2 float64) {
		d1 = (f1 - m10*f0/m00 - m12*f2/m22) / pivot
		return (f0 - m01*d1) / m00, d1, (f2 - m21*d1) / m22
	}
	d0, d1, d2 := solve(h*dx[0], h*dx[1], h*dx[2])
	if a != nil {
		// Sensitivity of the step with the Jacobian held: I + (I − h/2·J)⁻¹ h·J.
		for c := range 3 {
			e0, e1, e2 := solve(h*j[c], h*j[3+c], h*j[6+c])
			a[c], a[3+c], a[6+c] = e0, e1, e2
			a[4*c]++
		}
	}
	x[0] += d0
	x[1] += d1
	x[2] += d2
}

// Rates returns how fast the lumps move now, K/s.
func (p *Params) Rates(x State, u Input) (dx State) {
	p.rates(&x, &u, &dx, nil)
	return dx
}

// Fan returns the share of full speed at which the board fans would make the joint move at want K/s, 0…1; ok is false
// when nothing is known of the fans. Fan convection grows as the 0.7th power of speed (physics study, 1.2).
func (p *Params) Fan(x State, u Input, want float64) (share float64, ok bool) {
	if !(p.FanTop+p.FanBottom > 0) {
		return 0, false
	}
	u.Wind = 0
	dx := p.Rates(x, u)
	ct, cb := p.HeatTop*(1+warmer*(x[0]-25)), p.HeatJoint*(1+warmer*(x[1]-25))
	// Top and joint fall together: what the fans must add is shared by both.
	free := (dx[0]*ct + dx[1]*cb) / (ct + cb)
	full := (p.FanTop*(x[0]-p.Ambient) + p.FanBottom*(x[1]-p.Ambient)) / (ct + cb)
	if !(full > 1e-3) {
		return 0, true
	}
	return math.Min(1, math.Pow(math.Max(0, (free-want)/full), 1/0.7)), true
}

// Ball is the temperature of an outer ball in °C: the coldest joint, which is steered by.
func (p *Params) Ball(x *State) float64 { return x[1] + p.JointMix*(x[2]-x[1]) }

// Reading is what the joint thermocouple shows for a ball at ball °C that warms by rate K/s.
func (p *Params) Reading(ball, rate float64, u *Input) float64 {
	air := p.Ambient + p.SealTop*(u.Top-p.Ambient)
	return ball + p.Stem*(air-ball) - p.JointLag*rate
}

// BallOf is the inverse of Reading.
func (p *Params) BallOf(reading, rate float64, u *Input) float64 {
	air := p.Ambient + p.SealTop*(u.Top-p.Ambient)
	return (reading + p.JointLag*rate - p.Stem*air) / (1 - p.Stem)
}

// Body is what the thermocouple on the package top shows.
func (p *Params) Body(x *State, u *Input) float64 {
	air := p.Ambient + p.SealTop*(u.Top-p.Ambient)
	return x[0] + p.TopAir*(air-x[0])
}

// Board is what the board thermocouple beside the part shows.
func (p *Params) Board(x *State) float64 { return x[1] + p.BoardMix*(x[2]-x[1]) }
