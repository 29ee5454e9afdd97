package station

import (
	"fmt"
	"time"

	"trivet/control"
	"trivet/control/proof"
	"trivet/process"
	"trivet/safety"
)

// ProofNow is how far the warm-up proof has come.
type ProofNow struct {
	Step  proof.Step
	Zone  int     // heater that is driven, −1 for none
	Share float64 // done, 0…1, an estimate
}

// proving is the warm-up before real heat. Its heat goes through the same guard and gate as any other.
type proving struct {
	cfg   *proof.Config // nil when this machine cannot prove
	proof proof.Proof
	in    proof.In
	out   proof.Out
	share control.Schedule // turns duties into relays under the budget
}

// ProofConfig describes a machine to the warm-up proof: zones with the models of their loops, in the order of the heaters.
func ProofConfig(u *Setup, zones []control.Zone) *proof.Config {
	c := &proof.Config{Zones: zones, Sensors: make([]proof.Sensor, len(u.Sensors))}
	for i, s := range u.Sensors {
		switch s.Role {
		case safety.RoleJoint:
			c.Sensors[i].Role = proof.Joint
		case safety.RolePackageTop:
			c.Sensors[i].Role = proof.PackageTop
		case safety.RoleBoard:
			c.Sensors[i].Role = proof.Board
		case safety.RoleNeighbour:
			c.Sensors[i].Role = proof.Neighbour
		}
	}
	for z, h := range u.Heaters {
		if h.Sensor >= 0 && h.Sensor < len(c.Sensors) {
			c.Sensors[h.Sensor] = proof.Sensor{Role: proof.Heater, Zone: z}
		}
	}
	return c
}

// newProving returns the proof of a machine at rest.
func newProving(o *Options) proving {
	v := proving{cfg: o.Proof}
	if v.cfg != nil {
		v.share = control.Schedule{Zones: v.cfg.Zones, Budget: float64(o.Setup.Budget), Steps: make([]control.ScheduleStep, 1)}
	}
	return v
}

// canProve begins a proof when the order asks for one, or says why there can be none.
func (s *Station) canProve(o *RunOrder) error {
	s.snap.Proof = ProofNow{Zone: -1}
	if !o.proves() {
		return nil
	}
	if s.proving.cfg == nil {
		return &Refusal{Code: "no_proof", What: "This machine's heater loops have not been measured, so its thermocouples cannot be proven.", Do: "Commission it first, or start without the proof."}
	}
	s.proving.out, s.proving.in = proof.Out{Zone: -1}, proof.In{}
	s.proving.share.Begin()
	if err := s.proving.proof.Begin(s.provable()); err != nil {
		return &Refusal{Code: "no_proof", What: "The thermocouples cannot be proven: " + err.Error() + "."}
	}
	return nil
}

// proveAir waits for every blower to prove itself, with no heat on, and ends the run when one does not.
func (s *Station) proveAir(dt time.Duration, v *safety.Verdict) {
	s.airFor += dt
	all := true
	for b := range s.setup.Limits.NBlowers {
		if !v.Proven[b] {
			all = false
			if s.airFor > airPatience {
				name := s.setup.Limits.Blowers[b].Name
				s.stop("no_air", "No heat: "+name+" is not proven. Check its fuse, its fan and the airflow switch.", "")
				return
			}
		}
	}
	if all {
		s.afterAir()
	}
}

// afterAir goes on to the proof, or straight to the profile.
func (s *Station) afterAir() {
	if s.snap.Run.Order.proves() {
		s.snap.Phase, s.snap.Run.HasPlan = PhaseProof, false // nothing is planned until the proof says where the board is
		return
	}
	s.snap.Phase = PhaseHeat
}

// prove runs one tick of the proof.
func (s *Station) prove(now, dt time.Duration, v *safety.Verdict) {
	s.facts.HeatFor += dt
	p := &s.proving
	for i := range s.setup.Sensors {
		p.in.Readings[i] = s.snap.Sensors[i]
	}
	p.in.Allowed, p.in.Keep = control.Set(v.Allow), v.Hold
	p.proof.Step(now, &p.in, &p.out)
	s.snap.Proof = ProofNow{Step: p.out.Step, Zone: p.out.Zone, Share: p.out.Share}
	switch {
	case p.out.Failed:
		what, do := ProofText(&p.out.Finding, &s.setup)
		s.stop("proof:"+string(p.out.Finding.Code), what+" "+do, "")
	case p.out.Done:
		s.fromHere()
	}
}

