package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"strings"
)

// Access is what a way in asks of whoever uses it, weakest first. A route without one is closed to everybody, so that a
// forgotten word in the table shows as a refusal and not as a hole.
type Access string

// What a route may ask. Stop asks for nothing and is answered before any of this is looked at.
const (
	AccessOpen       Access = "open"       // nothing: the page's files, the documents, pairing itself
	AccessLook       Access = "look"       // may look at the machine, see Looking
	AccessPaired     Access = "paired"     // is paired, in whatever role
	AccessOperate    Access = "operate"    // is paired as operator or supervisor
	AccessControls   Access = "controls"   // the same, and holds the controls
	AccessSupervise  Access = "supervise"  // is paired as supervisor
	AccessCommission Access = "commission" // the same, and holds the controls
)

// explain says it in the words of the document.
func (a Access) explain() string {
	switch a {
	case AccessLook:
		return "For whoever may look at this station."
	case AccessPaired:
		return "Needs a pairing."
	case AccessOperate:
		return "Needs the role operator or supervisor."
	case AccessControls:
		return "Needs the role operator or supervisor, and the controls."
	case AccessSupervise:
		return "Needs the role supervisor."
	case AccessCommission:
		return "Needs the role supervisor, and the controls."
	}
	return "For everybody."
}

// Role is what a paired person may do. The words are kept on disk and sent: do not rename them.
type Role string

// The roles. Each may do what the one before may.
const (
	RoleViewer     Role = "viewer"     // look, from wherever
	RoleOperator   Role = "operator"   // acknowledge alarms, hold the controls
	RoleSupervisor Role = "supervisor" // take the controls over, list and end pairings, read who did what
)

// rank orders the roles; what is no role ranks below all of them.
func (r Role) rank() int {
	switch r {
	case RoleViewer:
		return 1
	case RoleOperator:
		return 2
	case RoleSupervisor:
		return 3
	}
	return 0
}

// Looking is who may look at the machine without being paired.
type Looking string

// Who may look unpaired. Nearby is the default.
const (
	LookNearby    Looking = "nearby"    // this computer, and addresses of private networks
	LookPaired    Looking = "paired"    // nobody
	LookEverybody Looking = "everybody" // whoever reaches the port
)

// Valid reports whether l is one of the words, or empty for the default.
func (l Looking) Valid() bool {
	return l == "" || l == LookNearby || l == LookPaired || l == LookEverybody
}

// visitor is who made a request, as far as it can be known.
type visitor struct {
	who    Pairing // meaningful when paired
	paired bool
	here   bool   // at the station's own computer, not through a proxy
	near   bool   // here, or on a private network, not through a proxy
	source string // the address it came from, for records; without a port

	ownName    bool   // spoken to as localhost, 127.0.0.1 or ::1
	encrypted  bool   // over TLS
	limited    string // what tries of the code are counted by
	cookieName string
}

// visitorKey carries the visitor in a request's context.
type visitorKey struct{}

func visitorOf(ctx context.Context) visitor {
	v, _ := ctx.Value(visitorKey{}).(visitor)
	return v
}

// name says who it was, for records: the name that was given at pairing, or where the request came from.
func (v *visitor) name() string {
	if v.paired {
		return v.who.Name
	}
	switch {
	case v.here:
		return "a viewer at the station"
	case v.source == "":
		return "a viewer"
	}
	return "a viewer at " + v.source
}

// visit finds out who made a request. It takes no lock: Stop asks it too.
func (s *Server) visit(r *http.Request) visitor {
	here := atStation(r)
	v := visitor{here: here, near: here, source: hostOf(r.RemoteAddr), limited: sourceOf(r.RemoteAddr), encrypted: r.TLS != nil, cookieName: cookieName(r)}
	name, _, _ := splitHost(r.Host)
	v.ownName = name == "localhost" || name == "127.0.0.1" || name == "::1"
	if a, err := netip.ParseAddr(v.source); err == nil && !passedOn(r) {
		a = a.Unmap()
		// Private networks by RFC 1918 and RFC 4193, and link-local addresses: a shop's own net, as good as it can be told.
		v.near = v.near || a.IsPrivate() || a.IsLinkLocalUnicast()
	}
	if token := credential(r); token != "" {
		v.who, v.paired = s.people.byToken(token)
	}
	return v
}

