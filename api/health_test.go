package api

import (
	"net/http"
	"strings"
	"testing"
)

// A service manager that restarts what is not ready would restart for ever a station that lacks a privilege.
func TestAdviceIsShownAndMakesNoStationUnready(t *testing.T) {
	d := newDesk(t)
	s := newServer(t, d, func(o *Options) {
		o.Advice = func() []Advice { return []Advice{{Name: "real_time", Text: "no real-time priority"}} }
	})
	status, _, text := ask(t, s, request("GET", "/readyz", ""))
	if status != http.StatusOK || !strings.Contains(text, `{"name":"real_time","ok":false,"text":"no real-time priority"}`) {
		t.Errorf("status %d, %s", status, text)
	}
}
