package api

import (
	"encoding/json"
	"flag"
	"net/http"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/prometheus/client_golang/prometheus"
)

var update = flag.Bool("update", false, "rewrite openapi.json")

func TestTheOpenAPIDocumentIsUnchanged(t *testing.T) {
	got := newServer(t, newDesk(t)).OpenAPI()
	if *update {
		if err := os.WriteFile("openapi.json", got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile("openapi.json")
	if err != nil {
		t.Fatalf("%v (run the test once with -update, then read the new file)", err)
	}
	if string(got) != string(want) {
		t.Error("openapi.json differs from what the server says; if the change is intended run with -update and review it")
	}
}

func TestEveryRouteIsInTheDocument(t *testing.T) {
	s := newServer(t, newDesk(t))
	_, _, text := ask(t, s, request("GET", "/api/v1/openapi.json", ""))
	var doc struct {
		OpenAPI string                               `json:"openapi"`
		Paths   map[string]map[string]map[string]any `json:"paths"`
	}
	if err := json.Unmarshal([]byte(text), &doc); err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(doc.OpenAPI, "3.1.") {
		t.Errorf("version %q", doc.OpenAPI)
	}
	for _, r := range s.Routes() {
		if !strings.HasPrefix(r.Path, "/api/v1/") || r.Path == "/api/v1/openapi.json" {
			continue
		}
		op := doc.Paths[r.Path][strings.ToLower(r.Method)]
		if op == nil || op["summary"] == "" || op["operationId"] == "" {
			t.Errorf("%s %s is not described", r.Method, r.Path)
		}
	}
	if strings.Contains(text, "$schema") {
		t.Error("the document links to schemas elsewhere")
	}
}

// TestEveryAnswerIsAsDescribed holds real answers against the schemas of the document.
func TestEveryAnswerIsAsDescribed(t *testing.T) {
	quiet := newDesk(t)
	_, busy := full(t)
	for name, s := range map[string]*Server{"idle": newServer(t, quiet), "running": busy} {
		s.o.Jobs = withFifth(t)
		for _, r := range s.Routes() {
			item := s.doc.Paths[r.Path]
			if item == nil || item.Get == nil || r.Method != "GET" || r.Path == streamPath {
				continue
			}
			path := strings.ReplaceAll(r.Path, "{id}", "5")
			for status, at := range map[string]string{"200": path, "default": path + "?unknown=1"} {
				kind := "application/json"
				if status == "default" {
					kind = "application/problem+json"
				}
				media := item.Get.Responses[status].Content[kind]
				if media == nil {
					if !strings.HasSuffix(path, ".csv") && !strings.HasSuffix(path, "/report") {
						t.Errorf("%s: the answer %s is not described", path, status)
					}
					continue
				}
				w := recorded(s, as(tokenSam, request("GET", at, "")))
				if got := w.Header().Get("Content-Type"); got != kind {
					t.Errorf("%s, %s: content type %q; described is %q", name, at, got, kind)
				}
				var v any
				if err := json.Unmarshal(w.Body.Bytes(), &v); err != nil {
					t.Fatal(err)
				}
				res := &huma.ValidateResult{}
				huma.Validate(s.doc.Components.Schemas, media.Schema, huma.NewPathBuffer([]byte{}, 0), huma.ModeReadFromServer, v, res)
				for _, e := range res.Errors {
					t.Errorf("%s, %s: %v", name, at, e)
				}
			}
		}
	}
}

func TestNothingOfTheRoutersOwnPagesIsServed(t *testing.T) {
	s := newServer(t, newDesk(t))
	for _, path := range []string{"/docs", "/schemas/State.json", "/openapi.json", "/openapi.yaml", "/api", "/api/", "/api/v1", "/api/v1/openapi.yaml", "/debug/pprof/"} {
		if status, _, text := ask(t, s, request("GET", path, "")); status != http.StatusNotFound {
			t.Errorf("%s: %d %.60s", path, status, text)
		}
	}
}

func TestReadySaysWhetherTheLoopTicksAndTheRecordIsKept(t *testing.T) {
	d := newDesk(t)
	s := newServer(t, d)
	if status, _, text := ask(t, s, request("GET", "/readyz", "")); status != http.StatusOK || !strings.Contains(text, `"ready":true`) {
		t.Errorf("all is well: %d %s", status, text)
	}
	d.change(func(d *desk) { d.snap.Recording = false })
	if status, _, text := ask(t, s, request("GET", "/readyz", "")); status != http.StatusServiceUnavailable || !strings.Contains(text, "record cannot be kept") {
		t.Errorf("without a record: %d %s", status, text)
	}
	d.change(func(d *desk) { d.snap.Recording, d.frozen = true, true })
	began := time.Now()
	if status, _, text := ask(t, s, request("GET", "/readyz", "")); status != http.StatusServiceUnavailable || !strings.Contains(text, "does not tick") {
		t.Errorf("the loop stands: %d %s after %v", status, text, time.Since(began))
	}
	if status, _, _ := ask(t, s, request("GET", "/healthz", "")); status != http.StatusOK {
		t.Errorf("the process is alive all the same: %d", status)
	}
}

func TestMetricsSayWhatTheStationIsDoing(t *testing.T) {
	d, s := full(t)
	ask(t, s, request("POST", stopPath, ""))
	ask(t, s, request("POST", "/api/v1/runs", "{}"))
	_, _, text := ask(t, s, request("GET", "/metrics", ""))
	for _, line := range []string{
		`trivet_temperature_celsius{quality="good",role="joint",sensor="joint-corner"} 24.567`,
		`trivet_sensor_quality{quality="open",sensor="nozzle-top"} 1`,
		`trivet_heater_duty_ratio{heater="top"} 0.4321`, `trivet_heater_power_watts{heater="top"} 518.52`,
		`trivet_alarm_active{code="over_ceiling",state="latched_unacknowledged",subject="nozzle-top"} 1`,
		`trivet_station_state{state="running"} 1`, `trivet_stop_requests_total 1`, `trivet_refused_requests_total{code="bad_field"} 1`,
		`trivet_recording 1`, `trivet_viewers 0`, `trivet_build_info{version="test"} 1`, `trivet_tick_lateness_seconds 0`,
	} {
		if !strings.Contains(text, line+"\n") {
			t.Errorf("missing: %s", line)
		}
	}
	if strings.Contains(text, `trivet_temperature_celsius{quality="open"`) {
		t.Error("a sensor without a reading has a temperature")
	}
	_ = d
}

func TestOwnCollectorsAreServedToo(t *testing.T) {
	d := newDesk(t)
	c := prometheus.NewCounter(prometheus.CounterOpts{Name: "trivet_own_total", Help: "x"})
	s, err := New(Options{Station: d, Live: d, Archive: d, Profiles: catalogue{}, Collectors: []prometheus.Collector{c}})
	if err != nil {
		t.Fatal(err)
	}
	if _, _, text := ask(t, s, request("GET", "/metrics", "")); !strings.Contains(text, "trivet_own_total 0") {
		t.Error("missing")
	}
}

func TestAServerNeedsAllItsParts(t *testing.T) {
	if _, err := New(Options{}); err == nil {
		t.Error("a server without a station was made")
	}
	d := newDesk(t)
	if _, err := New(Options{Station: d, Live: d, Archive: d, Profiles: catalogue{}, Hosts: []string{"http://x"}}); err == nil {
		t.Error("a wrong host name was taken")
	}
}

func TestAWrongMethodNamesTheRightOnes(t *testing.T) {
	s := newServer(t, newDesk(t))
	w := recorded(s, request("DELETE", "/api/v1/runs", "{}"))
	if allow := strings.Split(w.Header().Get("Allow"), ", "); w.Code != http.StatusMethodNotAllowed || !slices.Contains(allow, "GET") || !slices.Contains(allow, "POST") {
		t.Errorf("%d, Allow %q", w.Code, allow)
	}
	if status, _, _ := ask(t, s, request("POST", "/", "{}")); status != http.StatusMethodNotAllowed {
		t.Errorf("POST to the page: %d", status)
	}
}

func TestThePageIsServedWithItsOwnCaching(t *testing.T) {
	s := newServer(t, newDesk(t))
	w := recorded(s, request("GET", "/", ""))
	if w.Code != http.StatusOK || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/html") || w.Header().Get("Cache-Control") != "no-cache" || w.Header().Get("ETag") == "" {
		t.Errorf("%d %v", w.Code, w.Header())
	}
	if w := recorded(s, request("GET", "/api/v1/state", "")); w.Header().Get("Cache-Control") != "no-store" {
		t.Errorf("the state may be cached: %v", w.Header())
	}
}
