package api

import "fmt"

// Limits is how many connections a server keeps at a time (hazard N-08). A zero field takes its default. None of them ever stands in the
// way of Stop: one connection too many ends another that is not being answered.
type Limits struct {
	Viewers          int // streams in all
	ViewersPerSource int // streams from one address elsewhere
	Sockets          int // other connections in all
	SocketsPerSource int // other connections from one address elsewhere
}

// What is used where nothing is said, and the most that may be said. All of it is judgement: a shop has a dozen screens, twice over and
// again is 64; a browser opens six connections; and both sums together fit into the 1024 files that a service may have open by default.
// More viewers cost memory, about 25 kB here and up to 128 kB in the kernel each, and a processor for each few thousand.
const (
	maxViewers   = 64
	maxPerSource = 24
	maxSockets   = 512
	maxFrom      = 48

	mostViewers = 5000
	mostSockets = 10000
)

// Check returns the name of the first field that is out of range, and what it may be; an empty name when all is well. The names are those
// of the settings.
func (l Limits) Check() (key, what, allowed string) {
	for _, f := range []struct {
		key         string
		value, most int
	}{{"viewers", l.Viewers, mostViewers}, {"viewers_per_source", l.ViewersPerSource, mostViewers},
		{"connections", l.Sockets, mostSockets}, {"connections_per_source", l.SocketsPerSource, mostSockets}} {
		if f.value != 0 && !(f.value >= 1 && f.value <= f.most) {
			return f.key, fmt.Sprintf("is %d", f.value), fmt.Sprintf("between 1 and %d", f.most)
		}
	}
	// A dozen browsers must find a place whatever else is open.
	if l.Sockets != 0 && l.Sockets < leastSockets {
		return "connections", fmt.Sprintf("is %d", l.Sockets), fmt.Sprintf("between %d and %d", leastSockets, mostSockets)
	}
	return "", "", ""
}

const leastSockets = 16

// Filled returns the limits with the defaults in the place of zeros.
func (l Limits) Filled() Limits {
	for _, f := range []struct {
		v         *int
		otherwise int
	}{{&l.Viewers, maxViewers}, {&l.ViewersPerSource, maxPerSource}, {&l.Sockets, maxSockets}, {&l.SocketsPerSource, maxFrom}} {
		if *f.v == 0 {
			*f.v = f.otherwise
		}
	}
	return l
}