// fromHere plans the run anew from where the warm-up has left the joint. It allocates, once, between two steps of the run.
func (s *Station) fromHere() {
	sn := &s.snap
	from, ok := s.whereToBegin()
	if !ok {
		return // the guard is dealing with it; the plan waits for a reading
	}
	plan, err := process.NewPlan(s.profile, from)
	if err != nil {
		s.stop("bad_profile", "The profile cannot be followed after the warm-up: "+err.Error()+".", "")
		return
	}
	s.walkThrough(&s.profile, plan)
	s.planned = sn.At
	sn.Run.Plan, sn.Run.HasPlan, sn.Run.Point = plan, true, plan.At(0)
	sn.Phase = PhaseHeat
}

// walkThrough begins the walk through a plan.
func (s *Station) walkThrough(p *process.Profile, plan *process.Plan) {
	s.follow = control.Follower{}
	s.follow.Begin(plan, control.FollowConfig{
		Liquidus: p.Alloy.Liquidus, Margin: meltMargin, Needed: liftNeeded, MaxOpen: liftOpen,
		MaxAbove: aboveMost, MaxWait: liftPatient, NearPeak: liftRipe, StallAfter: stallAfter, NeedPerson: p.Kind == process.Removal,
	})
}

// steerProof takes the proof's duties in place of the law's.
func (s *Station) steerProof(now time.Duration) {
	p := &s.proving
	p.share.Steps[0].Duty = p.out.Duty
	p.share.Step(now, &s.in, &s.out)
	s.facts.BadDrive, s.snap.Fan = s.badDrive(), 0
	if s.watch != nil {
		s.watch.Watch(now, &s.in, &p.out.Duty)
	}
}

// ProofText says in a sentence what the proof has found, and in another what to do.
func ProofText(f *proof.Finding, u *Setup) (what, do string) {
	name := func(i int) string {
		if i >= 0 && i < len(u.Sensors) {
			return u.Sensors[i].Label
		}
		return "another thermocouple"
	}
	heater := "a heater"
	if f.Zone >= 0 && f.Zone < len(u.Heaters) {
		heater = u.Heaters[f.Zone].Label
	}
	it, other := name(f.Sensor), name(f.Other)
	switch f.Code {
	case proof.RestDisagreement:
		side := "above"
		if f.By < 0 {
			side = "below"
		}
		return fmt.Sprintf("Before any heat %s reads %.1f °C %s the others.", it, max(f.By, -f.By), side),
			"Wait until machine and board are at room temperature; if it still differs, check its plug, its type and its amplifier."
	case proof.Lost:
		return it + " has given no reading.", "Push its plug home."
	case proof.NotThere:
		if f.Sensor < 0 {
			return "Nothing on the board got warmer while " + heater + " was on.", "Check that the board lies in the air, and that the heater works."
		}
		return it + " did not answer while " + heater + " was on.",
			"Check the heater and its fuse, and that this thermocouple sits in its place and is not shorted or frozen."
	case proof.Reversed:
		return it + " falls while it is heated: its two wires are the wrong way round.", "Exchange them at its plug."
	case proof.Swapped:
		if f.By > 0 {
			return fmt.Sprintf("%s rose %.1f times as much as %s, and should have risen less: they are exchanged, or %s has come off.", it, f.By, other, lower(other)),
				"Exchange their plugs, or fix the loose one again when the board has cooled."
		}
		return it + " and " + other + " are exchanged: each answers as the other should.", "Exchange their plugs, or move the thermocouples to where they belong."
	case proof.WrongZone:
		return "With " + heater + " on, " + other + " got warm and " + it + " did not.", "Find out whether two heater wires or two thermocouples are exchanged, and put them right with the mains off."
	case proof.Detached:
		do = "Let the board cool, then press the bead down and fix it again."
		if f.Other >= 0 {
			do = "Let the board cool, then press the bead down and fix it again; look at " + lower(other) + " too."
		}
		return it + " does not follow what it should sit on.", do
	}
	if f.Other < 0 {
		return fmt.Sprintf("%s answers %.2f times as much as it should.", it, f.By), "Check that thermocouple and amplifier are of the same type."
	}
	return fmt.Sprintf("%s and %s disagree about how warm the part became, by a factor of %.2f.", it, other, f.By),
		"Check that both thermocouples are of the type their amplifiers are made for, and that both touch the part."
}

// provingSentence says what the proof is busy with.
func provingSentence(s *Snapshot, u *Setup) (text, more string) {
	p := &s.Proof
	switch {
	case p.Step == proof.Driving && p.Zone >= 0 && p.Zone < len(u.Heaters):
		return fmt.Sprintf("Proving the thermocouples: %s on, gently. %.0f %% done.", u.Heaters[p.Zone].Label, 100*p.Share), fmt.Sprint("zone", p.Zone)
	case p.Step == proof.Settling:
		return fmt.Sprintf("Proving the thermocouples: heat off, do they agree? %.0f %% done.", 100*p.Share), "settling"
	}
	return "Proving the thermocouples: do they agree when cold?", "resting"
}
