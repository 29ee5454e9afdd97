package api

import (
	"context"
	"encoding/json"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"trivet/station"
)

// register fills the router. The order is the order of the document.
func (s *Server) register() error {
	// Bodies are read by our own decoder and checked against the schemas by the router; answers are written by the router's.
	strict := huma.Format{Marshal: huma.DefaultJSONFormat.Marshal, Unmarshal: decodeStrict}
	c := huma.DefaultConfig("Trivet", "1") // of the interface; /healthz names that of the program
	c.Info.Description = "A controller for the rework of ball-grid-array parts. Temperatures are °C, powers W, times s, with the unit in the name of a field. " +
		"POST /api/v1/stop ends the heat, always, for every viewer. Whatever else changes something needs the header X-Trivet-Request: 1, and a pairing: " +
		"POST the code that the station shows to /api/v1/pairing. Commands that move heat need the controls as well, which one person holds at a time, and three headers that keep " +
		"an old or repeated command from being carried out: Idempotency-Key, If-Match and X-Trivet-Seen."
	// The router would serve the document, a page about it that loads scripts from elsewhere, and schema links in every
	// answer. We want the document alone, and made once: the router makes it at the first request, without a lock.
	c.OpenAPIPath, c.DocsPath, c.SchemasPath = "", "", ""
	c.CreateHooks = nil
	c.Formats = map[string]huma.Format{"application/json": strict, "json": strict}
	c.Transformers = []huma.Transformer{s.asProblem}
	// A misspelt parameter that is silently ignored is a wrong answer to the question that was asked.
	c.RejectUnknownQueryParameters = true
	a := humago.New(s.mux, c)

	s.registerCommands(a)
	s.registerViews(a)
	s.registerRuns(a)
	s.registerReport(a)
	s.registerPeople(a)
	s.registerControls(a)
	s.registerCommissioning(a)
	s.registerJobs(a)
	s.documentPlain(a.OpenAPI())
	documentNulls(a.OpenAPI().Components.Schemas)
	s.doc = a.OpenAPI()

	doc, err := json.MarshalIndent(a.OpenAPI(), "", "  ")
	if err != nil {
		return err
	}
	s.openAPI = append(doc, '\n')
	s.plain("GET", "/api/v1/openapi.json", AccessOpen, func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/openapi+json")
		_, _ = w.Write(s.openAPI)
	})
	s.plain("GET", streamPath, AccessLook, s.hub.serve)
	s.plain("GET", "/healthz", AccessOpen, s.healthz) // says that the process lives, and nothing of the machine
	s.plain("GET", "/readyz", AccessLook, s.readyz)
	// Errors while collecting are sent as an error to the scraper, which raises its own alarm.
	s.plain("GET", "/metrics", AccessLook, promhttp.HandlerFor(s.metrics.registry, promhttp.HandlerOpts{}).ServeHTTP)
	s.routes = append(s.routes, Route{Method: "POST", Path: stopPath, Needs: AccessOpen}) // answered in front of the router
	for _, r := range s.routes {
		s.needs[r.Method+" "+r.Path] = r.Needs
	}
	return nil
}

// plain adds a handler outside the OpenAPI machinery.
func (s *Server) plain(method, path string, needs Access, h http.HandlerFunc) {
	s.routes = append(s.routes, Route{Method: method, Path: path, Needs: needs})
	s.mux.HandleFunc(method+" "+path, h)
}

// operation adds one documented operation.
func operation[I, O any](s *Server, a huma.API, method, path, id, summary string, needs Access, h func(context.Context, *I) (*O, error), change ...func(*huma.Operation)) {
	// Every operation may answer with a problem of any code, so there is one default answer and not a list per operation;
	// /api/v1/problems is the list.
	op := huma.Operation{Method: method, Path: path, OperationID: id, Summary: summary, MaxBodyBytes: maxBody,
		Responses: map[string]*huma.Response{"default": {
			Description: "A problem, by RFC 9457",
			Content:     map[string]*huma.MediaType{"application/problem+json": {Schema: a.OpenAPI().Components.Schemas.Schema(problemType, true, "")}},
		}}}
	for _, c := range change {
		c(&op)
	}
	op.Description = strings.TrimSpace(op.Description + " " + needs.explain())
	s.routes = append(s.routes, Route{Method: method, Path: path, Needs: needs, Commands: method != http.MethodGet})
	huma.Register(a, op, h)
}

