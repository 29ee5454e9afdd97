package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/goleak"

	"trivet/process"
	"trivet/process/unit"
	"trivet/safety"
	"trivet/station"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// desk stands in for the station, its live record, its archive and its profiles.
type desk struct {
	mu      sync.Mutex
	snap    station.Snapshot
	setup   station.Setup
	stops   []string
	done    []station.Command
	answer  error // to every command
	looks   int   // calls of Latest
	frozen  bool  // the loop does not tick
	events  []station.Numbered
	lostTo  uint64
	rows    []station.Sample
	verdict *process.Verdict
	failing error // of the archive
	panics  bool  // so does the archive
	runs    []station.RunRecord
}

// Latest ticks as well, so that whoever looks twice sees that the loop lives.
func (d *desk) Latest(dst *station.Snapshot) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.looks++
	if !d.frozen {
		d.snap.Seq++
	}
	*dst = d.snap
}

func (d *desk) Setup() *station.Setup { return &d.setup }

func (d *desk) Do(_ context.Context, c station.Command) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.done = append(d.done, c)
	return d.answer
}

func (d *desk) Stop(by string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.stops = append(d.stops, by)
}

func (d *desk) counts() (stops, commands int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.stops), len(d.done)
}

func (d *desk) change(f func(d *desk)) {
	d.mu.Lock()
	defer d.mu.Unlock()
	f(d)
}

// happen adds an event, as the clerk does.
func (d *desk) happen(code string) {
	d.change(func(d *desk) {
		seq := d.lostTo + uint64(len(d.events)) + 1
		d.events = append(d.events, station.Numbered{Seq: seq, RunEvent: station.RunEvent{Code: code, Text: "It happened."}})
	})
}

func (d *desk) EventsSince(seq uint64) ([]station.Numbered, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for i, e := range d.events {
		if e.Seq > seq {
			return append([]station.Numbered(nil), d.events[i:]...), e.Seq > seq+1
		}
	}
	return nil, false
}

func (d *desk) Channels() []station.Channel {
	return []station.Channel{{Name: "joint-corner", Unit: "°C", Kind: "sensor"}, {Name: "profile_time", Unit: "s", Kind: "profile_time"}, {Name: "duty:top", Unit: "1", Kind: "duty"}}
}

func (d *desk) Present() (int64, int, []station.Sample) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return 5, 1, d.rows
}

func (d *desk) Verdict() *process.Verdict { return d.verdict }

func (d *desk) Runs(_ context.Context, limit int) ([]station.RunRecord, error) {
	if d.panics {
		panic("a fault in the archive")
	}
	return d.runs[:min(limit, len(d.runs))], d.failing
}

func (d *desk) Run(_ context.Context, id int64) (station.RunRecord, error) {
	for _, r := range d.runs {
		if r.Head.ID == id {
			return r, d.failing
		}
	}
	return station.RunRecord{}, station.ErrNoRun{ID: id}
}

func (d *desk) Samples(ctx context.Context, id int64) ([]station.Channel, []station.Sample, error) {
	if _, err := d.Run(ctx, id); err != nil {
		return nil, nil, err
	}
	return d.Channels(), d.rows, nil
}

func (d *desk) Events(_ context.Context, id int64) ([]station.RunEvent, error) {
	return []station.RunEvent{{At: time.Second, Code: "state:running", Text: "It runs."}}, nil
}

type catalogue struct{ profiles []process.Profile }

func (c catalogue) List() []ProfileInfo {
	out := []ProfileInfo{{Name: "broken", Profile: process.Profile{Kind: process.Removal}}}
	for i, p := range c.profiles {
		out = append(out, ProfileInfo{Name: p.Name, Profile: p, Default: i == 0})
	}
	return out
}

func (c catalogue) ByName(name string) (process.Profile, error) {
	for _, p := range c.profiles {
		if p.Name == name {
			return p, nil
		}
	}
	return process.Profile{}, errors.New("there is no such profile")
}

