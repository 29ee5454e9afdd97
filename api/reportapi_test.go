package api

import (
	"context"
	"net/http/httptest"
	"strings"
	"testing"

	"trivet/station"
)

func TestTheReportIsSentAsAPageThatMayDoNothing(t *testing.T) {
	d := newDesk(t)
	var asked int64
	w := httptest.NewRecorder()
	s := newServer(t, d, func(o *Options) {
		o.Report = func(_ context.Context, id int64) ([]byte, error) {
			if asked = id; id != 5 {
				return nil, station.ErrNoRun{ID: id}
			}
			return []byte("<!DOCTYPE html><p>Run 5"), nil
		}
	})
	s.Handler().ServeHTTP(w, request("GET", "/api/v1/runs/5/report", ""))
	if w.Code != 200 || asked != 5 || !strings.Contains(w.Body.String(), "Run 5") || w.Header().Get("Content-Type") != "text/html; charset=utf-8" {
		t.Errorf("%d, asked for %d: %v %q", w.Code, asked, w.Header(), w.Body)
	}
	if csp := w.Header().Values("Content-Security-Policy"); len(csp) != 1 || !strings.HasPrefix(csp[0], "default-src 'none'") {
		t.Errorf("rules %q", csp)
	}
	w = httptest.NewRecorder()
	s.Handler().ServeHTTP(w, request("GET", "/api/v1/runs/77/report", ""))
	if w.Code != 404 {
		t.Errorf("a run that is not there: %d", w.Code)
	}
}
