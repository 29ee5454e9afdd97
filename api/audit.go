package api

import (
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
)

// recordWait is how long an answer waits for its deed to be on the disk (invariant I-30). A card flushes in 10 to 50 ms; one that needs
// longer than this must not make people press twice (judgement). Stop waits for nothing.
const recordWait = time.Second

// Receipt tells when a deed is on the disk, or that it will not be. Whoever keeps deeds makes one and settles it once; any number may wait.
type Receipt struct {
	done chan struct{}
	once sync.Once
	kept atomic.Bool
}

// NewReceipt returns a receipt that is not settled yet.
func NewReceipt() *Receipt { return &Receipt{done: make(chan struct{})} }

// Settle says what became of the deed: kept is true when it outlives a loss of power. Only the first call counts. Safe from any goroutine.
func (r *Receipt) Settle(kept bool) {
	r.once.Do(func() {
		r.kept.Store(kept)
		close(r.done)
	})
}

// wait returns whether the deed is on the disk, after recordWait at most. Of a deed that nobody keeps, nil, it is not.
func (r *Receipt) wait() bool {
	if r == nil {
		return false
	}
	late := time.NewTimer(recordWait)
	defer late.Stop()
	select {
	case <-r.done:
	case <-late.C:
	}
	return r.kept.Load()
}

// Deed is one accepted command, or a change of who may give one. It is kept for ever with the run it belongs to, or with the station.
type Deed struct {
	At      time.Time // label
	Code    string    // "command:hold", "controls:given", "pairing:added", …
	Text    string    // one sentence
	Who     string    // the name given at pairing, or where it came from
	Role    Role      // empty for an unpaired viewer
	Pairing string    // id, empty for an unpaired viewer
	Source  string    // the address it came from
	// Start is set for a start: the run it belongs to is the one that begins now.
	Start bool
}

// audit keeps a deed and shows it on every page. It is called after the deed was accepted, and does not wait for the disk itself: whoever
// answers may wait for the receipt, when nobody waits for its turn behind it.
func (s *Server) audit(d Deed) (r *Receipt) {
	if d.At.IsZero() {
		d.At = s.o.Now().UTC()
	}
	s.log.Info("accepted", zap.String("code", d.Code), zap.String("who", d.Who), zap.String("role", string(d.Role)),
		zap.String("pairing", d.Pairing), zap.String("source", d.Source))
	if s.o.Audit != nil {
		r = s.o.Audit(d)
	}
	s.hub.announce(EventState{At: seconds(s.o.Now().Sub(s.began)), Code: d.Code, Text: d.Text, By: d.Who})
	return r
}

// by fills in who it was.
func (d Deed) by(v *visitor) Deed {
	d.Who, d.Source = v.name(), v.source
	if v.paired {
		d.Role, d.Pairing = v.who.Role, v.who.ID
	}
	return d
}
