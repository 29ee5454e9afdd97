package api

import (
	"context"
	"fmt"

	"github.com/danielgtaylor/huma/v2"

	"trivet/station"
)

// ControlsState is who may give the commands that move heat.
type ControlsState struct {
	Holder *HolderState `json:"holder" doc:"Null: nobody; whoever may operate can take them"`
	Asking *HolderState `json:"asking" doc:"Who wants them; null: nobody"`
}

// HolderState names a pairing on everybody's page.
type HolderState struct {
	ID   string `json:"id" doc:"Of the pairing"`
	Name string `json:"name"`
	Role string `json:"role" enum:"viewer,operator,supervisor"`
}

// controlsState is the same for every viewer.
func (s *Server) controlsState() ControlsState {
	holder, asking := s.controls.standing()
	return ControlsState{Holder: s.holderState(holder), Asking: s.holderState(asking)}
}

func (s *Server) holderState(id string) *HolderState {
	who, ok := s.people.current(id)
	if !ok {
		return nil
	}
	return &HolderState{ID: who.ID, Name: who.Name, Role: string(who.Role)}
}

// registerControls adds the ways in which the controls change hands.
func (s *Server) registerControls(a huma.API) {
	type none = struct{ Body struct{} }
	deed := func(path, id, summary string, need Access, do func(v *visitor) (code, text string, p *Problem)) {
		operation(s, a, "POST", path, id, summary, need, func(ctx context.Context, _ *none) (*Accepted, error) { return s.handOver(ctx, do) })
	}
	deed("/api/v1/controls/take", "take_controls", "Take the controls when nobody holds them", AccessOperate, func(v *visitor) (string, string, *Problem) {
		holder, fresh := s.controls.take(v.who.ID)
		switch {
		case holder != v.who.ID:
			return "", "", heldBy(s.nameOf(holder))
		case !fresh:
			return "", "", nil
		}
		return "controls:taken", v.who.Name + " holds the controls.", nil
	})
	deed("/api/v1/controls/ask", "ask_for_controls", "Ask whoever holds the controls to hand them over; the request stands for a minute", AccessOperate, func(v *visitor) (string, string, *Problem) {
		holder, fresh := s.controls.take(v.who.ID)
		switch {
		case fresh:
			return "controls:taken", v.who.Name + " holds the controls.", nil
		case holder == v.who.ID:
			return "", "", nil
		}
		if before := s.controls.ask(v.who.ID); before != "" {
			return "", "", problem("asked_already", fmt.Sprintf("%s has asked already.", s.nameOf(before)))
		}
		return "controls:asked", fmt.Sprintf("%s asks %s for the controls.", v.who.Name, s.nameOf(holder)), nil
	})
	deed("/api/v1/controls/release", "release_controls", "Let go of the controls, or of asking for them", AccessOperate, func(v *visitor) (string, string, *Problem) {
		if !s.controls.release(v.who.ID) {
			return "", "", nil
		}
		return "controls:released", v.who.Name + " let go of the controls.", nil
	})
	deed("/api/v1/controls/take-over", "take_controls_over", "Take the controls from whoever holds them", AccessSupervise, func(v *visitor) (string, string, *Problem) {
		before := s.controls.takeOver(v.who.ID)
		if before == "" || before == v.who.ID {
			return "controls:taken", v.who.Name + " holds the controls.", nil
		}
		return "controls:taken_over", fmt.Sprintf("%s took the controls over from %s.", v.who.Name, s.nameOf(before)), nil
	})
	operation(s, a, "POST", "/api/v1/controls/answer", "answer_for_controls", "Hand the controls over to whoever asks for them, or keep them", AccessControls, func(ctx context.Context, in *struct {
		Body struct {
			To   string `json:"to" minLength:"1" maxLength:"40" doc:"Id of the pairing that asks"`
			Give bool   `json:"give"`
		}
	}) (*Accepted, error) {
		return s.handOver(ctx, func(v *visitor) (string, string, *Problem) {
			if !s.controls.answer(v.who.ID, in.Body.To, in.Body.Give) {
				return "", "", problem("nobody_asks", "Whoever was asking for the controls does not ask any more.")
			}
			if !in.Body.Give {
				return "controls:kept", v.who.Name + " keeps the controls.", nil
			}
			return "controls:given", fmt.Sprintf("%s handed the controls to %s.", v.who.Name, s.nameOf(in.Body.To)), nil
		})
	})
}

// handOver changes who holds the controls, between two commands and never in the middle of one.
func (s *Server) handOver(ctx context.Context, do func(v *visitor) (code, text string, p *Problem)) (*Accepted, error) {
	deed, p := s.handOverInTurn(ctx, do)
	if p != nil {
		return nil, p
	}
	return accepted(deed, nil)
}

func (s *Server) handOverInTurn(ctx context.Context, do func(v *visitor) (code, text string, p *Problem)) (deed *Receipt, p *Problem) {
	v := visitorOf(ctx)
	ctx, cancel := context.WithTimeout(ctx, answerTimeout)
	defer cancel()
	if p := s.turn(ctx); p != nil {
		return nil, p
	}
	defer func() { <-s.turns }()
	code, text, p := "", "", problem("not_paired", "This pairing has been ended.")
	if _, ok := s.people.current(v.who.ID); ok {
		code, text, p = do(&v)
	}
	if p == nil && code != "" {
		deed = s.audit(Deed{Code: code, Text: text}.by(&v)) // in turn, so that the record has everything in the order in which it counted
	}
	return deed, p
}

// mayCommand is what a viewer's pairing lets it do, for the list of allowed commands; the states of all viewers of one kind are one
// text.
type mayCommand uint8

const (
	mayStop        mayCommand = iota // everybody
	mayAcknowledge                   // may operate, but does not hold the controls
	mayEverything                    // holds the controls
	kindsOfViewers
)

// mayOf says what a pairing may do now. holder is who holds the controls.
func mayOf(role Role, id, holder string) mayCommand {
	switch {
	case role.rank() < RoleOperator.rank():
		return mayStop
	case id != holder:
		return mayAcknowledge
	}
	return mayEverything
}

// lets reports whether a command is among those.
func (m mayCommand) lets(e station.Event) bool {
	return e == station.Stop || m == mayEverything || m == mayAcknowledge && e == station.Acknowledge
}
