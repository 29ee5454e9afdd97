package main

import (
	"fmt"
	"syscall"

	"trivet/api"
)

// limitsPart is how many connections the station keeps: the table [limits] of the configuration file. What is left out has a default.
type limitsPart struct {
	Viewers          int `toml:"viewers"`                // live streams in all
	ViewersPerSource int `toml:"viewers_per_source"`     // live streams from one address elsewhere
	Sockets          int `toml:"connections"`            // other connections in all
	SocketsPerSource int `toml:"connections_per_source"` // other connections from one address elsewhere
}

// wanted returns the limits with the defaults filled in.
func (l limitsPart) wanted() api.Limits { return api.Limits(l).Filled() }

// filesBesides is what the program opens besides connections: databases with their logs, the machine's lines, pipes. A generous count.
const filesBesides = 64

// tooFewFiles says when the system would let the program run out of files before it runs out of places. The program has raised
// its soft limit to the hard one by itself (package os does, since Go 1.19). A station that cannot accept a connection cannot
// hear a Stop over the network.
func tooFewFiles(l api.Limits) string {
	var lim syscall.Rlimit
	need := uint64(l.Viewers + l.Sockets + filesBesides)
	if syscall.Getrlimit(syscall.RLIMIT_NOFILE, &lim) != nil || lim.Cur >= need {
		return ""
	}
	return fmt.Sprintf("the system allows this program %d open files, and its limits on connections may need %d; raise the one or lower the other", lim.Cur, need)
}
