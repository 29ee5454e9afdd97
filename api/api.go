// Package api is the station's door to the network: REST under /api/v1 with its OpenAPI document, the live stream,
// metrics, health, and the embedded page.
//
// It asks and it shows; it decides nothing about heat. It imports neither drivers nor the database: a request can only
// put a question to the station, which may refuse it, and there is no path from here to a pin. It never makes the
// control loop wait: it reads copies, and a slow reader loses data, not the loop time.
//
// Who may do what is decided here and nowhere else: a browser or program is paired by a code that only people at the station can
// read, one paired person at a time holds the controls, and each command proves that it is new, in time, and meant for the
// machine as it is. None of it makes anything hot that the station's own conditions would keep cold.
//
// Stop is the exception to every rule here: it is answered before anything else is looked at but Host and Origin, reads no
// body, takes no lock of this package before the station has been told, and is the same for every viewer.
package api

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"sync/atomic"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/prometheus/client_golang/prometheus"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"trivet/api/web"
	"trivet/process"
	"trivet/safety"
	"trivet/station"
)

// Station is what the API needs of the station. All of it may be called from any goroutine.
type Station interface {
	// Latest copies the newest snapshot. It returns at once.
	Latest(dst *station.Snapshot)
	// Setup describes the machine. The value is never changed.
	Setup() *station.Setup
	// Do hands over a command and waits until it is carried out (nil) or refused (*station.Refusal), or ctx ends.
	Do(ctx context.Context, c station.Command) error
	// Stop asks for the heat to end. It cannot be refused and never waits.
	Stop(by string)
}

// Live is the present or last run as it is held in memory, and what happened in this life of the process.
type Live interface {
	// Channels lists the recorded columns.
	Channels() []station.Channel
	// Present returns the rows of the present or last run. They are never changed. runs counts runs and is 0 before the first.
	Present() (runID int64, runs int, rows []station.Sample)
	// Verdict returns how the last run was judged, nil while there is none.
	Verdict() *process.Verdict
	// EventsSince returns the events with a number above seq, oldest first, and whether some in between are gone.
	EventsSince(seq uint64) (list []station.Numbered, gap bool)
}

// Profiles is what may be run.
type Profiles interface {
	List() []ProfileInfo
	ByName(name string) (process.Profile, error)
}

// ProfileInfo is one entry of the catalogue of profiles.
type ProfileInfo struct {
	Name    string // what a start names
	Profile process.Profile
	Default bool // what the page offers first
}

// Options is everything a server is made of. Station, Live, Archive and Profiles are required.
type Options struct {
	Station  Station
	Live     Live
	Archive  station.Archive
	Profiles Profiles

	// Hosts are further names by which browsers may reach this station, "name" or "name:port", besides localhost,
	// 127.0.0.1 and [::1] at the listening port. Anything else in a Host or Origin header is refused.
	Hosts []string

	// Looking is who may look without being paired; empty is nearby.
	Looking Looking
	// Pairings keeps who is paired; nil keeps them for this life of the process only.
	Pairings Pairings
	// ShowCode shows each new pairing code where only people at the station see it; may be nil.
	ShowCode func(code string)
	// Audit keeps each accepted command. It must not wait; what it returns tells when the deed is on the disk, nil that it will not be.
	// Audit may be nil.
	Audit func(Deed) *Receipt
	// Commissioning is what was found out about the machine, and what is owed; nil where nobody keeps it.
	Commissioning Commissioning

	// Jobs keeps the jobs of the shop; nil where nobody does.
	Jobs station.Jobs

	// Report writes the report of one run as HTML; nil where there is none. station.ErrNoRun when there is no such run.
	Report func(ctx context.Context, run int64) ([]byte, error)

	// Now is the clock; nil is time.Now. Only differences are used, except in labels.
	Now func() time.Time

	// Limits bounds the connections; zeros are defaults.
	Limits Limits

	Version string
	BootID  string      // new at each start of the process
	Log     *zap.Logger // nil: no log

	// Lessons counts the boards of the type on the machine that were learned from; nil where nothing learns.
	Lessons func(context.Context) int

	// Collectors are added to /metrics, for what only their owner can count, such as a histogram of lateness.
	Collectors []prometheus.Collector
	// Advice is what /readyz shows besides, without being unready for it; nil for nothing.
	Advice func() []Advice
}

// Advice is something that whoever looks after the computer should know.
type Advice struct {
	Name string // a word, as the names of the checks are
	OK   bool
	Text string
}