// documentPlain puts what the router does not serve into the document: Stop and the stream.
func (s *Server) documentPlain(doc *huma.OpenAPI) {
	doc.AddOperation(&huma.Operation{Method: http.MethodPost, Path: stopPath, OperationID: "stop", Summary: "End the heat, always. Needs no body, no header and no login.",
		Responses: map[string]*huma.Response{"200": {Description: "The station has been told", Content: map[string]*huma.MediaType{
			"application/json": {Schema: &huma.Schema{Type: huma.TypeObject, Properties: map[string]*huma.Schema{"stopping": {Type: huma.TypeBoolean}}}},
		}}}})
	doc.AddOperation(&huma.Operation{Method: http.MethodGet, Path: streamPath, OperationID: "stream",
		Summary:     "WebSocket: the state up to ten times a second and events as they happen",
		Description: streamDoc,
		Parameters: []*huma.Param{
			{Name: "since", In: "query", Description: "The last number seen", Schema: &huma.Schema{Type: huma.TypeInteger}},
			{Name: "boot", In: "query", Description: "The boot_id it was seen with", Schema: &huma.Schema{Type: huma.TypeString}},
		},
		Responses: map[string]*huma.Response{"101": {Description: "The stream"}}})
}

// documentNulls corrects what the schemas say of null: a pointer to an object may be null, and so may a nullable word that
// has a list of allowed ones.
func documentNulls(r huma.Registry) {
	// The router writes a pointer to an object as if it were always there, and cannot be told otherwise by a tag.
	state := r.Map()["State"]
	nullable := func(of *huma.Schema, names ...string) {
		for _, name := range names {
			p := of.Properties[name]
			of.Properties[name] = &huma.Schema{Description: p.Description, AnyOf: []*huma.Schema{{Ref: p.Ref}, {Type: "null"}}}
		}
	}
	nullable(state, "ended", "run", "joint", "forecast")
	nullable(r.Map()["ControlsState"], "holder", "asking")
	nullable(r.Map()["PairingView"], "you")
	for _, schema := range r.Map() {
		for _, p := range schema.Properties {
			if p.Nullable && len(p.Enum) > 0 {
				p.Enum = append(p.Enum, nil)
			}
		}
	}
}

// By is who gives a command, where that is somebody else than whoever is paired: a panel is paired once and used by many.
type By struct {
	By string `json:"by,omitempty" maxLength:"80" doc:"Name of the person, for the record; without it the name given at pairing"`
}

// StartOrder asks for a run.
// The texts are for the record and the report. Their lengths are what fits a line of a report (judgement, no source).
type StartOrder struct {
	Profile string `json:"profile" minLength:"1" maxLength:"64" doc:"Name of the profile"`
	Kind    string `json:"kind,omitempty" enum:"removal,placement,reball,dressing,preheat" doc:"Checked against the profile when given"`
	Board   string `json:"board,omitempty" maxLength:"120"`
	Part    string `json:"part,omitempty" maxLength:"120"`
	Serial  string `json:"serial,omitempty" maxLength:"120"`
	Proof   bool   `json:"proof,omitempty" doc:"Prove every thermocouple by a gentle warm-up before real heat"`
	NoJoint bool   `json:"no_joint,omitempty" doc:"Repeat a learned board with no thermocouple at the joint, steered by an estimate; begins with the warm-up"`
	Job     string `json:"job,omitempty" maxLength:"40" doc:"The job that this run is for; refused while something is owed"`
	Step    string `json:"step,omitempty" enum:"remove,dress,reball,place" doc:"With job: which of its steps"`
	Bounded bool   `json:"bounded_peak,omitempty" doc:"With no_joint: go without a lesson or a package top, or on another board, at a lowered peak"`
	By
}

// Accepted says that a command was carried out by the control loop.
type Accepted struct {
	Body struct {
		Accepted bool `json:"accepted"`
		OnRecord bool `json:"on_record" doc:"Who asked for it is on the disk; false: not yet, because the disk is slow or fails, or because nothing was changed"`
	}
}

