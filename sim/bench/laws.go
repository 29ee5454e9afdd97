package bench

import (
	"fmt"
	"time"

	"trivet/control"
	"trivet/control/full"
	"trivet/process/unit"
	"trivet/sim/plant"
	"trivet/station"
)

// LawOn is lawOf for a machine that is no rig of ours: the same laws, told the same of board and machine, over its zones.
func LawOn(p Parts, zones []control.Zone, ambient unit.Celsius) (station.Law, error) {
	return lawOf(p, zones, ambient)
}

// lawOf builds the law a scenario names. All of them sit on the same zones, the same budget and the same guard; what they know
// of the board differs, and nothing else does.
func lawOf(p Parts, zones []control.Zone, ambient unit.Celsius) (station.Law, error) {
	c := control.Config{
		Zones: zones, Budget: unit.Watt(p.Machine.MainsBudgetW), Tuning: control.DefaultTuning(), Ambient: ambient,
		Reach: ReachOf(p.Machine, p.known()), Load: LoadOf(p.known()),
	}
	switch p.Scenario.Law {
	case "cascade", "":
		return control.New(c), nil
	case "full":
		return full.New(full.Config{Cascade: c, Facts: FactsOf(p.Machine, p.known(), ambient), Tuning: full.DefaultTuning(), Board: boardCeiling}), nil
	case "pid":
		t, err := p.sample().TuneSingle()
		if err != nil {
			return nil, err
		}
		return control.NewSingle(c, t), nil
	case "cascade-pid":
		t, err := p.sample().TuneBare()
		if err != nil {
			return nil, err
		}
		c.Tuning = t
		return control.NewBare(c), nil
	case "table":
		path, err := p.sample().FindTable(p.Profile)
		if err != nil {
			return nil, err
		}
		return control.NewTable(c, path, false), nil
	case "clairvoyant":
		if len(p.drive) == 0 {
			return nil, fmt.Errorf("law clairvoyant is worked out on a copy of the plant before the run; only a bench run can do that")
		}
		return &replay{Table: control.NewTable(c, p.drive, true), pace: p.pace}, nil
	}
	return scheduleOf(p, zones)
}

// known is the board as the shop knows it.
func (p Parts) known() plant.Board {
	if p.Believed != nil {
		return *p.Believed
	}
	return p.Board
}

// scheduleOf reads the scenario's own duties.
func scheduleOf(p Parts, zones []control.Zone) (station.Law, error) {
	law := &control.Schedule{Zones: zones, Budget: p.Machine.MainsBudgetW}
	names := p.Machine.HeaterNames()
	for _, st := range p.Scenario.Schedule {
		step := control.ScheduleStep{At: time.Duration(st.AtS * float64(time.Second)), Fan: st.Fan}
		for h, d := range st.Duty {
			found := false
			for i, n := range names {
				if n == h {
					step.Duty[i], found = d, true
				}
			}
			if !found {
				return nil, fmt.Errorf("schedule: there is no heater %q; there are %v", h, names)
			}
		}
		law.Steps = append(law.Steps, step)
	}
	if len(law.Steps) == 0 {
		return nil, fmt.Errorf("law %q needs a [[schedule]] step; the scenario has none", p.Scenario.Law)
	}
	return law, nil
}

// asked returns the parts as a law is to see them. Where nobody looks at the joint, nothing can wait for it: a table's profile
// goes by the clock alone.
func (p Parts) asked() Parts {
	if p.Scenario.Law == "table" {
		p.Profile = unwaiting(p.Profile)
	}
	return p
}