// Limits of one server (hazard N-08). Judgement; tests hold to them.
const (
	headerTimeout = 5 * time.Second
	writeTimeout  = 60 * time.Second // a long record over a slow radio link
	// readTimeout also ends requests that are being answered: the server watches the connection meanwhile, and takes a
	// deadline that passes for a viewer that has gone. Slow bodies are the router's to catch, after five seconds.
	readTimeout   = writeTimeout
	idleTimeout   = 60 * time.Second
	maxHeader     = 16 << 10
	maxBody       = 1 << 20
	graceful      = 2 * time.Second // for requests in flight when the process ends
	answerTimeout = 5 * time.Second // how long the station may take to answer a command
	heavyPlaces   = 4               // requests that hold a whole record: 28 MB each for the longest run there is
)

// Server serves one station.
type Server struct {
	o       Options
	log     *zap.Logger
	gate    gate
	mux     *http.ServeMux
	page    http.Handler
	routes  []Route
	openAPI []byte
	doc     *huma.OpenAPI // what openAPI was made of
	hub     *hub
	metrics *metrics
	heavy   chan struct{} // a place for each request that holds a whole record in memory
	alarms  []safety.Alarm

	needs     map[string]Access // by method and path
	people    *people
	controls  controls
	versions  versions
	turns     chan struct{} // held while a command is carried out, or the controls change hands
	answers   answers       // guarded by turns
	began     time.Time
	stopNoted atomic.Int64 // when a Stop was last put on record
	sockets   sockets
}

// Route is one documented way in.
type Route struct {
	Method, Path string
	Needs        Access
	Commands     bool // it changes something, and needs the headers that a foreign page cannot send
}

// New returns a server that has not begun to listen.
func New(o Options) (*Server, error) {
	if o.Station == nil || o.Live == nil || o.Archive == nil || o.Profiles == nil {
		return nil, errors.New("an API server needs a station, its live record, an archive and profiles")
	}
	if o.Log == nil {
		o.Log = zap.NewNop()
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if !o.Looking.Valid() {
		return nil, fmt.Errorf("looking is %q; allowed are %s, %s and %s", o.Looking, LookNearby, LookPaired, LookEverybody)
	}
	if key, what, allowed := o.Limits.Check(); key != "" {
		return nil, fmt.Errorf("limit %s %s; allowed: %s", key, what, allowed)
	}
	o.Limits = o.Limits.Filled()
	g, err := newGate(o.Hosts)
	if err != nil {
		return nil, err
	}
	folk, err := newPeople(o.Pairings, o.ShowCode, o.Now)
	if err != nil {
		return nil, err
	}
	page, err := web.New()
	if err != nil {
		return nil, err
	}
	// A flood of requests must not become a flood of lines: ten of a kind each second, then one in a thousand.
	log := o.Log.Named("api").WithOptions(zap.WrapCore(func(c zapcore.Core) zapcore.Core {
		return zapcore.NewSamplerWithOptions(c, time.Second, 10, 1000)
	}))
	s := &Server{o: o, log: log, gate: g, mux: http.NewServeMux(), page: page,
		heavy: make(chan struct{}, heavyPlaces), alarms: safety.Rows(),
		needs: map[string]Access{}, people: folk, turns: make(chan struct{}, 1), began: o.Now()}
	s.controls.now = o.Now
	s.sockets.all, s.sockets.from = o.Limits.Sockets, o.Limits.SocketsPerSource
	s.hub = newHub(s)
	if s.metrics, err = newMetrics(s); err != nil {
		return nil, err
	}
	if err := s.register(); err != nil {
		return nil, err
	}
	return s, nil
}

// Routes lists every way in, in the order of registration.
func (s *Server) Routes() []Route { return append([]Route(nil), s.routes...) }

// OpenAPI returns the OpenAPI 3.1 document of the REST part, indented.
func (s *Server) OpenAPI() []byte { return append([]byte(nil), s.openAPI...) }

// PairingCode returns the code by which one more browser or program can be paired now, as it is shown.
func (s *Server) PairingCode() string { return s.people.present() }

// Handler returns the whole server as a handler: the gate, Stop, the routes, the page.
func (s *Server) Handler() http.Handler { return http.HandlerFunc(s.serve) }

// Serve answers on ln until ctx ends, then closes the streams, gives requests in flight two seconds, and returns nil.
// It returns an error when listening fails. It closes ln. A server serves once.
func (s *Server) Serve(ctx context.Context, ln net.Listener) error {
	srv := &http.Server{
		Handler: s.Handler(), ErrorLog: zap.NewStdLog(s.log),
		ReadHeaderTimeout: headerTimeout, ReadTimeout: readTimeout, WriteTimeout: writeTimeout, IdleTimeout: idleTimeout,
		MaxHeaderBytes: maxHeader,
		BaseContext:    func(net.Listener) context.Context { return context.WithoutCancel(ctx) },
		ConnContext:    s.sockets.opened, ConnState: s.sockets.changed,
	}
	failed := make(chan error, 1)
	go func() { failed <- srv.Serve(ln) }()
	select {
	case err := <-failed:
		s.Close()
		return err
	case <-ctx.Done():
	}
	s.Close()
	wait, cancel := context.WithTimeout(context.WithoutCancel(ctx), graceful)
	defer cancel()
	if srv.Shutdown(wait) != nil {
		_ = srv.Close() // whoever is still talking has had their two seconds
	}
	<-failed // http.ErrServerClosed
	return nil
}

// Close ends every stream and waits for their goroutines. Serve calls it; callers of Handler alone must.
func (s *Server) Close() { s.hub.close() }

// serve is the order in which a request is looked at. Stop comes right after the gate, so that nothing below can hold
// it up or refuse it.
func (s *Server) serve(w http.ResponseWriter, r *http.Request) {
	secure(w.Header())
	defer busy(r)()
	if p := s.gate.check(r); p != nil {
		s.refuse(w, p)
		return
	}
	if r.URL.Path == stopPath {
		s.stop(w, r)
		return
	}
	switch r.Method {
	case http.MethodGet, http.MethodHead, http.MethodOptions:
	default:
		if p := commandGate(r); p != nil {
			s.refuse(w, p)
			return
		}
	}
	if !ours(r.URL.Path) {
		s.page.ServeHTTP(w, r)
		return
	}
	h, pattern := s.mux.Handler(r)
	if pattern == "" {
		s.refuse(w, noRoute(h, w, r))
		return
	}
	v := s.visit(r)
	if p := s.admit(&v, s.needs[pattern]); p != nil {
		s.refuse(w, p)
		return
	}
	if v.paired {
		s.controls.alive(v.who.ID)
	}
	r = r.WithContext(context.WithValue(r.Context(), visitorKey{}, v))
	switch {
	case r.URL.Path == streamPath: // takes the connection over, which a wrapped writer would hide
		s.mux.ServeHTTP(w, r)
	case large(r.URL.Path):
		s.guarded(w, r, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { pack(w, r, s.mux) }))
	default:
		s.guarded(w, r, s.mux)
	}
}

