package api

import (
	"encoding/json"
	"net/http"
	"time"

	"trivet/station"
)

// freshWithin is how long readyz waits for a tick. The guard calls a tick missed after 300 ms (hazard C-05); twice that is silence.
const freshWithin = 600 * time.Millisecond

// healthz says that the process answers, nothing more.
func (s *Server) healthz(w http.ResponseWriter, _ *http.Request) {
	answer(w, http.StatusOK, map[string]any{"alive": true, "version": s.o.Version, "boot_id": s.o.BootID})
}

// readyCheck is one thing that readyz looked at, of the same fields as Advice.
type readyCheck struct {
	Name string `json:"name"`
	OK   bool   `json:"ok"`
	Text string `json:"text"`
}

// readyz says whether the control loop ticks and the record is kept. It watches the loop itself for a moment, so it needs no
// clock that runs while nobody asks.
func (s *Server) readyz(w http.ResponseWriter, r *http.Request) {
	loop := readyCheck{"loop", false, "the control loop does not tick"}
	if s.ticks(r) {
		loop = readyCheck{"loop", true, "the control loop ticks"}
	}
	var snap station.Snapshot
	s.o.Station.Latest(&snap)
	record := readyCheck{"record", snap.Recording, "the record is kept"}
	if !record.OK {
		record.Text = "the record cannot be kept; no run can start"
	}
	status := http.StatusOK
	if !loop.OK || !record.OK {
		status = http.StatusServiceUnavailable
	}
	checks := []readyCheck{loop, record}
	if s.o.Advice != nil {
		for _, a := range s.o.Advice() {
			checks = append(checks, readyCheck(a)) // a service is not restarted for a privilege that it lacks
		}
	}
	answer(w, status, map[string]any{"ready": status == http.StatusOK, "checks": checks})
}

// ticks reports whether the loop ticks within freshWithin.
func (s *Server) ticks(r *http.Request) bool {
	var snap station.Snapshot
	s.o.Station.Latest(&snap)
	// Any change counts, not only a rise: the number is not compared with anything remembered.
	first := snap.Seq
	// Ten looks per tick. It costs a copy of a few kilobytes each, for a tenth of a second, when a supervisor asks.
	every := time.NewTicker(10 * time.Millisecond)
	defer every.Stop()
	end := time.NewTimer(freshWithin)
	defer end.Stop()
	for {
		select {
		case <-every.C:
			if s.o.Station.Latest(&snap); snap.Seq != first {
				return true
			}
		case <-end.C:
			return false
		case <-r.Context().Done():
			return false
		}
	}
}

func answer(w http.ResponseWriter, status int, v any) {
	text, err := json.Marshal(v)
	if err != nil { // made of strings and booleans: cannot happen
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_, _ = w.Write(append(text, '\n'))
}
