package api

import (
	"fmt"
	"mime"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"strings"
)

// gate is the list of names under which this station may be spoken to. It defends against a foreign page in somebody's
// browser: DNS rebinding (the page's own name made to point here) shows in Host, cross-site requests show in Origin
// (hazard N-04). It is no authentication: a program can send any header it likes.
type gate struct{ names []hostPort }

// hostPort is one allowed name. An empty port means the port this server listens on, or none.
type hostPort struct {
	host, port string
	configured bool // by the owner; such a name may stand behind a proxy and come without a port
}

func newGate(extra []string) (gate, error) {
	g := gate{names: []hostPort{{host: "localhost"}, {host: "127.0.0.1"}, {host: "::1"}}}
	// All of this is configuration, so a mistake is an error at the start and never a name that silently does not match.
	for _, e := range extra {
		host, port, ok := splitHost(e)
		if !ok {
			return gate{}, fmt.Errorf("host %q is not a name; allowed are \"name\", \"name:port\", an IPv4 address or an IPv6 address in brackets, without a scheme or path", e)
		}
		g.names = append(g.names, hostPort{host, port, true})
	}
	return g, nil
}

// allows reports whether host:port is one of ours, when the request came in at port local.
func (g gate) allows(host, port, local string) bool {
	for _, n := range g.names {
		if n.host != host {
			continue
		}
		switch {
		case n.port != "" && port == n.port:
			return true
		case n.port != "":
		case port == local, port == "" && (n.configured || local == "80" || local == "443"):
			return true
		}
	}
	return false
}

// check returns why a request is not let in, or nil.
func (g gate) check(r *http.Request) *Problem {
	// The port is part of the name: a page served by another program of this computer, at another port, is foreign too.
	local := listenPort(r)
	host, port, ok := splitHost(r.Host)
	if !ok || !g.allows(host, port, local) {
		return problem("host_not_allowed", fmt.Sprintf("This station does not answer to the name %q.", clip(r.Host)))
	}
	origins := r.Header.Values("Origin")
	if len(origins) == 0 {
		return nil // not a browser, or a browser that just follows a link
	}
	// Two Origin headers come from no browser; which of them counts would be a matter of opinion. "null" is what a page
	// without an origin of its own sends (a sandboxed frame, a file), and it parses as a path without a scheme.
	if len(origins) == 1 {
		if u, err := url.Parse(origins[0]); err == nil && (u.Scheme == "http" || u.Scheme == "https") && u.User == nil && u.Path == "" && u.RawQuery == "" && u.Fragment == "" {
			if host, port, ok := splitHost(u.Host); ok && g.allows(host, port, local) {
				return nil
			}
		}
	}
	return problem("origin_not_allowed", fmt.Sprintf("A page from %q may not use this station.", clip(strings.Join(origins, ", "))))
}

// splitHost takes a Host header apart. The host comes back in lower case and without brackets.
func splitHost(s string) (host, port string, ok bool) {
	if s == "" || len(s) > 255 || strings.ContainsAny(s, "/\\@?#% \t\r\n,") {
		return "", "", false
	}
	host = s
	if h, p, err := net.SplitHostPort(s); err == nil {
		// A port in any other spelling (leading zeros, a sign, a service name) is another text for the same thing, and
		// comparing texts is what this gate does.
		if n, err := strconv.ParseUint(p, 10, 16); err != nil || n == 0 || strconv.FormatUint(n, 10) != p {
			return "", "", false
		}
		host, port = h, p
	}
	bracketed := strings.HasPrefix(s, "[")
	if host = strings.ToLower(host); port == "" && bracketed && strings.HasSuffix(host, "]") {
		host = host[1 : len(host)-1]
	}
	// Colons without brackets, or brackets without colons: not an address that a browser would send.
	if strings.ContainsAny(host, "[]") || host == "" || bracketed != strings.Contains(host, ":") {
		return "", "", false
	}
	return host, port, true
}

// listenPort returns the port a request came in at; empty when it did not come over a listener.
func listenPort(r *http.Request) string {
	// The server puts the address of the accepting socket there. It is the truth about the connection, unlike a setting,
	// which may say ":0" or stand behind a forwarded port.
	a, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	if !ok {
		return ""
	}
	_, port, err := net.SplitHostPort(a.String())
	if err != nil {
		return ""
	}
	return port
}

// commandGate checks what every request that changes something must show, Stop excepted.
//
// Who may command: until pairing exists, only viewers on the station itself. The two headers keep a foreign page out a
// second time: a plain form cannot send either of them, and a script from elsewhere needs a permission we never give.
func commandGate(r *http.Request) *Problem {
	if !atStation(r) {
		return problem("control_from_elsewhere", "Commands are accepted only from a browser on the station itself.")
	}
	if r.Header.Get("X-Trivet-Request") != "1" {
		return problem("request_header_missing", "The header X-Trivet-Request is missing or not 1.")
	}
	if t, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || t != "application/json" {
		return problem("not_json", fmt.Sprintf("The content type is %q; it must be application/json.", clip(r.Header.Get("Content-Type"))))
	}
	return nil
}

// atStation reports whether the viewer sits at the station's own computer. A request that says it was passed on by a
// proxy did not come from there, whatever the last hop was.
func atStation(r *http.Request) bool {
	// Forging these headers only takes rights away.
	for _, h := range []string{"Forwarded", "X-Forwarded-For", "X-Real-Ip", "Via"} {
		if r.Header.Get(h) != "" {
			return false
		}
	}
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// source names the viewer for records when no name was given.
func source(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil || host == "" {
		return "a viewer"
	}
	if atStation(r) {
		return "a viewer at the station"
	}
	return "a viewer at " + host
}

// secure sets the headers every answer carries.
//
// The referrer policy is same-origin and not no-referrer on purpose: with no-referrer a browser sends "Origin: null" with a
// plain form, and Stop by form, the way that works without any script, would be refused by the gate.
func secure(h http.Header) {
	h.Set("Content-Security-Policy", "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cache-Control", "no-store") // the page's files set their own
}

// clip shortens a foreign text before it is shown or logged.
func clip(s string) string {
	if len(s) > 100 {
		s = s[:100] + "…"
	}
	return strings.ToValidUTF8(s, "?")
}

// ours reports whether a path is not one of the page's.
func ours(path string) bool {
	return path == "/api" || strings.HasPrefix(path, "/api/") || path == "/metrics" || path == "/healthz" || path == "/readyz"
}