// guarded calls h and turns a panic into a problem document. The server would survive it anyway, but answer nothing and log a
// page; and the router panics when a viewer goes away in the middle of an answer, which is no fault at all.
func (s *Server) guarded(w http.ResponseWriter, r *http.Request, h http.Handler) {
	t := &tracked{ResponseWriter: w}
	defer func() {
		switch v := recover(); {
		case v == nil:
		case v == http.ErrAbortHandler:
			panic(v)
		case t.began:
			s.log.Info("an answer was broken off", zap.String("path", clip(r.URL.Path)), zap.Any("why", v))
			panic(http.ErrAbortHandler) // closes the connection, so that nobody takes half an answer for a whole one
		default:
			s.log.Error("a handler failed", zap.String("path", clip(r.URL.Path)), zap.Any("why", v), zap.Stack("stack"))
			s.refuse(w, problem("internal", "The request could not be answered."))
		}
	}()
	h.ServeHTTP(t, r)
}

// tracked remembers whether an answer has begun.
type tracked struct {
	http.ResponseWriter
	began bool
}

func (t *tracked) WriteHeader(code int) {
	t.began = true
	t.ResponseWriter.WriteHeader(code)
}

func (t *tracked) Write(p []byte) (int, error) {
	t.began = true
	return t.ResponseWriter.Write(p)
}

// Unwrap gives the deadlines of the connection to those who ask for them.
func (t *tracked) Unwrap() http.ResponseWriter { return t.ResponseWriter }

// noRoute tells a wrong method from a wrong path. The router knows which and writes the Allow header; its plain text
// is dropped in favour of a problem document.
func noRoute(h http.Handler, w http.ResponseWriter, r *http.Request) *Problem {
	var status statusOnly
	status.header = http.Header{}
	h.ServeHTTP(&status, r)
	if status.code == http.StatusMethodNotAllowed {
		w.Header().Set("Allow", status.header.Get("Allow"))
		return problem("method_not_allowed", r.Method+" is not known for "+r.URL.Path+".")
	}
	return problem("not_found", "There is nothing at "+r.URL.Path+".")
}

// statusOnly is a ResponseWriter that keeps the status and headers and forgets the body.
type statusOnly struct {
	header http.Header
	code   int
}

func (s *statusOnly) Header() http.Header         { return s.header }
func (s *statusOnly) Write(p []byte) (int, error) { return len(p), nil }
func (s *statusOnly) WriteHeader(code int)        { s.code = code }

// refuse writes a problem and counts it. Whatever is left of the body is not waited for: whoever is refused could make the server hold
// a connection by sending it slowly.
func (s *Server) refuse(w http.ResponseWriter, p *Problem) {
	s.metrics.refused.WithLabelValues(p.Code).Inc()
	_ = http.NewResponseController(w).EnableFullDuplex() // not supported by every writer
	if p.Status == http.StatusUnauthorized {
		w.Header().Set("WWW-Authenticate", `Bearer realm="trivet"`)
	}
	p.write(w)
}
