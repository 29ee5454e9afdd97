package main

import (
	"bufio"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"
)

// TestMain lets the test binary be the program: a child with TRIVET_TEST_ARGS runs it.
func TestMain(m *testing.M) {
	if args := os.Getenv("TRIVET_TEST_ARGS"); args != "" {
		os.Args = append([]string{"trivet"}, strings.Split(args, "\x1f")...)
		main()
	}
	if os.Getenv("TRIVET_TEST_HOG") != "" {
		hog()
	}
	if addr := os.Getenv("TRIVET_TEST_CROWD"); addr != "" {
		runCrowd(addr, fromEnv("TRIVET_TEST_CROWD_SIZE", 1))
	}
	code := m.Run()
	removeBuilt()
	os.Exit(code)
}

// daemon is the real program as a child process.
type daemon struct {
	t    *testing.T
	cmd  *exec.Cmd
	base string // http://127.0.0.1:port

	token string // of the pairing that post gives commands with, see sign
}

func startDaemon(t *testing.T, args ...string) *daemon {
	t.Helper()
	d := &daemon{t: t, cmd: exec.Command(os.Args[0])}
	all := append([]string{"serve", "--sim", "--listen", "127.0.0.1:0"}, args...)
	d.cmd.Env = append(os.Environ(), "TRIVET_TEST_ARGS="+strings.Join(all, "\x1f"))
	d.start()
	return d
}

// start starts the child and reads its address.
func (d *daemon) start() {
	t := d.t
	t.Helper()
	out, err := d.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := d.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = d.cmd.Process.Kill(); _ = d.cmd.Wait() })
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatalf("the program said nothing: %v", err)
	}
	at := strings.Index(line, "http")
	d.base = strings.TrimRight(strings.Fields(line[at:])[0], "/")
}

// get reads a JSON answer.
func (d *daemon) get(path string, into any) {
	d.t.Helper()
	res, err := http.Get(d.base + path)
	if err != nil {
		d.t.Fatal(err)
	}
	defer res.Body.Close()
	if err := json.NewDecoder(res.Body).Decode(into); err != nil {
		d.t.Fatalf("%s: %v", path, err)
	}
}

// post sends a command as the page does and returns status and body.
func (d *daemon) post(path, body string) (int, string) {
	d.t.Helper()
	req, err := http.NewRequest(http.MethodPost, d.base+path, strings.NewReader(body))
	if err != nil {
		d.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("X-Trivet-Request", "1")
	d.sign(req)
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		d.t.Fatal(err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		d.t.Fatal(err)
	}
	return res.StatusCode, string(text)
}

type brief struct {
	State       string   `json:"state"`
	Phase       string   `json:"phase"`
	HeatEnabled bool     `json:"heat_enabled"`
	AllowedCmds []string `json:"allowed_commands"`
	Run         *struct {
		ID       int64   `json:"id"`
		ElapsedS float64 `json:"elapsed_s"`
	} `json:"run"`
	Heaters []struct {
		On bool `json:"on"`
	} `json:"heaters"`
}

// begin starts a run as soon as the station is ready.
func (d *daemon) begin() {
	d.t.Helper()
	why := ""
	for deadline := time.Now().Add(20 * time.Second); time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
		code, text := d.post("/api/v1/runs", `{"profile":"removal-heavy-lead-free","kind":"removal","by":"test"}`)
		if code < 300 {
			return
		}
		why = text
	}
	d.t.Fatalf("the run could not be started: %s", why)
}

// glimpse is the last that was seen of a run.
type glimpse struct {
	id      int64
	elapsed float64
	at      time.Time
}

// follow reads the stream until it breaks, and then sends what it saw last of a run that was going on.
func (d *daemon) follow() <-chan glimpse {
	d.t.Helper()
	c, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(d.base, "http")+"/api/v1/stream", nil)
	if err != nil {
		d.t.Fatal(err)
	}
	out := make(chan glimpse, 1)
	go func() {
		defer c.Close()
		var g glimpse
		for {
			var m struct{ State *brief }
			if c.ReadJSON(&m) != nil {
				out <- g
				return
			}
			if m.State != nil && m.State.Run != nil && m.State.Run.ID != 0 {
				g = glimpse{m.State.Run.ID, m.State.Run.ElapsedS, time.Now()}
			}
		}
	}()
	return out
}