func (s *Server) registerCommands(a huma.API) {
	// 202 and not 201: the control loop has accepted the order, the record of the run begins a moment later.
	later := func(op *huma.Operation) { op.DefaultStatus = http.StatusAccepted }
	operation(s, a, "POST", "/api/v1/runs", "start", "Start a run", AccessControls, s.start, later)
	for _, c := range []struct {
		path, id, summary string
		event             station.Event
	}{
		{"/api/v1/hold", "hold", "Hold the heat where it is, for three minutes at most", station.Hold},
		{"/api/v1/restart", "restart", "Go on after a hold", station.Restart},
		{"/api/v1/confirm-lift", "confirm_lift", "The part is off, or for a placement: it sits", station.Lifted},
	} {
		operation(s, a, "POST", c.path, c.id, c.summary, AccessControls, func(ctx context.Context, in *struct {
			Care
			Body By
		}) (*Accepted, error) {
			return s.do(ctx, in.Care, station.Command{Event: c.event}, in.Body, in.Body)
		}, later)
	}
	operation(s, a, "POST", "/api/v1/reset", "reset", "Reset a trip whose cause is gone, or go back to idle after a run", AccessControls, func(ctx context.Context, in *struct {
		Care
		Body struct {
			TripID uint32 `json:"trip_id,omitempty" doc:"The trip that was seen; 0 when none is latched"`
			By
		}
	}) (*Accepted, error) {
		return s.do(ctx, in.Care, station.Command{Event: station.Reset, TripID: in.Body.TripID}, in.Body.By, in.Body)
	}, later)
	operation(s, a, "POST", "/api/v1/acknowledge", "acknowledge", "Say that an alarm has been seen", AccessOperate, func(ctx context.Context, in *struct {
		Care
		Body struct {
			Code    string `json:"code" minLength:"1" maxLength:"64"`
			Subject int    `json:"subject,omitempty" minimum:"0" maximum:"63"`
			By
		}
	}) (*Accepted, error) {
		return s.do(ctx, in.Care, station.Command{Event: station.Acknowledge, Alarm: in.Body.Code, Subject: in.Body.Subject}, in.Body.By, in.Body)
	}, later)
}

// do hands a command to the station with care and waits for its answer. body is the whole of what was asked.
func (s *Server) do(ctx context.Context, care Care, c station.Command, by By, body any) (*Accepted, error) {
	name, err := cleanText("by", by.By)
	if err != nil {
		return nil, err
	}
	// Who it was is for the record, not for permission: that is the pairing's.
	if c.By = name; c.By == "" {
		v := visitorOf(ctx)
		c.By = v.name()
	}
	return s.carry(ctx, care, c, body)
}

func (s *Server) start(ctx context.Context, in *struct {
	Care
	Body StartOrder
}) (*Accepted, error) {
	o := &station.RunOrder{}
	for _, f := range []struct {
		name string
		from string
		to   *string
	}{{"board", in.Body.Board, &o.Board}, {"part", in.Body.Part, &o.Part}, {"serial", in.Body.Serial, &o.Serial}, {"by", in.Body.By.By, &o.By}} {
		var err error
		if *f.to, err = cleanText(f.name, f.from); err != nil {
			return nil, err
		}
	}
	p, err := s.profile(in.Body.Profile)
	if err != nil {
		return nil, err
	}
	// The page shows a profile as "removal". If the profile behind the name has been changed since, the person must know.
	if in.Body.Kind != "" && in.Body.Kind != string(p.Kind) {
		return nil, problem("wrong_kind", "The profile "+p.Name+" is for "+string(p.Kind)+", not for "+in.Body.Kind+".")
	}
	// The order holds a copy of the profile: whatever happens to the catalogue, the run follows what was ordered.
	o.Profile, o.Kind, o.Proof = p, p.Kind, in.Body.Proof
	o.NoJoint, o.BoundedPeak = in.Body.NoJoint, in.Body.Bounded
	if err := s.forJob(ctx, in.Body.Job, in.Body.Step); err != nil {
		return nil, err
	}
	o.Job, o.Step = in.Body.Job, in.Body.Step
	if o.Board == "" {
		o.Board = s.o.Station.Setup().Board
	}
	if o.By == "" {
		v := visitorOf(ctx)
		o.By = v.name()
	}
	return s.do(ctx, in.Care, station.Command{Event: station.Start, Order: o}, By{By: o.By}, in.Body)
}

// now returns the state for one viewer.
func (s *Server) now(v *visitor) State {
	s.sweep()
	// A copy of a few kilobytes; it is what keeps a reader from ever holding the loop's own.
	var snap station.Snapshot
	s.o.Station.Latest(&snap)
	holder, _ := s.controls.standing()
	return stateOf(&snap, s.view(&snap, mayOf(v.who.Role, v.who.ID, holder)))
}

// view gathers what stateOf needs besides the snapshot.
func (s *Server) view(snap *station.Snapshot, may mayCommand) view {
	return view{reminders: s.reminders(), setup: s.o.Station.Setup(), alarms: s.alarms, verdict: s.o.Live.Verdict(), bootID: s.o.BootID, now: s.o.Now(), may: may,
		version: s.version(snap), stamp: s.stamp(), controls: s.controlsState()}
}

// acceptsGzip reports whether the client can unpack gzip. "gzip;q=0" is so rare that not packing for it is good enough.
func acceptsGzip(header string) bool {
	return strings.Contains(header, "gzip") && !strings.Contains(header, "gzip;q=0")
}
