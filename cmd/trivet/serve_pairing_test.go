package main

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"go.uber.org/zap"

	"trivet/api"
)

var testKeys atomic.Uint64

// sign pairs with the daemon at the first command, as a program on its computer does, and adds what a command carries besides its
// body.
func (d *daemon) sign(req *http.Request) {
	d.t.Helper()
	if d.token == "" {
		var now struct {
			Code string `json:"code"`
		}
		d.get("/api/v1/pairing", &now)
		d.token = d.pair(now.Code, "operator")
	}
	var s struct {
		Version string `json:"version"`
		Stamp   uint64 `json:"stamp_ms"`
	}
	d.get("/api/v1/state", &s)
	req.Header.Set("Authorization", "Bearer "+d.token)
	req.Header.Set("Idempotency-Key", fmt.Sprintf("key-of-test-%d", testKeys.Add(1)))
	req.Header.Set("If-Match", `"`+s.Version+`"`)
	req.Header.Set("X-Trivet-Seen", fmt.Sprint(s.Stamp))
}

// pair pairs a program and returns its token.
func (d *daemon) pair(code, role string) string {
	d.t.Helper()
	body := fmt.Sprintf(`{"code":%q,"name":"test","role":%q,"for":"program"}`, code, role)
	req, err := http.NewRequest(http.MethodPost, d.base+"/api/v1/pairing", strings.NewReader(body))
	if err != nil {
		d.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("X-Trivet-Request", "1")
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		d.t.Fatal(err)
	}
	defer res.Body.Close()
	var me struct {
		Token string `json:"token"`
	}
	if err := json.NewDecoder(res.Body).Decode(&me); err != nil || me.Token == "" {
		d.t.Fatalf("pairing answered %s: %v", res.Status, err)
	}
	return me.Token
}

// ctl runs the program's own pair command against the daemon.
func (d *daemon) ctl(args ...string) (int, string, string) {
	d.t.Helper()
	var out, errOut bytes.Buffer
	code := run(d.t.Context(), append([]string{"pair", "--url", d.base}, args...), &out, &errOut)
	return code, out.String(), errOut.String()
}

func TestTheCodeIsPrintedAtTheStartAndThePairCommandListsAndEndsPairings(t *testing.T) {
	d := startDaemon(t, "--data", t.TempDir())
	code, out, errOut := d.ctl()
	if code != exitDone || !regexp.MustCompile(`^\d{4} \d{4}\n$`).MatchString(out) {
		t.Fatalf("%d %q %q", code, out, errOut)
	}
	token := d.pair(strings.TrimSpace(out), "operator")
	if _, again, _ := d.ctl(); again == out {
		t.Error("the code did not change after it was used")
	}
	_, list, errOut := d.ctl("--list")
	lines := strings.Split(strings.TrimSpace(list), "\n")
	if len(lines) != 2 || !strings.Contains(lines[1], "operator") || !strings.HasSuffix(lines[1], "test") {
		t.Fatalf("%q %q", list, errOut)
	}
	id := strings.Fields(lines[1])[0]
	if code, out, errOut := d.ctl("--revoke", id); code != exitDone || out != "Ended: "+id+".\n" {
		t.Errorf("%d %q %q", code, out, errOut)
	}
	if code, _, errOut := d.ctl("--revoke", id); code != exitBad || !strings.Contains(errOut, "no such pairing") {
		t.Errorf("twice: %d %q", code, errOut)
	}
	d.token = token
	if status, text := d.post("/api/v1/controls/take", "{}"); status != http.StatusUnauthorized {
		t.Errorf("with a dead token: %d %s", status, text)
	}
	if _, list, _ := d.ctl("--list"); strings.Count(list, "\n") != 1 {
		t.Errorf("left over: %q", list)
	}
}

func TestThePairCommandSendsNothingToAnotherComputer(t *testing.T) {
	for _, at := range []string{"http://192.168.0.9:8420", "http://station.example", "ftp://127.0.0.1", "127.0.0.1:8420", "http://127.0.0.1:8420/x", "http://127.0.0.1.evil.example", ""} {
		var out, errOut bytes.Buffer
		if code := run(t.Context(), []string{"pair", "--url=" + at}, &out, &errOut); code != exitBad || strings.Count(errOut.String(), "\n") != 1 {
			t.Errorf("%q: %d %q", at, code, errOut.String())
		}
	}
}

