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

// allows reports whether host:port is one of ours, when the request came in at address own and port local.
func (g gate) allows(host, port, own, local string) bool {
	// The address that the connection really came in at is ours whatever it is, and rebinding needs a name. It is taken from the
	// socket and never from the request.
	if own != "" && host == own && port == local {
		return true
	}
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
	own, local := listenAddress(r)
	host, port, ok := splitHost(r.Host)
	if !ok || !g.allows(host, port, own, local) {
		return problem("host_not_allowed", fmt.Sprintf("This station does not answer to the name %q.", clip(r.Host)))
	}
	origins := r.Header.Values("Origin")
	if len(origins) == 0 {
		return nil // not a browser, or a browser that just follows a link
	}
	// Two Origin headers come from no browser; which of them counts would be a matter of opinion. "null" is what a page
	// without an origin of its own sends (a sandboxed frame, a file), and it parses as a path without a scheme.
	if len(origins) == 1 {
		// Over TLS a page that came in the clear is foreign: somebody on the way may have written it.
		if u, err := url.Parse(origins[0]); err == nil && (u.Scheme == "https" || u.Scheme == "http" && r.TLS == nil) && u.User == nil && u.Path == "" && u.RawQuery == "" && u.Fragment == "" {
			if host, port, ok := splitHost(u.Host); ok && g.allows(host, port, own, local) {
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

// listenAddress returns the address and the port that a request came in at; empty when it did not come over a TCP listener.
func listenAddress(r *http.Request) (host, port string) {
	// The server puts the address of the accepting socket there. It is the truth about the connection, unlike a setting,
	// which may say ":0" or stand behind a forwarded port.
	a, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	if !ok {
		return "", ""
	}
	host, port, err := net.SplitHostPort(a.String())
	if err != nil {
		return "", ""
	}
	return host, port
}

// commandGate checks what every request that changes something must show, Stop excepted. Who may change what is asked afterwards.
//
// The two headers keep a foreign page out a second time, whatever its browser does with cookies: a plain form cannot send
// either of them, and a script from elsewhere needs a permission we never give.
func commandGate(r *http.Request) *Problem {
	if r.Header.Get("X-Trivet-Request") != "1" {
		return problem("request_header_missing", "The header X-Trivet-Request is missing or not 1.")
	}
	if t, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || t != "application/json" {
		return problem("not_json", fmt.Sprintf("The content type is %q; it must be application/json.", clip(r.Header.Get("Content-Type"))))
	}
	return nil
}

// secure sets the headers every answer carries.
//
// The referrer policy is same-origin and not no-referrer on purpose: with no-referrer a browser sends "Origin: null" with a
// plain form, and Stop by form, the way that works without any script, would be refused by the gate.
func secure(h http.Header) {
	h.Set("Content-Security-Policy", "default-src 'self'; script-src 'self'; style-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'")
	h.Set("X-Frame-Options", "DENY") // for browsers that do not know frame-ancestors
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
