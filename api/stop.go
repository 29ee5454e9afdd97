package api

import (
	"io"
	"net/http"
	"strings"
	"time"

	"go.uber.org/zap"
)

const stopPath = "/api/v1/stop"

// stop asks the station to end the heat. It needs no login, no lease and no body, is never throttled, and works for
// every viewer whose Host and Origin pass (owner's decision 4).
//
// The station is told before anything is written, and the body is not looked at: a viewer whose connection is so bad that a
// body never arrives has still stopped the heat. Without full duplex the server would wait for that body before answering.
func (s *Server) stop(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodPost {
		w.Header().Set("Allow", http.MethodPost)
		s.refuse(w, problem("method_not_allowed", "Stop is a POST."))
		return
	}
	v := s.visit(r)
	by := v.name()
	s.o.Station.Stop(by)
	s.metrics.stops.Inc()
	s.log.Info("stop was asked for", zap.String("by", by))

	defer s.noteStop(&v)                                 // when it has been answered
	_ = http.NewResponseController(w).EnableFullDuplex() // not supported by every writer, and only a matter of speed
	w.Header().Set("Connection", "close")                // whatever is left of the body is not worth reading
	if strings.Contains(r.Header.Get("Accept"), "text/html") {
		// The page's plain form, used when its script is dead: answer so that a person can read it.
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		_, _ = io.WriteString(w, "<!doctype html><html lang=\"en\"><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width\">"+
			"<title>Stop</title><h1>Stop was asked for. Heat goes off now.</h1><p>Parts stay hot. Watch the machine.</p><p><a href=\"/\">Back to the page</a></p></html>\n")
		return
	}
	w.Header().Set("Content-Type", "application/json")
	_, _ = io.WriteString(w, "{\"stopping\":true}\n")
}

// noteStop keeps a Stop in the record. A finger that hammers on the button, or a flood of requests, is one deed a second there.
func (s *Server) noteStop(v *visitor) {
	// Counted from the begin and not read off the clock on the wall: one that is put back must not silence this for as long.
	now := int64(s.o.Now().Sub(s.began)) + 1
	last := s.stopNoted.Load()
	if now-last < int64(time.Second) && last != 0 || !s.stopNoted.CompareAndSwap(last, now) {
		return
	}
	s.audit(Deed{Code: "command:stop", Text: "Stop was pressed."}.by(v))
}