func testProfile(t testing.TB) process.Profile {
	t.Helper()
	alloy, ok := process.AlloyByName("SAC305")
	if !ok {
		t.Fatal("no such alloy")
	}
	p, err := process.NewProfile(process.Profile{Name: "test-part", Title: "Test part", Kind: process.Removal, Alloy: alloy, Segments: []process.Segment{
		{Name: "preheat", Target: 150, Ramp: 1, Hold: 10 * time.Second},
		{Name: "soak", Target: 180, Ramp: 0.5, Hold: 60 * time.Second},
		{Name: "peak", Target: 240, Ramp: 1, Hold: 15 * time.Second, Lift: true},
		{Name: "cool", Target: 60, Ramp: 2, Cool: true},
	}})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func newDesk(t testing.TB) *desk {
	t.Helper()
	d := &desk{}
	l := &d.setup.Limits
	l.NSensors, l.NHeaters, l.NBlowers, l.NInterlock = 2, 2, 1, 1
	l.Sensors[0] = safety.Sensor{Name: "joint-corner", Role: safety.RoleJoint, Ceiling: 260, Heaters: safety.All, Guard: true, LostAfter: time.Second}
	l.Sensors[1] = safety.Sensor{Name: "nozzle-top", Role: safety.RoleNozzle, Ceiling: 420, Heaters: 1}
	l.Heaters[0] = safety.Heater{Name: "top", Blower: 0}
	l.Heaters[1] = safety.Heater{Name: "area", Blower: -1}
	l.Blowers[0] = safety.Blower{Name: "top blower", Proof: true}
	l.Interlocks[0] = safety.Interlock{Name: "guard door", Kind: safety.Door}
	d.setup.Name, d.setup.Board, d.setup.Simulated, d.setup.Speed, d.setup.Budget, d.setup.Ambient = "bench", "panel 7", true, 20, 3000, 23
	d.setup.Sensors = []station.SensorInfo{{Name: "joint-corner", Label: "Corner joint", Chip: "MAX31856", Type: "K", Role: safety.RoleJoint}, {Name: "nozzle-top", Label: "Upper nozzle", Chip: "MAX31856", Type: "K", Role: safety.RoleNozzle}}
	d.setup.Heaters = []station.HeaterInfo{{Name: "top", Label: "Upper head", Kind: "hot_air_top", Rated: 1200, Sensor: 1, Ceiling: 420}, {Name: "area", Label: "Deck", Kind: "area", Rated: 2400, Sensor: -1}}
	d.snap = station.Snapshot{State: station.Idle, Coldest: 0, Hottest: 0, Recording: true}
	d.snap.Sensors[0] = unit.Measured(0, 24.567)
	d.snap.Sensors[1] = unit.Unusable(0, unit.Open)
	d.snap.Facts.Readings, d.snap.Facts.Closed[0] = d.snap.Sensors, true
	d.snap.Verdict.Ready = true
	for i := range uint64(30) {
		s := station.Sample{Seq: i, At: time.Duration(i) * 100 * time.Millisecond, N: 3}
		s.Values = [station.MaxChannels]float32{25 + float32(i), float32(i) / 10, 0.5}
		s.Quality[0], s.Quality[1], s.Quality[2] = unit.Good, unit.Good, unit.Good
		if i == 7 || i == 8 {
			s.Values[0], s.Quality[0] = 0, unit.Open
		}
		d.rows = append(d.rows, s)
	}
	d.runs = []station.RunRecord{{Head: station.RunHead{ID: 5, BegunUTC: time.Date(2026, 5, 4, 10, 0, 0, 0, time.UTC), Kind: process.Removal, Profile: "Test part", Channels: d.Channels()},
		End: station.RunEnd{State: station.Complete, Code: "complete", Verdict: &process.Verdict{Pass: true}}, Samples: 30}}
	return d
}

// running puts the desk into a run of the test profile.
func (d *desk) running(t testing.TB) {
	t.Helper()
	p := testProfile(t)
	plan, err := process.NewPlan(p, 25)
	if err != nil {
		t.Fatal(err)
	}
	d.change(func(d *desk) {
		d.snap.State, d.snap.Phase = station.Running, station.PhaseHeat
		d.snap.Run = station.RunNow{ID: 5, Order: &station.RunOrder{Kind: p.Kind, Profile: p, By: "Kim"}, Plan: plan, HasPlan: true,
			Elapsed: 40 * time.Second, Profile: 38 * time.Second, Point: plan.At(38 * time.Second)}
	})
}

// Tokens of the people that every server of these tests knows. Kim holds the controls.
const (
	tokenVic = "token-of-vic-a-viewer"
	tokenKim = "token-of-kim-an-operator"
	tokenOla = "token-of-ola-an-operator"
	tokenSam = "token-of-sam-a-supervisor"
)

// shelf keeps pairings in memory.
type shelf struct {
	mu      sync.Mutex
	list    []Pairing
	failing error
}

func newShelf() *shelf {
	return &shelf{list: []Pairing{{ID: "vic", Name: "Vic", Role: RoleViewer, Hash: hashOf(tokenVic)}, {ID: "kim", Name: "Kim", Role: RoleOperator, Hash: hashOf(tokenKim)},
		{ID: "ola", Name: "Ola", Role: RoleOperator, Hash: hashOf(tokenOla)}, {ID: "sam", Name: "Sam", Role: RoleSupervisor, Hash: hashOf(tokenSam)}}}
}

func (s *shelf) Load() ([]Pairing, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]Pairing(nil), s.list...), s.failing
}

