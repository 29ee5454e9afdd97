package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"strings"
	"sync"
	"syscall"
	"time"
)

const (
	address    = "127.0.0.1:8420"
	base       = "http://" + address
	configFile = "/etc/trivet/trivet.toml"
	dataDir    = "/var/trivet"
)

// daemon is the shipped program as a child process, and a person at its page.
type daemon struct {
	cmd   *exec.Cmd
	ended chan struct{}
	token string
	keys  int

	mu   sync.Mutex
	tail []string // its last words
}

// configure writes the program's configuration.
func configure(profile, law string, watchdog bool) error {
	text := fmt.Sprintf("listen = %q\ndata_dir = %q\n\n[station]\nmachine = %q\nboard = %q\nprofile = %q\nlaw = %q\n", address, dataDir, machineFile, board, profile, law)
	if watchdog {
		text += fmt.Sprintf("\n[watchdog]\ndevice = \"/dev/watchdog\"\ntimeout_s = %g\n", watchdogTimeout.Seconds())
	}
	return os.WriteFile(configFile, []byte(text), 0o644)
}

// begin starts the program and waits until its page answers and this person is paired.
func begin(limit time.Duration) (*daemon, error) {
	d := &daemon{cmd: exec.Command("/bin/trivet", "serve", "--config", configFile), ended: make(chan struct{})}
	d.cmd.Env = append(os.Environ(), "HOME=/var", "PATH=/bin")
	pipe, err := d.cmd.StderrPipe()
	if err != nil {
		return nil, err
	}
	d.cmd.Stdout = d.cmd.Stderr
	if err := d.cmd.Start(); err != nil {
		return nil, err
	}
	code := make(chan string, 8)
	go d.listen(pipe, code)
	select {
	case c := <-code:
		return d, d.pair(c)
	case <-d.ended:
		return nil, fmt.Errorf("the program ended at its start: %s", d.lastWords())
	case <-time.After(limit):
		return nil, fmt.Errorf("the program has not shown a pairing code in %v: %s", limit, d.lastWords())
	}
}

// listen keeps what the program says, and finds the pairing code in it.
func (d *daemon) listen(r io.Reader, code chan<- string) {
	lines := bufio.NewScanner(r)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		fmt.Println("trivet:", lines.Text())
		d.mu.Lock()
		if d.tail = append(d.tail, lines.Text()); len(d.tail) > 8 {
			d.tail = d.tail[1:]
		}
		d.mu.Unlock()
		if c, ok := strings.CutPrefix(lines.Text(), "Pairing code: "); ok {
			select {
			case code <- c:
			default:
			}
		}
	}
	_ = d.cmd.Wait()
	close(d.ended)
}

func (d *daemon) lastWords() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return strings.Join(d.tail, " / ")
}

// end ends the program with a signal and waits until it is gone.
func (d *daemon) end(s syscall.Signal) error {
	if err := d.cmd.Process.Signal(s); err != nil {
		return err
	}
	select {
	case <-d.ended:
		return nil
	case <-time.After(15 * time.Second):
		return fmt.Errorf("the program has not ended 15 s after %v", s)
	}
}

// status is what this person looks at on the page.
type status struct {
	Version string `json:"version"`
	Stamp   uint64 `json:"stamp_ms"`
	State   string `json:"state"`
	Phase   string `json:"phase"`
	Trip    uint32 `json:"trip_id"`
	Heat    bool   `json:"heat_enabled"`
	Text    string `json:"sentence"`
	Ended   *struct {
		State  string `json:"state"`
		Code   string `json:"code"`
		Reason string `json:"reason"`
	} `json:"ended"`
	Run *struct {
		ID      int64   `json:"id"`
		Elapsed float64 `json:"elapsed_s"`
		Verdict string  `json:"verdict"`
	} `json:"run"`
	Joint *struct {
		Temp *float64 `json:"temp_c"`
	} `json:"joint"`
	Alarms []struct {
		Code     string `json:"code"`
		Title    string `json:"title"`
		FirstOut bool   `json:"first_out"`
		Present  bool   `json:"cause_present"`
		State    string `json:"state"`
	} `json:"alarms"`
	Permissives []struct {
		Code  string `json:"code"`
		Holds bool   `json:"holds"`
		Text  string `json:"text"`
	} `json:"permissives"`
	Lift struct {
		Open      bool `json:"open"`
		Confirmed bool `json:"confirmed"`
	} `json:"lift"`
	LateMS float64 `json:"late_ms"`
}

