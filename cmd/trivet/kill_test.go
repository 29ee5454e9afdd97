package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"trivet/store"
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
	for deadline := time.Now().Add(10 * time.Second); time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
		if code, _ := d.post("/api/v1/runs", `{"profile":"removal-heavy-lead-free","kind":"removal","by":"test"}`); code < 300 {
			return
		}
	}
	d.t.Fatal("the run could not be started")
}

// TestAKilledRunIsAbortedAndNothingResumes kills the program with SIGKILL in mid-run, again and again, on the same records.
// After each restart: the run is there as aborted for loss of power, heat is off, at most one second of its samples is
// missing, what was kept has no gap, and the database is sound.
func TestAKilledRunIsAbortedAndNothingResumes(t *testing.T) {
	times := 6
	if v, err := strconv.Atoi(os.Getenv("TRIVET_KILLS")); err == nil {
		times = v
	}
	data := t.TempDir()
	worst := 0.0
	for k := range times {
		d := startDaemon(t, "--data", data)
		d.begin()
		last, id := d.watch(time.Duration(1500+rand.IntN(2000)) * time.Millisecond)
		if err := d.cmd.Process.Signal(syscall.SIGKILL); err != nil {
			t.Fatal(err)
		}
		_ = d.cmd.Wait() // killed: its status is the signal

		again := startDaemon(t, "--data", data)
		var s brief
		again.get("/api/v1/state", &s)
		if s.State != "idle" || s.HeatEnabled {
			t.Fatalf("kill %d: after the restart the station is %s, heat enabled %v", k, s.State, s.HeatEnabled)
		}
		for _, h := range s.Heaters {
			if h.On {
				t.Fatalf("kill %d: a heater is on after the restart", k)
			}
		}
		var runs struct {
			Runs []struct {
				ID      int64   `json:"id"`
				State   string  `json:"state"`
				Code    string  `json:"code"`
				Samples int     `json:"samples"`
				Elapsed float64 `json:"elapsed_s"`
			} `json:"runs"`
		}
		again.get("/api/v1/runs", &runs)
		r := runs.Runs[0]
		if r.ID != id || r.State != "aborted" || r.Code != "power_lost" {
			t.Fatalf("kill %d: run %d is %s/%s; want run %d aborted/power_lost", k, r.ID, r.State, r.Code, id)
		}
		missing := last - float64(r.Samples-1)*0.1
		worst = max(worst, missing)
		if missing > 1.2 { // one second between commits, the sample that was being made, and a commit under way on a busy disk
			t.Errorf("kill %d: %.2f s of samples are missing (%d kept, last seen at %.2f s)", k, missing, r.Samples, last)
		}
		if err := again.cmd.Process.Signal(syscall.SIGTERM); err != nil {
			t.Fatal(err)
		}
		if err := again.cmd.Wait(); err != nil {
			t.Fatalf("kill %d: an orderly end failed: %v", k, err)
		}
	}
	db, err := store.Open(t.Context(), data)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if err := db.Check(t.Context()); err != nil {
		t.Errorf("the database is not sound after %d kills: %v", times, err)
	}
	t.Logf("%d kills, at most %.2f s of samples missing", times, worst)
	if files, _ := filepath.Glob(filepath.Join(data, "*")); len(files) == 0 {
		t.Error("no database file")
	}
}

// watch follows the stream for a while and returns the last elapsed time it was shown, and which run.
func (d *daemon) watch(span time.Duration) (last float64, id int64) {
	d.t.Helper()
	c, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(d.base, "http")+"/api/v1/stream", nil)
	if err != nil {
		d.t.Fatal(err)
	}
	defer c.Close()
	for end := time.Now().Add(span); time.Now().Before(end); {
		var m struct {
			Type  string `json:"type"`
			State *brief `json:"state"`
		}
		if err := c.ReadJSON(&m); err != nil {
			d.t.Fatal(err)
		}
		if m.State != nil && m.State.Run != nil {
			last, id = m.State.Run.ElapsedS, m.State.Run.ID
		}
	}
	if id == 0 {
		d.t.Fatal(fmt.Errorf("no run was seen on the stream"))
	}
	return last, id
}
