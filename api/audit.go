package api

import (
	"time"

	"go.uber.org/zap"
)

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

// audit keeps a deed and shows it on every page. It is called after the deed was accepted; nothing waits for a disk here.
func (s *Server) audit(d Deed) {
	if d.At.IsZero() {
		d.At = s.o.Now().UTC()
	}
	s.log.Info("accepted", zap.String("code", d.Code), zap.String("who", d.Who), zap.String("role", string(d.Role)),
		zap.String("pairing", d.Pairing), zap.String("source", d.Source))
	if s.o.Audit != nil {
		s.o.Audit(d)
	}
	s.hub.announce(EventState{At: seconds(s.o.Now().Sub(s.began)), Code: d.Code, Text: d.Text, By: d.Who})
}

// by fills in who it was.
func (d Deed) by(v *visitor) Deed {
	d.Who, d.Source = v.name(), v.source
	if v.paired {
		d.Role, d.Pairing = v.who.Role, v.who.ID
	}
	return d
}