func TestPairingsOutliveARestartAndTheControlsDoNot(t *testing.T) {
	data := t.TempDir()
	d := startDaemon(t, "--data", data)
	if status, text := d.post("/api/v1/controls/take", "{}"); status >= 300 {
		t.Fatalf("%d %s", status, text)
	}
	info, err := os.Stat(filepath.Join(data, pairingsName))
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Fatalf("%v %v", info, err)
	}
	if text, _ := os.ReadFile(filepath.Join(data, pairingsName)); bytes.Contains(text, []byte(d.token)) {
		t.Error("the token is on the disk")
	}
	_ = d.cmd.Process.Kill() // not an orderly end: what was answered is on the disk
	_ = d.cmd.Wait()
	again := startDaemon(t, "--data", data)
	again.token = d.token
	if status, text := again.post("/api/v1/hold", "{}"); status != http.StatusConflict || !strings.Contains(text, "Nobody holds the controls") {
		t.Errorf("%d %s", status, text)
	}
}

func TestAListOfPairingsThatCannotBeTrustedLetsNobodyIn(t *testing.T) {
	good := `{"format":"pairings-v1","pairings":[{"id":"a","name":"A","role":"supervisor","hash":"` + strings.Repeat("0", 64) + `"}]}`
	for name, c := range map[string]struct {
		text string
		mode os.FileMode
		want int
	}{"good": {good, 0o600, 1}, "cut short": {good[:40], 0o600, 0}, "another format": {`{"format":"pairings-v9","pairings":[]}`, 0o600, 0},
		"writable by others": {good, 0o622, 0}, "huge": {good + strings.Repeat(" ", mostPairings), 0o600, 0}, "empty": {"", 0o600, 0}} {
		f := newPairingsFile(t.TempDir(), zap.NewNop())
		if err := os.WriteFile(f.path, []byte(c.text), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(f.path, c.mode); err != nil {
			t.Fatal(err)
		}
		list, err := f.Load()
		if err != nil || len(list) != c.want {
			t.Errorf("%s: %d pairings, %v; want %d", name, len(list), err, c.want)
		}
		if _, err := os.Stat(f.path + ".bad"); (err == nil) != (c.want == 0) {
			t.Errorf("%s: set aside: %v", name, err == nil)
		}
	}
	if list, err := newPairingsFile(t.TempDir(), zap.NewNop()).Load(); err != nil || len(list) != 0 {
		t.Errorf("without a file: %v %v", list, err)
	}
}

func TestAFailedWriteLeavesTheOldListOfPairings(t *testing.T) {
	dir := t.TempDir()
	f := newPairingsFile(dir, zap.NewNop())
	if err := f.Save([]api.Pairing{{ID: "old"}}); err != nil {
		t.Fatal(err)
	}
	// A directory in the way of the new file's name makes the rename fail after everything was written.
	g := pairingsFile{filepath.Join(dir, "sub"), zap.NewNop()}
	if err := os.MkdirAll(filepath.Join(g.path, "x"), 0o750); err != nil {
		t.Fatal(err)
	}
	if err := g.Save(nil); err == nil {
		t.Error("no error")
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "*.json.*")); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
	if list, err := f.Load(); err != nil || len(list) != 1 || list[0].ID != "old" {
		t.Errorf("%v %v", list, err)
	}
}

// TestDeedsAreInTheRecordOfTheRunAndOfTheStation starts, holds and stops a run, and reads back who did it.
func TestDeedsAreInTheRecordOfTheRunAndOfTheStation(t *testing.T) {
	d := startDaemon(t, "--data", t.TempDir(), "--speed", "10")
	d.begin()
	d.post("/api/v1/stop", "")
	var detail struct {
		Events []struct{ Code, Text, By string } `json:"events"`
	}
	seen := func(code string) bool {
		for _, e := range detail.Events {
			if e.Code == code && e.By == "test" && strings.Contains(e.Text, "operator") && strings.Contains(e.Text, "127.0.0.1") {
				return true
			}
		}
		return false
	}
	for end := time.Now().Add(15 * time.Second); !seen("command:start") || !seen("command:stop"); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("the run's events: %+v", detail.Events)
		}
		detail.Events = nil
		d.get("/api/v1/runs/1", &detail)
	}
	d.token = ""
	var now struct{ Code string }
	d.get("/api/v1/pairing", &now)
	d.token = d.pair(now.Code, "supervisor")
	req, err := http.NewRequest(http.MethodGet, d.base+"/api/v1/audit", nil)
	if err != nil {
		t.Fatal(err)
	}
	var text string
	for end := time.Now().Add(15 * time.Second); !strings.Contains(text, "pairing:added"); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("the station's events: %s", text)
		}
		d.sign(req)
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		all, err := io.ReadAll(res.Body)
		res.Body.Close()
		if err != nil {
			t.Fatal(err)
		}
		text = string(all)
	}
}

