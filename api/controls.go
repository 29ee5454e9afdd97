package api

import (
	"fmt"
	"sync"
	"time"
)

// controlsLast is how long somebody who shows no sign of life keeps the controls, and how long a request for them stands.
// One minute: longer than a browser's way back after a dead radio link, shorter than a walk for coffee (judgement).
const controlsLast = 60 * time.Second

// controls is who may give the commands that move heat: one paired person at a time (hazard N-02). A sign of life is any request, or an
// open page. It hands itself on only by consent, to a supervisor, or when its holder has gone; what the machine does meanwhile does
// not depend on it, and neither does Stop.
type controls struct {
	now func() time.Time

	mu      sync.Mutex
	holder  string // id of a pairing, empty for nobody
	asking  string // id of whoever wants them from holder, empty for nobody
	askedAt time.Time
	gone    string               // who lost them by silence, until it has been told
	seen    map[string]time.Time // last sign of life; of holder and asking only
}

// alive notes a sign of life.
func (c *controls) alive(id string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if id == c.holder || id == c.asking {
		c.mark(id)
	}
}

func (c *controls) mark(id string) {
	if c.seen == nil {
		c.seen = map[string]time.Time{}
	}
	c.seen[id] = c.now()
}

// standing returns who holds the controls and who asks for them, empty for nobody.
func (c *controls) standing() (holder, asking string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.tidy()
	return c.holder, c.asking
}

// sweep returns, once, who has lost the controls for want of a sign of life.
func (c *controls) sweep() (lapsed string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.tidy()
	lapsed, c.gone = c.gone, ""
	return lapsed
}

// tidy lets go of whoever has gone. There is no timer: it is asked before anything is decided, and ten times a second while
// anybody watches.
func (c *controls) tidy() {
	now := c.now()
	if c.holder != "" && now.Sub(c.seen[c.holder]) >= controlsLast {
		c.gone, c.holder, c.asking = c.holder, "", ""
	}
	if c.asking != "" && (now.Sub(c.askedAt) >= controlsLast || now.Sub(c.seen[c.asking]) >= controlsLast) {
		c.asking = ""
	}
	if len(c.seen) > 2 {
		for id := range c.seen {
			if id != c.holder && id != c.asking {
				delete(c.seen, id)
			}
		}
	}
}

// take gives the controls to id if nobody has them, or id has them. It returns who has them afterwards.
func (c *controls) take(id string) (holder string, fresh bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.tidy()
	if c.holder == "" {
		c.give(id)
		return id, true
	}
	return c.holder, false
}

// takeOver gives the controls to id, whoever has them, and returns who had.
func (c *controls) takeOver(id string) (before string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.tidy()
	before = c.holder
	c.give(id)
	return before
}

// give hands over. The caller holds the lock.
func (c *controls) give(id string) {
	c.holder, c.asking = id, ""
	c.mark(id)
}

// ask asks the holder for the controls. It returns who stands before id in asking, empty when it is id.
func (c *controls) ask(id string) (before string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.tidy()
	if c.asking != "" && c.asking != id {
		return c.asking
	}
	c.asking, c.askedAt = id, c.now()
	c.mark(id)
	return ""
}

// answer is the holder's yes or no to the one who asks. It names that one, so that nobody hands over to somebody who came in
// between; false when to does not ask, or id is not the holder.
func (c *controls) answer(id, to string, yes bool) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.tidy()
	if c.holder != id || c.asking == "" || c.asking != to {
		return false
	}
	if yes {
		c.give(to)
	} else {
		c.asking = ""
	}
	return true
}

// release lets go, of the controls or of asking for them. It reports whether id held them.
func (c *controls) release(id string) (held bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.tidy()
	if c.asking == id {
		c.asking = ""
	}
	if c.holder != id {
		return false
	}
	c.holder, c.asking = "", ""
	return true
}

// holdsControls says why id may not give a command that moves heat, or nil.
func (s *Server) holdsControls(id string) *Problem {
	s.sweep()
	holder, _ := s.controls.standing()
	switch {
	case holder == id:
		return nil
	case holder == "":
		p := problem("controls_elsewhere", "Nobody holds the controls.")
		p.Do = "Take the controls, then give the command again."
		return p
	}
	return heldBy(s.nameOf(holder))
}

// heldBy is the refusal of somebody who does not hold the controls.
func heldBy(name string) *Problem {
	p := problem("controls_elsewhere", fmt.Sprintf("%s holds the controls.", name))
	p.Do = fmt.Sprintf("Ask %s for them; a supervisor may take them over. Stop works for everybody.", name)
	return p
}

// nameOf is the name of a pairing, for people.
func (s *Server) nameOf(id string) string {
	if who, ok := s.people.current(id); ok {
		return who.Name
	}
	return "somebody"
}

// sweep tells everybody when the controls have become free because their holder has gone.
func (s *Server) sweep() {
	if id := s.controls.sweep(); id != "" {
		name := s.nameOf(id)
		s.audit(Deed{Code: "controls:lapsed", Text: "The controls are free: no page of " + name + " for a minute.", Who: name, Pairing: id})
	}
}
