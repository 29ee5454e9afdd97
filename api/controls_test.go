package api

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"trivet/station"
)

// holder asks the state who holds the controls, as a viewer would, who shows no sign of life by it.
func holder(t testing.TB, s *Server) string {
	t.Helper()
	var st State
	_, _, text := ask(t, s, as("", request("GET", "/api/v1/state", "")))
	if err := json.Unmarshal([]byte(text), &st); err != nil {
		t.Fatal(err)
	}
	if st.Controls.Holder == nil {
		return ""
	}
	return st.Controls.Holder.Name
}

// tell makes a request about the controls and returns the problem's code.
func tell(t testing.TB, s *Server, token, path, body string) string {
	t.Helper()
	_, code, _ := ask(t, s, as(token, request("POST", "/api/v1/controls/"+path, body)))
	return code
}

func TestTheControlsChangeHandsByAskingAndConsent(t *testing.T) {
	s := newServer(t, newDesk(t))
	step := func(token, path, body, code, want string) {
		t.Helper()
		if got := tell(t, s, token, path, body); got != code {
			t.Errorf("%s: %q; want %q", path, got, code)
		}
		if got := holder(t, s); got != want {
			t.Errorf("after %s the controls are with %q; want %q", path, got, want)
		}
	}
	step(tokenOla, "take", "{}", "controls_elsewhere", "Kim")
	step(tokenOla, "answer", `{"to":"ola","give":true}`, "controls_elsewhere", "Kim")
	step(tokenKim, "answer", `{"to":"ola","give":true}`, "nobody_asks", "Kim")
	step(tokenOla, "ask", "{}", "", "Kim")
	step(tokenOla, "ask", "{}", "", "Kim") // once more is the same
	step(tokenSam, "ask", "{}", "asked_already", "Kim")
	step(tokenKim, "answer", `{"to":"sam","give":true}`, "nobody_asks", "Kim") // whoever was on the screen is not who asks
	step(tokenKim, "answer", `{"to":"ola","give":false}`, "", "Kim")
	step(tokenKim, "answer", `{"to":"ola","give":true}`, "nobody_asks", "Kim")
	step(tokenOla, "ask", "{}", "", "Kim")
	step(tokenOla, "release", "{}", "", "Kim") // withdraws the request
	step(tokenKim, "answer", `{"to":"ola","give":true}`, "nobody_asks", "Kim")
	step(tokenOla, "ask", "{}", "", "Kim")
	step(tokenKim, "answer", `{"to":"ola","give":true}`, "", "Ola")
	step(tokenKim, "release", "{}", "", "Ola") // nothing of hers to release
	step(tokenOla, "take-over", "{}", "role_too_low", "Ola")
	step(tokenSam, "take-over", "{}", "", "Sam")
	step(tokenSam, "release", "{}", "", "")
	step(tokenVic, "take", "{}", "role_too_low", "")
	step(tokenOla, "ask", "{}", "", "Ola") // asking nobody is taking
	step(tokenOla, "take", "{}", "", "Ola")
}

func TestTheControlsComeFreeAfterAMinuteWithoutASignOfLife(t *testing.T) {
	c, d := newClock(), newDesk(t)
	s := newServer(t, d, func(o *Options) { o.Now = c.now })
	c.pass(controlsLast - time.Second)
	ask(t, s, as(tokenKim, request("GET", "/api/v1/state", ""))) // Kim looks
	c.pass(controlsLast - time.Second)
	if got := holder(t, s); got != "Kim" {
		t.Fatalf("with %q a second too early", got)
	}
	c.pass(time.Second)
	if got := holder(t, s); got != "" {
		t.Fatalf("still with %q", got)
	}
	if _, code, text := ask(t, s, request("POST", "/api/v1/hold", "{}")); code != "controls_elsewhere" || !strings.Contains(text, "Take the controls") {
		t.Errorf("%q %s", code, text)
	}
	if code := tell(t, s, tokenOla, "take", "{}"); code != "" {
		t.Error(code)
	}
	tell(t, s, tokenKim, "ask", "{}")
	c.pass(controlsLast / 2)
	ask(t, s, as(tokenOla, request("GET", "/api/v1/state", "")))
	c.pass(controlsLast / 2)
	if code := tell(t, s, tokenOla, "answer", `{"to":"kim","give":true}`); code != "nobody_asks" {
		t.Errorf("a request a minute old: %q", code)
	}
}