func (s *shelf) Save(list []Pairing) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.failing == nil {
		s.list = append([]Pairing(nil), list...)
	}
	return s.failing
}

// clock is a clock that a test moves.
type clock struct {
	mu sync.Mutex
	at time.Time
}

func newClock() *clock { return &clock{at: time.Date(2026, 5, 4, 10, 0, 0, 0, time.UTC)} }

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

func (c *clock) pass(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = c.at.Add(d)
}

func newServer(t testing.TB, d *desk, change ...func(o *Options)) *Server {
	t.Helper()
	o := Options{Station: d, Live: d, Archive: d, Profiles: catalogue{[]process.Profile{testProfile(t)}},
		Hosts: []string{"bench.example", "desk.example:9000"}, Version: "test", BootID: "b1", Pairings: newShelf()}
	for _, c := range change {
		c(&o)
	}
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	s.controls.take("kim")
	return s
}

// listen serves s on a port of this computer and returns host:port.
func listen(t testing.TB, s *Server) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Serve(ctx, ln) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Serve: %v", err)
		}
	})
	return ln.Addr().String()
}

// request makes a request as it would come in at 127.0.0.1:8420 from the station itself.
func request(method, path, body string) *http.Request {
	r := httptest.NewRequest(method, path, strings.NewReader(body))
	r = r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, net.Addr(&net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8420})))
	r.Host, r.RemoteAddr = "localhost:8420", "127.0.0.1:50000"
	if method != http.MethodGet {
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("X-Trivet-Request", "1")
		r.Header.Set("Authorization", "Bearer "+tokenKim)
	}
	return r
}

// as makes a request somebody else's; without a token, nobody's.
func as(token string, r *http.Request) *http.Request {
	r.Header.Del("Authorization")
	if token != "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	return r
}

var keys atomic.Uint64

// careful adds what a command carries besides its body, unless a test has set it, empty for leaving it out.
func careful(s *Server, r *http.Request) *http.Request {
	if r.Method == http.MethodGet || r.URL.Path == stopPath {
		return r
	}
	d := s.o.Station.(*desk)
	d.mu.Lock()
	snap := d.snap
	d.mu.Unlock()
	for name, value := range map[string]string{"Idempotency-Key": fmt.Sprintf("key-of-test-%d", keys.Add(1)), "If-Match": `"` + s.version(&snap) + `"`, "X-Trivet-Seen": fmt.Sprint(s.stamp())} {
		if _, there := r.Header[http.CanonicalHeaderKey(name)]; !there {
			r.Header.Set(name, value)
		}
	}
	return r
}

// ask sends a request through the whole handler and returns the status and the problem's code, empty without a problem.
func ask(t testing.TB, s *Server, r *http.Request) (status int, code string, body string) {
	t.Helper()
	w := recorded(s, careful(s, r))
	text, err := io.ReadAll(w.Body)
	if err != nil {
		t.Fatal(err)
	}
	if strings.HasPrefix(w.Header().Get("Content-Type"), "application/problem+json") {
		var p Problem
		if err := json.Unmarshal(text, &p); err != nil {
			t.Fatalf("%s %s: the problem is not JSON: %v: %s", r.Method, r.URL, err, text)
		}
		if p.Status != w.Code || p.Type == "" || p.Title == "" || p.Detail == "" || p.Code == "" {
			t.Errorf("%s %s: problem is incomplete or its status is not %d: %+v", r.Method, r.URL, w.Code, p)
		}
		code = p.Code
	}
	return w.Code, code, string(text)
}

// get asks for a JSON document and decodes it.
func get(t testing.TB, s *Server, path string, into any) {
	t.Helper()
	status, code, text := ask(t, s, request("GET", path, ""))
	if status != http.StatusOK {
		t.Fatalf("GET %s: %d %s %s", path, status, code, text)
	}
	if err := json.Unmarshal([]byte(text), into); err != nil {
		t.Fatalf("GET %s: %v", path, err)
	}
}

func recorded(s *Server, r *http.Request) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}
