package api

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"strings"
	"testing"
)

// TestNobodyGetsPastTheGate tries every route with every method, name and page there is to tell apart.
func TestNobodyGetsPastTheGate(t *testing.T) {
	d := newDesk(t)
	s := newServer(t, d)
	hosts := map[string]bool{
		"localhost:8420": true, "127.0.0.1:8420": true, "[::1]:8420": true, "LOCALHOST:8420": true,
		"bench.example": true, "bench.example:8420": true, "desk.example:9000": true,
		"": false, "localhost": false, "localhost:80": false, "localhost:08420": false, "evil.example:8420": false, "evil.example": false, "desk.example:8420": false, "desk.example": false,
		"bench.example.evil.example:8420": false, "localhost:8420@evil.example": false, "192.168.0.9:8420": false, "[::1": false, "::1": false, "0x7f.1:8420": false,
	}
	origins := map[string]bool{
		"-": true, "http://localhost:8420": true, "https://bench.example": true, "http://127.0.0.1:8420": true, "http://[::1]:8420": true,
		"null": false, "": false, "http://evil.example": false, "http://localhost:8421": false, "http://localhost": false, "file://": false,
		"http://evil.example/http://localhost:8420": false, "http://localhost:8420/": false, "http://localhost:8420 http://evil.example": false,
		"ftp://localhost:8420": false, "http://user@localhost:8420": false,
	}
	paths := append(s.Routes(), Route{Method: "GET", Path: "/"}, Route{Method: "GET", Path: "/assets/none.js"}, Route{Method: "GET", Path: "/api/v1/none"})
	tried := 0
	for _, route := range paths {
		path := strings.ReplaceAll(route.Path, "{id}", "5")
		if strings.HasPrefix(path, "/api/v1/pairing") || strings.HasPrefix(path, "/api/v1/controls") {
			continue // they change who may command; the matrix of access_test.go has them
		}
		if path == "/readyz" {
			d.change(func(d *desk) { d.frozen = false })
		}
		for _, method := range []string{"GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS", "TRACE"} {
			for host, hostOK := range hosts {
				for origin, originOK := range origins {
					r := request(method, path, "{}")
					r.Host = host
					if origin != "-" {
						r.Header.Set("Origin", origin)
					}
					stops, commands := d.counts()
					status, code, _ := ask(t, s, r)
					tried++
					where := fmt.Sprintf("%s %s with host %q from %q: %d %s", method, path, host, origin, status, code)
					switch {
					case !hostOK && code != "host_not_allowed", hostOK && !originOK && code != "origin_not_allowed":
						t.Error(where)
					case hostOK && originOK && (code == "host_not_allowed" || code == "origin_not_allowed"):
						t.Error(where)
					case hostOK && originOK && path == stopPath && method == "POST" && status != http.StatusOK:
						t.Error(where)
					}
					nowStops, nowCommands := d.counts()
					if (!hostOK || !originOK) && (nowStops != stops || nowCommands != commands) {
						t.Errorf("%s, but the station was told something", where)
					}
				}
			}
		}
	}
	if tried < 10_000 {
		t.Errorf("only %d combinations tried", tried)
	}
}

func TestTwoOriginsAreRefused(t *testing.T) {
	s := newServer(t, newDesk(t))
	r := request("POST", stopPath, "")
	r.Header["Origin"] = []string{"http://localhost:8420", "http://localhost:8420"}
	if _, code, _ := ask(t, s, r); code != "origin_not_allowed" {
		t.Errorf("got %q", code)
	}
}

func TestCommandsNeedTheHeadersThatAForeignPageCannotSend(t *testing.T) {
	d := newDesk(t)
	s := newServer(t, d)
	for _, route := range s.Routes() {
		if !route.Commands {
			continue
		}
		for name, c := range map[string]struct {
			change func(r *http.Request)
			code   string
		}{
			"without the request header": {func(r *http.Request) { r.Header.Del("X-Trivet-Request") }, "request_header_missing"},
			"as a form":                  {func(r *http.Request) { r.Header.Set("Content-Type", "application/x-www-form-urlencoded") }, "not_json"},
			"as text":                    {func(r *http.Request) { r.Header.Set("Content-Type", "text/plain;application/json") }, "not_json"},
			"without a type":             {func(r *http.Request) { r.Header.Del("Content-Type") }, "not_json"},
			"as something like JSON":     {func(r *http.Request) { r.Header.Set("Content-Type", "application/x+json") }, "not_json"},
		} {
			r := request(route.Method, route.Path, "{}")
			c.change(r)
			if status, code, _ := ask(t, s, r); code != c.code {
				t.Errorf("%s %s: %d %q; want %q", route.Path, name, status, code, c.code)
			}
		}
	}
	if _, commands := d.counts(); commands != 0 {
		t.Errorf("%d commands got through", commands)
	}
}

func TestEveryAnswerCarriesTheSecurityHeaders(t *testing.T) {
	s := newServer(t, newDesk(t))
	addr := listen(t, s)
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	for _, path := range []string{"/", "/nothing", "/api/v1/state", "/api/v1/none", "/metrics", "/healthz", stopPath} {
		resp, err := client.Get("http://" + addr + path)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		csp := resp.Header.Get("Content-Security-Policy")
		if !strings.Contains(csp, "default-src 'self'") || !strings.Contains(csp, "frame-ancestors 'none'") || strings.Contains(csp, "unsafe") {
			t.Errorf("%s: content security policy %q", path, csp)
		}
		if resp.Header.Get("X-Content-Type-Options") != "nosniff" || resp.Header.Get("Referrer-Policy") != "same-origin" {
			t.Errorf("%s: headers %v", path, resp.Header)
		}
		if resp.Header.Get("Access-Control-Allow-Origin") != "" {
			t.Errorf("%s: lets other pages read", path)
		}
	}
}

func TestAWrongHostNameInTheConfigurationIsRefused(t *testing.T) {
	for _, name := range []string{"", "http://bench.example", "bench.example/", "bench.example:port", "a b", "::1", "[::1", "bench.example:0", "bench.example:99999"} {
		if _, err := newGate([]string{name}); err == nil {
			t.Errorf("%q was accepted", name)
		}
	}
	for _, name := range []string{"bench.example", "bench.example:8443", "192.168.0.9", "[fe80::9]", "[fe80::9]:8420"} {
		if _, err := newGate([]string{name}); err != nil {
			t.Error(err)
		}
	}
}

func TestWithoutAListenerOnlyConfiguredNamesWithoutAPortPass(t *testing.T) {
	g, err := newGate([]string{"bench.example"})
	if err != nil {
		t.Fatal(err)
	}
	r := request("GET", "/", "")
	r = r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, net.Addr(&net.UnixAddr{Name: "/run/x", Net: "unix"})))
	r.Host = "bench.example"
	if p := g.check(r); p != nil {
		t.Error(p)
	}
	r.Host = "localhost:8420"
	if p := g.check(r); p == nil {
		t.Error("localhost at a port nobody listens on passed")
	}
}
