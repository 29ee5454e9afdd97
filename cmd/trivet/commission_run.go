package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"trivet/api"
)

// machine begins the run and follows it.
func (g *guide) machine() error {
	v, err := g.until(func(v *api.CommissioningView) bool { return v.Startable })
	if err != nil {
		return err
	}
	if err := g.typed("heat", "Now the run: contactor and relays, sensors at rest, each blower, each heater. It takes half an hour, and the heads reach 300 °C. Type heat to begin."); err != nil {
		return err
	}
	err = g.order("/commissioning/run", map[string]any{})
	if err == nil {
		if err = g.follow(v.Result.AtUTC); err == nil {
			return nil
		}
	} else if g.talk.ctx.Err() == nil {
		return err // refused, or nobody answers: nothing has begun
	}
	// Whoever cannot follow a run any more, or does not want to, ends its heat; an order that was interrupted may have been carried out.
	return errors.Join(err, g.stop())
}

// follow shows a run until its end, and until what it has measured is worked out.
func (g *guide) follow(before time.Time) error {
	if _, err := g.until(func(v *api.CommissioningView) bool { return v.Run.Active || v.Result.AtUTC.After(before) }); err != nil {
		return err
	}
	var since time.Time
	for {
		var s struct {
			Sentence string `json:"sentence"`
			Meaning  string `json:"sentence_meaning"`
			State    string `json:"state"`
		}
		if err := g.talk.ask("GET", "/state", nil, &s); err != nil {
			return err
		}
		if s.Meaning != g.told {
			fmt.Fprintln(g.say, s.Sentence)
			g.told = s.Meaning
		}
		v, err := g.look()
		switch {
		case err != nil:
			return err
		case v.Run.Active:
		case s.State == "complete" && (v.Busy || !v.Result.AtUTC.After(before)):
			// The loops are being worked out: a second at most for each heater.
			if since.IsZero() {
				since = time.Now()
			}
			if time.Since(since) > time.Minute {
				return errors.New("the run is over, and its result does not come: look at the station's log")
			}
		case s.State != "running":
			g.undone = s.State != "complete"
			// What was found comes a moment after the run; of one that was stopped or cut off nothing comes.
			_, err := g.until(func(v *api.CommissioningView) bool { return !v.Busy && v.Result.AtUTC.After(before) })
			return err
		}
		if _, err := g.heard(g.cmd.wait); err != nil {
			return err
		}
	}
}

// stop ends the heat.
func (g *guide) stop() error {
	last, cancel := context.WithTimeout(context.WithoutCancel(g.talk.ctx), 5*time.Second)
	defer cancel()
	g.talk.ctx = last
	err := g.talk.ask("POST", "/stop", nil, nil)
	if err != nil {
		return fmt.Errorf("the heat could not be ended from here: press the emergency stop: %w", err)
	}
	return errors.New("the heat was ended")
}