// credential returns the token of a request: that of the Authorization header if there is such a header, else the cookie's.
// A header that is there and wrong does not fall back on the cookie: the program that sent it meant it.
func credential(r *http.Request) string {
	if h := r.Header.Values("Authorization"); len(h) > 0 {
		scheme, token, _ := strings.Cut(h[0], " ")
		if len(h) > 1 || !strings.EqualFold(scheme, "Bearer") {
			return ""
		}
		return strings.TrimSpace(token)
	}
	if c, err := r.Cookie(cookieName(r)); err == nil {
		return c.Value
	}
	return ""
}

// cookieName contains the port, because browsers hand a cookie to every port of a host: two stations on one computer would
// otherwise log each other out.
func cookieName(r *http.Request) string {
	if _, p := listenAddress(r); p != "" {
		return "trivet_pairing_" + p
	}
	return "trivet_pairing"
}

// hashOf is how a token is kept. The token has 256 random bits, so that a plain hash is enough: there is nothing to guess that
// a slow one would protect.
func hashOf(token string) string {
	sum := sha256.Sum256([]byte(token))
	return hex.EncodeToString(sum[:])
}

// mayLook reports whether a visitor may see what the machine is doing.
func (s *Server) mayLook(v *visitor) bool {
	switch {
	case v.paired, s.o.Looking == LookEverybody:
		return true
	case s.o.Looking == LookPaired:
		return false
	}
	return v.near
}

// admit returns why a visitor may not use a route, or nil. Whether it holds the controls is asked here, so that nothing of a body is
// read in vain, and again when the command is carried out, because they may change hands meanwhile.
func (s *Server) admit(v *visitor, need Access) *Problem {
	rank := 0
	if v.paired {
		rank = v.who.Role.rank()
	}
	switch need {
	case AccessOpen:
		return nil
	case AccessLook:
		if !s.mayLook(v) {
			return problem("look_not_allowed", "From where you are, this station shows itself to paired viewers only.")
		}
		return nil
	case AccessPaired:
		return short(rank, RoleViewer)
	case AccessOperate:
		return short(rank, RoleOperator)
	case AccessSupervise:
		return short(rank, RoleSupervisor)
	case AccessControls:
		if p := short(rank, RoleOperator); p != nil {
			return p
		}
		return s.holdsControls(v.who.ID)
	case AccessCommission:
		if p := short(rank, RoleSupervisor); p != nil {
			return p
		}
		return s.holdsControls(v.who.ID)
	}
	return problem("not_found", "Nobody may use this.")
}

// short says what a visitor of this rank lacks to be need.
func short(rank int, need Role) *Problem {
	switch {
	case rank == 0:
		return problem("not_paired", "This needs a paired browser or program.")
	case rank < need.rank():
		return problem("role_too_low", fmt.Sprintf("This needs the role %s.", need))
	}
	return nil
}

// passedOn reports whether a request says that a proxy passed it on. Forging these headers only takes rights away.
func passedOn(r *http.Request) bool {
	for _, h := range []string{"Forwarded", "X-Forwarded-For", "X-Real-Ip", "Via"} {
		if r.Header.Get(h) != "" {
			return true
		}
	}
	return false
}

// atStation reports whether the viewer sits at the station's own computer. A request that says it was passed on by a
// proxy did not come from there, whatever the last hop was.
func atStation(r *http.Request) bool {
	ip := net.ParseIP(hostOf(r.RemoteAddr))
	return ip != nil && ip.IsLoopback() && !passedOn(r)
}

// hostOf returns the address without its port and zone, empty for what is no address.
func hostOf(remote string) string {
	host, _, err := net.SplitHostPort(remote)
	if err != nil {
		return ""
	}
	host, _, _ = strings.Cut(host, "%")
	if net.ParseIP(host) == nil {
		return ""
	}
	return host
}

// sourceOf is what limits are counted by: an IPv4 address, or the /64 that an IPv6 address is in, because whoever has one
// address of those has them all (RFC 4291). Unreadable addresses share one count.
func sourceOf(remote string) string {
	a, err := netip.ParseAddr(hostOf(remote))
	if err != nil {
		return "?"
	}
	if a = a.Unmap(); a.Is6() && !a.IsLoopback() {
		if p, err := a.Prefix(64); err == nil {
			return p.String()
		}
	}
	return a.String()
}