func TestAnOpenPageKeepsTheControls(t *testing.T) {
	c, d := newClock(), newDesk(t)
	s := newServer(t, d, func(o *Options) { o.Now = c.now })
	ws, _, err := websocket.DefaultDialer.Dial("ws://"+listen(t, s)+streamPath, http.Header{"Authorization": {"Bearer " + tokenKim}})
	if err != nil {
		t.Fatal(err)
	}
	states := func(n int) {
		for n > 0 {
			if m := next(t, ws); m.Type == "state" {
				n--
			}
		}
	}
	for range 4 {
		states(3)
		c.pass(controlsLast / 2)
	}
	states(3)
	if got := holder(t, s); got != "Kim" {
		t.Errorf("two minutes with the page open, and the controls are with %q", got)
	}
	ws.Close()
	for s.hub.count() > 0 {
		time.Sleep(time.Millisecond)
	}
	c.pass(controlsLast)
	if got := holder(t, s); got != "" {
		t.Errorf("the page is gone, and the controls are with %q", got)
	}
}

func TestAnEndedPairingLosesEverythingAtOnce(t *testing.T) {
	d, keep := newDesk(t), newShelf()
	s := newServer(t, d, func(o *Options) { o.Pairings = keep })
	ws, _, err := websocket.DefaultDialer.Dial("ws://"+listen(t, s)+streamPath, http.Header{"Authorization": {"Bearer " + tokenKim}})
	if err != nil {
		t.Fatal(err)
	}
	defer ws.Close()
	next(t, ws)
	if status, code, _ := ask(t, s, as(tokenSam, request("DELETE", "/api/v1/pairings/kim", "{}"))); status != http.StatusOK {
		t.Fatalf("%d %s", status, code)
	}
	if _, code, _ := ask(t, s, request("POST", "/api/v1/hold", "{}")); code != "not_paired" {
		t.Errorf("a command: %q", code)
	}
	if got := holder(t, s); got != "" {
		t.Errorf("the controls are with %q", got)
	}
	_ = ws.SetReadDeadline(time.Now().Add(5 * time.Second)) // once: states go on coming to a stream that was not ended
	for err == nil {
		_, _, err = ws.ReadMessage()
	}
	if !websocket.IsCloseError(err, closeUnpaired) {
		t.Errorf("the stream ended with %v", err)
	}
	if list, _ := keep.Load(); len(list) != 3 {
		t.Errorf("%d are kept", len(list))
	}
	if status, _, _ := ask(t, s, request("POST", stopPath, "")); status != http.StatusOK {
		t.Errorf("Stop with a dead token: %d", status)
	}
}

// A station that takes its time over a command shows whether two people can command at once.
type slowDesk struct {
	*desk
	inside, worst int
	order         []string
}

func (d *slowDesk) Do(ctx context.Context, c station.Command) error {
	d.change(func(*desk) { d.inside++; d.worst = max(d.worst, d.inside); d.order = append(d.order, c.By) })
	time.Sleep(2 * time.Millisecond)
	d.change(func(*desk) { d.inside-- })
	return d.desk.Do(ctx, c)
}

// TestNoCommandIsCarriedOutAfterItsGiverHasLostTheControls lets sixteen people take the controls over and command as fast as they can, and
// compares what was carried out with who held the controls: every accepted command lies between a take-over by its giver and the
// next one by somebody else.
func TestNoCommandIsCarriedOutAfterItsGiverHasLostTheControls(t *testing.T) {
	d, keep := &slowDesk{desk: newDesk(t)}, newShelf()
	for i := range 16 {
		keep.list = append(keep.list, Pairing{ID: fmt.Sprint("p", i), Name: fmt.Sprint("P", i), Role: RoleSupervisor, Hash: hashOf(fmt.Sprint("t", i))})
	}
	var mu sync.Mutex
	var history []string // as the audit heard it, which is in the order of the turns
	s, err := New(Options{Station: d, Live: d, Archive: d, Profiles: catalogue{}, BootID: "b1", Pairings: keep, Audit: func(e Deed) *Receipt {
		mu.Lock()
		history = append(history, e.Code+" "+e.Who)
		mu.Unlock()
		return nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	var all sync.WaitGroup
	for i := range 16 {
		all.Go(func() {
			for k := range 6 {
				recorded(s, as(fmt.Sprint("t", i), request("POST", "/api/v1/controls/take-over", "{}")))
				r := as(fmt.Sprint("t", i), request("POST", "/api/v1/hold", "{}"))
				r.Header.Set("Idempotency-Key", fmt.Sprintf("key-%04d-%04d", i, k))
				r.Header.Set("If-Match", `"b1-1"`)
				r.Header.Set("X-Trivet-Seen", fmt.Sprint(s.stamp()))
				recorded(s, r)
			}
		})
	}
	all.Wait()
	if d.worst > 1 {
		t.Errorf("%d commands at once", d.worst)
	}
	holder, held := "", 0
	for _, e := range history {
		what, who, _ := strings.Cut(e, " ")
		switch what {
		case "controls:taken", "controls:taken_over":
			holder = who
		case "command:hold":
			if held++; who != holder {
				t.Fatalf("%s commanded while %s held the controls", who, holder)
			}
		}
	}
	if held == 0 || held != len(d.order) {
		t.Errorf("%d commands on record, %d carried out", held, len(d.order))
	}
}