// certificate writes a certificate of our own making and its key, for this computer.
func certificate(t *testing.T) (cert, key string, pool *x509.CertPool) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	like := &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, like, like, &private.PublicKey, private)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	cert, key = filepath.Join(t.TempDir(), "cert.pem"), filepath.Join(t.TempDir(), "key.pem")
	certPEM := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	if err := errors.Join(os.WriteFile(cert, certPEM, 0o600), os.WriteFile(key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret}), 0o600)); err != nil {
		t.Fatal(err)
	}
	pool = x509.NewCertPool()
	pool.AppendCertsFromPEM(certPEM)
	return cert, key, pool
}

func TestOverTLSThereAreStopTheStreamASecureCookieAndNoPageThatCameInTheClear(t *testing.T) {
	cert, key, pool := certificate(t)
	d := &daemon{t: t, cmd: exec.Command(os.Args[0])}
	d.cmd.Env = append(os.Environ(), "TRIVET_TEST_ARGS="+strings.Join([]string{"serve", "--sim", "--listen", "127.0.0.1:0", "--data", t.TempDir(), "--tls-cert", cert, "--tls-key", key}, "\x1f"))
	d.start()
	if !strings.HasPrefix(d.base, "https://127.0.0.1:") {
		t.Fatal(d.base)
	}
	conf := &tls.Config{RootCAs: pool}
	client := &http.Client{Timeout: 10 * time.Second, Transport: &http.Transport{TLSClientConfig: conf, DisableKeepAlives: true}}
	send := func(path, body, origin string) *http.Response {
		t.Helper()
		req, err := http.NewRequest(http.MethodPost, d.base+path, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Content-Type", "application/json")
		req.Header.Set("X-Trivet-Request", "1")
		req.Header.Set("Origin", origin)
		res, err := client.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		res.Body.Close()
		return res
	}
	if res := send("/api/v1/stop", "\x00", d.base); res.StatusCode != http.StatusOK {
		t.Errorf("Stop: %s", res.Status)
	}
	if res := send("/api/v1/stop", "", strings.Replace(d.base, "https", "http", 1)); res.StatusCode != http.StatusForbidden {
		t.Errorf("from a page that came in the clear: %s", res.Status)
	}
	_, out, errOut := d.ctl()
	res := send("/api/v1/pairing", fmt.Sprintf(`{"code":%q,"name":"Lin","role":"operator"}`, strings.TrimSpace(out)), d.base)
	if c := res.Cookies(); res.StatusCode != http.StatusCreated || len(c) != 1 || !c[0].Secure || !c[0].HttpOnly {
		t.Errorf("%s %v %q", res.Status, c, errOut)
	}
	ws, _, err := (&websocket.Dialer{TLSClientConfig: conf}).Dial("wss"+strings.TrimPrefix(d.base, "https")+"/api/v1/stream", nil)
	if err != nil {
		t.Fatal(err)
	}
	ws.Close()
	plain, err := http.Get(strings.Replace(d.base, "https", "http", 1) + "/api/v1/state")
	if err == nil {
		if plain.Body.Close(); plain.StatusCode != http.StatusBadRequest {
			t.Errorf("in the clear: %s", plain.Status)
		}
	}
	for _, args := range [][]string{{"--tls-cert", cert}, {"--tls-key", key}, {"--tls-cert", key, "--tls-key", key}, {"--tls-cert", cert, "--tls-key", "missing.pem"}, {"--look", "friends"}} {
		var out, errOut bytes.Buffer
		if code := run(t.Context(), append([]string{"serve", "--sim", "--listen", "127.0.0.1:0", "--data", t.TempDir()}, args...), &out, &errOut); code != exitBad || strings.Count(errOut.String(), "\n") != 1 {
			t.Errorf("%v: %d %q", args, code, errOut.String())
		}
	}
}

func TestPlainHTTPOnANetworkIsWarnedAbout(t *testing.T) {
	for addr, want := range map[string]bool{"127.0.0.1:80": false, "[::1]:80": false, "0.0.0.0:80": true, "[::]:80": true, "192.168.0.9:80": true} {
		a, err := net.ResolveTCPAddr("tcp", addr)
		if err != nil {
			t.Fatal(err)
		}
		if exposed(a, "http") != want || exposed(a, "https") {
			t.Errorf("%s", addr)
		}
	}
}
