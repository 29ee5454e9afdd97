package api

import (
	"bufio"
	"fmt"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"
)

func TestStopWorksWithAnyBodyAndAnyHeaders(t *testing.T) {
	d := newDesk(t)
	s := newServer(t, d)
	want := 0
	for name, change := range map[string]func(r *http.Request){
		"nothing at all":       func(r *http.Request) { r.Header = http.Header{} },
		"a form":               func(r *http.Request) { r.Header.Set("Content-Type", "application/x-www-form-urlencoded") },
		"a type of its own":    func(r *http.Request) { r.Header.Set("Content-Type", "\x00;;;") },
		"from elsewhere":       func(r *http.Request) { r.RemoteAddr = "192.168.0.9:50000" },
		"through a proxy":      func(r *http.Request) { r.Header.Set("X-Forwarded-For", "192.168.0.9") },
		"with a query":         func(r *http.Request) { r.URL.RawQuery = "a=%zz&b" },
		"from our own page":    func(r *http.Request) { r.Header.Set("Origin", "http://localhost:8420") },
		"an unknown encoding":  func(r *http.Request) { r.Header.Set("Content-Encoding", "br") },
		"a wrong accept":       func(r *http.Request) { r.Header.Set("Accept", "image/png") },
		"a range":              func(r *http.Request) { r.Header.Set("Range", "bytes=5-1") },
		"an impossible expect": func(r *http.Request) { r.Header.Set("If-Match", "x") },
	} {
		for _, body := range []string{"", "{}", "{", "\x00\xff\xfe", strings.Repeat("[", 100_000), strings.Repeat("x", 3<<20)} {
			r := request("POST", stopPath, body)
			change(r)
			want++
			status, code, text := ask(t, s, r)
			if status != http.StatusOK || text != "{\"stopping\":true}\n" {
				t.Errorf("%s, %d bytes: %d %s %s", name, len(body), status, code, text)
			}
			if stops, _ := d.counts(); stops != want {
				t.Fatalf("%s, %d bytes: the station was told %d times; want %d", name, len(body), stops, want)
			}
		}
	}
}

func TestStopNamesWhereItCameFrom(t *testing.T) {
	d := newDesk(t)
	s := newServer(t, d)
	far := as("", request("POST", stopPath, ""))
	far.RemoteAddr = "192.168.0.9:50000"
	ask(t, s, as("", request("POST", stopPath, "")))
	ask(t, s, far)
	ask(t, s, request("POST", stopPath, ""))
	if got := strings.Join(d.stops, "; "); got != "a viewer at the station; a viewer at 192.168.0.9; Kim" {
		t.Errorf("told %q", got)
	}
}

func TestStopByThePlainFormAnswersWithAPage(t *testing.T) {
	s := newServer(t, newDesk(t))
	r := request("POST", stopPath, "")
	r.Header = http.Header{"Accept": {"text/html,application/xhtml+xml"}, "Content-Type": {"application/x-www-form-urlencoded"}}
	if status, _, text := ask(t, s, r); status != http.StatusOK || !strings.Contains(text, "<h1>Stop was asked for.") {
		t.Errorf("%d %s", status, text)
	}
}

func TestStopIsAPost(t *testing.T) {
	d := newDesk(t)
	s := newServer(t, d)
	for _, m := range []string{"GET", "HEAD", "PUT", "DELETE", "OPTIONS"} {
		if status, _, _ := ask(t, s, request(m, stopPath, "")); status != http.StatusMethodNotAllowed {
			t.Errorf("%s: %d", m, status)
		}
	}
	if stops, _ := d.counts(); stops != 0 {
		t.Error("a link or a prefetch stopped the run")
	}
}

// A viewer on a bad radio link: the head of the request arrives and nothing after it.
func TestStopDoesNotWaitForABodyThatNeverComes(t *testing.T) {
	d := newDesk(t)
	addr := listen(t, newServer(t, d))
	for _, head := range []string{"Content-Length: 100000\r\n\r\nab", "Transfer-Encoding: chunked\r\n\r\n5\r\nab", "Content-Length: 100000\r\nExpect: 100-continue\r\n\r\n"} {
		c, err := net.Dial("tcp", addr)
		if err != nil {
			t.Fatal(err)
		}
		began := time.Now()
		fmt.Fprintf(c, "POST %s HTTP/1.1\r\nHost: %s\r\n%s", stopPath, addr, head)
		_ = c.SetReadDeadline(time.Now().Add(5 * time.Second)) // far above what it takes, far below the read timeout of the server
		resp, err := http.ReadResponse(bufio.NewReader(c), nil)
		if err != nil {
			t.Fatalf("%q: no answer after %v: %v", head, time.Since(began), err)
		}
		if resp.StatusCode != http.StatusOK {
			t.Errorf("%q: %s", head, resp.Status)
		}
		c.Close()
	}
	if stops, _ := d.counts(); stops != 3 {
		t.Errorf("the station was told %d times; want 3", stops)
	}
}

func TestStopWorksWithFiftyViewers(t *testing.T) {
	d := newDesk(t)
	s := newServer(t, d)
	addr := listen(t, s)
	for range 50 {
		c := dial(t, addr, "")
		defer c.Close()
		if m := next(t, c); m.Type != "hello" {
			t.Fatalf("first message is %q", m.Type)
		}
	}
	resp, err := (&http.Client{Transport: &http.Transport{DisableKeepAlives: true}}).Post("http://"+addr+stopPath, "", nil)
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if stops, _ := d.counts(); resp.StatusCode != http.StatusOK || stops != 1 {
		t.Errorf("%s, the station was told %d times", resp.Status, stops)
	}
}
