package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"go.uber.org/zap"
)

// PersonView is a paired browser or program, as it is shown.
type PersonView struct {
	ID     string `json:"id" doc:"Of the pairing; no secret"`
	Name   string `json:"name"`
	Role   string `json:"role" enum:"viewer,operator,supervisor"`
	Paired string `json:"paired_utc"`
	Source string `json:"source" doc:"The address it was paired from"`
}

// PairingView is what a browser or program needs to know of itself.
type PairingView struct {
	You     *PersonView `json:"you" doc:"Null while not paired"`
	Code    *string     `json:"code" doc:"The code by which one more can be paired; only at the station's own computer, null elsewhere"`
	Here    bool        `json:"here" doc:"At the station's own computer"`
	MayLook bool        `json:"may_look" doc:"May see the machine as it is now, paired or not"`
	Private bool        `json:"private" doc:"Nobody on the way can read along: TLS, or not over a network at all"`
	Wait    float64     `json:"wait_s" doc:"How long the next try of a code has to wait"`
}

// PairedView is a new pairing.
type PairedView struct {
	You   PersonView `json:"you"`
	Token string     `json:"token,omitempty" doc:"For programs: send it as Authorization: Bearer. It is not shown again"`
}

// PeopleView lists the pairings.
type PeopleView struct {
	Pairings []PersonView `json:"pairings" nullable:"false"`
}

// AuditView is what was done and by whom, newest first.
type AuditView struct {
	Deeds []RunEventView `json:"deeds" nullable:"false"`
}

func personOf(p Pairing) PersonView {
	return PersonView{ID: p.ID, Name: p.Name, Role: string(p.Role), Paired: stamp(p.Paired), Source: p.Source}
}

// cookieLasts is as long as browsers keep a cookie at most, 400 days (draft RFC 6265bis, from memory). A pairing ends when somebody
// ends it.
const cookieLasts = 400 * 24 * time.Hour

func (s *Server) registerPeople(a huma.API) {
	operation(s, a, "GET", "/api/v1/pairing", "pairing", "Whether this browser or program is paired", AccessOpen, func(ctx context.Context, _ *struct{}) (*body[PairingView], error) {
		return &body[PairingView]{s.pairingView(ctx)}, nil
	})
	operation(s, a, "POST", "/api/v1/pairing", "pair", "Pair this browser or program by the code that the station shows", AccessOpen, s.pairHere, func(op *huma.Operation) { op.DefaultStatus = http.StatusCreated })
	operation(s, a, "POST", "/api/v1/pairing/leave", "leave", "End the own pairing", AccessPaired, s.leave)
	operation(s, a, "GET", "/api/v1/pairings", "pairings", "Everybody who is paired", AccessSupervise, func(context.Context, *struct{}) (*body[PeopleView], error) {
		out := PeopleView{Pairings: []PersonView{}}
		for _, p := range s.people.all() {
			out.Pairings = append(out.Pairings, personOf(p))
		}
		return &body[PeopleView]{out}, nil
	})
	operation(s, a, "DELETE", "/api/v1/pairings/{id}", "unpair", "End somebody's pairing: its token is dead at once", AccessSupervise, s.unpair)
	operation(s, a, "GET", "/api/v1/audit", "audit", "What was done between runs and by whom, newest first; what was done in a run is with the run", AccessSupervise, s.auditView)
}

// pairingView says what the page must know before it can draw anything.
func (s *Server) pairingView(ctx context.Context) PairingView {
	v := visitorOf(ctx)
	out := PairingView{Here: v.here && v.ownName, MayLook: s.mayLook(&v), Private: v.here || v.encrypted, Wait: seconds(s.people.wait(v.limited, v.here))}
	if v.paired {
		p := personOf(v.who)
		out.You = &p
	}
	// Whoever can open a page on this computer could read the console as well. A proxy on it that hides where its requests come from
	// gives itself away by the name it is spoken to.
	if out.Here {
		code := s.people.present()
		out.Code = &code
	}
	return out
}

// pairOrder asks to be paired.
type pairOrder struct {
	Code string `json:"code" minLength:"1" maxLength:"20"`
	Name string `json:"name" minLength:"1" maxLength:"40" doc:"Who this is, for the record and for everybody's page"`
	Role string `json:"role" enum:"viewer,operator,supervisor"`
	For  string `json:"for,omitempty" enum:"browser,program" doc:"browser, the default: the token comes as a cookie that scripts cannot read; program: it comes in the answer"`
}

type pairedAnswer struct {
	Cookie string `header:"Set-Cookie"`
	Body   PairedView
}