// first names the alarm that came first; empty without a trip.
func (s *status) first() string {
	for _, a := range s.Alarms {
		if a.FirstOut {
			return a.Code
		}
	}
	return ""
}

// blocked names the conditions that do not hold.
func (s *status) blocked() string {
	var out []string
	for _, p := range s.Permissives {
		if !p.Holds {
			out = append(out, p.Code)
		}
	}
	return strings.Join(out, ", ")
}

func (d *daemon) look() (*status, error) {
	var s status
	return &s, d.get("/api/v1/state", &s)
}

var client = &http.Client{Timeout: 20 * time.Second}

func (d *daemon) get(path string, into any) error {
	req, err := http.NewRequest(http.MethodGet, base+path, nil)
	if err != nil {
		return err
	}
	if d.token != "" {
		req.Header.Set("Authorization", "Bearer "+d.token)
	}
	res, err := client.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if res.StatusCode >= 300 {
		return fmt.Errorf("%s answered %s", path, res.Status)
	}
	return json.NewDecoder(res.Body).Decode(into)
}

func (d *daemon) pair(code string) error {
	body, err := d.send("/api/v1/pairing", fmt.Sprintf(`{"code":%q,"name":"rig","role":"supervisor","for":"program"}`, code), nil)
	if err != nil {
		return err
	}
	var me struct {
		Token string `json:"token"`
	}
	if err := json.Unmarshal(body, &me); err != nil || me.Token == "" {
		return fmt.Errorf("pairing answered %q: %v", body, err)
	}
	d.token = me.Token
	return nil
}

// post gives a command that rests on what this person sees now.
func (d *daemon) post(path, body string) error {
	s, err := d.look()
	if err != nil {
		return err
	}
	_, err = d.send(path, body, s)
	return err
}

func (d *daemon) send(path, body string, seen *status) ([]byte, error) {
	req, err := http.NewRequest(http.MethodPost, base+path, bytes.NewReader([]byte(body)))
	if err != nil {
		return nil, err
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("X-Trivet-Request", "1")
	if d.token != "" {
		req.Header.Set("Authorization", "Bearer "+d.token)
	}
	if seen != nil {
		d.keys++
		req.Header.Set("Idempotency-Key", fmt.Sprintf("key-of-rig-%d-%d", d.cmd.Process.Pid, d.keys))
		req.Header.Set("If-Match", `"`+seen.Version+`"`)
		req.Header.Set("X-Trivet-Seen", fmt.Sprint(seen.Stamp))
	}
	res, err := client.Do(req)
	if err != nil {
		return nil, err
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err == nil && res.StatusCode >= 300 {
		err = fmt.Errorf("%s answered %s: %s", path, res.Status, text)
	}
	return text, err
}

// until looks at the page until a condition holds.
func (d *daemon) until(what string, limit time.Duration, holds func(*status) bool) (*status, error) {
	var s *status
	var err error
	for deadline := time.Now().Add(limit); time.Now().Before(deadline); time.Sleep(200 * time.Millisecond) {
		if s, err = d.look(); err == nil && holds(s) {
			return s, nil
		}
	}
	if err != nil {
		return s, fmt.Errorf("%s did not come in %v: %w", what, limit, err)
	}
	return s, fmt.Errorf("%s did not come in %v: %s %s, first out %q, not holding: %s; %s", what, limit, s.State, s.Phase, s.first(), s.blocked(), s.Text)
}