// pairHere pairs whoever knows the code. If nobody holds the controls, somebody who may hold them has them now.
func (s *Server) pairHere(ctx context.Context, in *struct{ Body pairOrder }) (*pairedAnswer, error) {
	v := visitorOf(ctx)
	name, err := cleanText("name", in.Body.Name)
	if err == nil && name == "" {
		err = problem("bad_field", "body.name: it must not be empty.")
	}
	if err != nil {
		return nil, err
	}
	who, token, err := s.people.pair(pairRequest{code: in.Body.Code, name: name, role: Role(in.Body.Role), source: v.limited, from: v.source, local: v.here})
	if who.ID == "" {
		return nil, s.onlyProblem("pair", err)
	}
	if err != nil { // paired, and no new code: the old one is used up, which its next use will say
		s.log.Error("make another pairing code", zap.Error(err))
	}
	v.who, v.paired = who, true
	deed := s.audit(Deed{Code: "pairing:added", Text: fmt.Sprintf("%s is paired as %s.", who.Name, who.Role)}.by(&v))
	if who.Role.rank() >= RoleOperator.rank() {
		if holder, fresh := s.controls.take(who.ID); fresh && holder == who.ID {
			deed = s.audit(Deed{Code: "controls:taken", Text: who.Name + " holds the controls."}.by(&v)) // kept in order: with it goes the other
		}
	}
	deed.wait() // the pairing itself is on the disk already
	out := &pairedAnswer{Body: PairedView{You: personOf(who)}}
	if in.Body.For == "program" {
		out.Body.Token = token
	} else {
		out.Cookie = v.cookie(token, cookieLasts)
	}
	return out, nil
}

// cookie carries a token to where no script can read it and no foreign page can make use of it.
func (v *visitor) cookie(token string, lasts time.Duration) string {
	c := http.Cookie{Name: v.cookieName, Value: token, Path: "/", MaxAge: int(lasts.Seconds()), Secure: v.encrypted, HttpOnly: true, SameSite: http.SameSiteStrictMode}
	return c.String()
}

// onlyProblem passes a problem on and logs everything else that is wrong.
func (s *Server) onlyProblem(what string, err error) error {
	var p *Problem
	if errors.As(err, &p) {
		if err != error(p) {
			s.log.Error(what, zap.Error(err))
		}
		return p
	}
	s.log.Error(what, zap.Error(err))
	return problem("internal", "The request could not be answered.")
}

type leftAnswer struct {
	Cookie string `header:"Set-Cookie"`
	Body   struct {
		Ended bool `json:"ended"`
	}
}

func (s *Server) leave(ctx context.Context, _ *struct{ Body struct{} }) (*leftAnswer, error) {
	v := visitorOf(ctx)
	deed, err := s.endPairing(ctx, &v, v.who.ID, "pairing:left", v.who.Name+" is not paired any more.")
	if err != nil {
		return nil, err
	}
	deed.wait()
	out := &leftAnswer{Cookie: v.cookie("", -time.Second)}
	out.Body.Ended = true
	return out, nil
}

func (s *Server) unpair(ctx context.Context, in *struct {
	ID string `path:"id" maxLength:"40"`
}) (*Accepted, error) {
	v := visitorOf(ctx)
	who, ok := s.people.current(in.ID)
	if !ok {
		return nil, problem("no_such_pairing", "There is no such pairing.")
	}
	deed, err := s.endPairing(ctx, &v, who.ID, "pairing:ended", fmt.Sprintf("The pairing of %s was ended.", who.Name))
	return accepted(deed, err)
}

// endPairing takes everything from a pairing: its token, the controls, its streams. After the answer no command of it is carried
// out, because commands take turns with this.
func (s *Server) endPairing(ctx context.Context, v *visitor, id, code, text string) (*Receipt, error) {
	ctx, cancel := context.WithTimeout(ctx, answerTimeout)
	defer cancel()
	if p := s.turn(ctx); p != nil {
		return nil, p
	}
	_, ok, err := s.people.end(id)
	if ok {
		s.controls.release(id)
	}
	<-s.turns
	if !ok {
		return nil, problem("no_such_pairing", "There is no such pairing.")
	}
	s.hub.dismiss(id)
	deed := s.audit(Deed{Code: code, Text: text}.by(v))
	if err != nil {
		return deed, s.onlyProblem("end a pairing", err)
	}
	return deed, nil
}

// auditView shows what the record knows of deeds outside runs.
func (s *Server) auditView(ctx context.Context, in *struct {
	Limit int `query:"limit" minimum:"1" maximum:"1000" default:"100"`
}) (*body[AuditView], error) {
	done, err := s.takePlace(ctx) // they are read whole
	if err != nil {
		return nil, err
	}
	defer done()
	list, err := s.o.Archive.Events(ctx, 0)
	if err != nil {
		return nil, s.archiveProblem(err)
	}
	out := AuditView{Deeds: []RunEventView{}}
	for i := len(list) - 1; i >= 0 && len(out.Deeds) < in.Limit; i-- {
		e := &list[i]
		out.Deeds = append(out.Deeds, RunEventView{seconds(e.At), stamp(e.UTC), e.Code, e.Text, e.By})
	}
	return &body[AuditView]{out}, nil
}
