package api

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"sync"
	"time"

	"trivet/safety"
	"trivet/station"
)

// Limits on old and repeated commands (hazard N-03, invariant I-39).
const (
	freshFor = 5 * time.Second  // between the state that a person saw and the arrival of what they decided on
	keptFor  = 60 * time.Second // how long an answer is kept for a repetition; a repetition after freshFor is refused anyway
	mostKept = 512              // answers: a hundred commands a second for as long as they can be repeated
	maxKey   = 64
	minKey   = 8 // shorter ones are not made at random
)

// Care is what each command that moves heat carries besides its body, so that it is carried out once, in time, and on the machine
// that was looked at. All three are taken from the newest state that the viewer has seen, but for the key.
type Care struct {
	Key     string `header:"Idempotency-Key" doc:"8 to 64 letters, digits, - or _, new for each command; a repetition with the same key is not carried out again, and gets the first answer"`
	Version string `header:"If-Match" doc:"The version of the state that the decision rests on, in double quotes"`
	Seen    string `header:"X-Trivet-Seen" doc:"The stamp_ms of the newest state seen; at most 5 s old"`
}

// check returns what is missing or malformed.
func (c *Care) check() *Problem {
	for _, f := range []struct{ name, value string }{{"Idempotency-Key", c.Key}, {"If-Match", c.Version}, {"X-Trivet-Seen", c.Seen}} {
		if f.value == "" {
			return problem("care_missing", "The header "+f.name+" is missing.")
		}
	}
	ok := len(c.Key) >= minKey && len(c.Key) <= maxKey
	for _, r := range c.Key {
		ok = ok && (r == '-' || r == '_' || r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z')
	}
	if !ok {
		return problem("bad_field", fmt.Sprintf("header.Idempotency-Key: %d to %d letters, digits, - or _.", minKey, maxKey))
	}
	return nil
}

// answers remembers what was answered to each key. The caller of its methods holds the turn to command, so that two commands with
// one key are never carried out side by side.
type answers struct {
	list []kept // oldest first
}

type kept struct {
	key  [sha256.Size]byte // of pairing and key
	what [sha256.Size]byte // of the command and its body
	at   time.Time
	err  error    // nil: accepted
	deed *Receipt // of one that was accepted
}

// find returns the answer to an earlier command with this key, and a problem when that was another command.
func (a *answers) find(key, what [sha256.Size]byte) (found bool, deed *Receipt, err error) {
	for i := range a.list {
		if k := &a.list[i]; k.key == key {
			if k.what != what {
				return true, nil, problem("key_used", "This key has been used for another command.")
			}
			return true, k.deed, k.err
		}
	}
	return false, nil, nil
}

// room forgets what need not be kept and reports whether one more can be: an answer young enough for its command to be repeated is
// never pushed out by others.
func (a *answers) room(now time.Time) bool {
	i := 0
	for i < len(a.list) && (now.Sub(a.list[i].at) >= keptFor || len(a.list)-i >= mostKept && now.Sub(a.list[i].at) > freshFor) {
		i++
	}
	a.list = append(a.list[:0], a.list[i:]...)
	return len(a.list) < mostKept
}

// versions numbers what a decision rests on: each change of the state a person decides by is another version. Readings and times
// do not count, they change all the time.
type versions struct {
	mu   sync.Mutex
	seen bool
	tick uint64 // of the newest snapshot looked at
	last rests
	n    uint64
}

// rests is what decisions rest on.
type rests struct {
	state station.State
	order *station.RunOrder
	trip  uint32
	noGo  bool
	lift  bool
}

// of returns the version of a snapshot.
func (v *versions) of(s *station.Snapshot) uint64 {
	r := rests{state: settled(s.State), order: s.Run.Order, noGo: s.NoGo, lift: s.Lift.Open}
	for i := range s.NAlarms {
		r.trip = max(r.trip, s.Alarms[i].TripID)
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	// Two readers may come with their snapshots in the wrong order. The older one must not look like a change back.
	if v.seen && s.Seq < v.tick {
		return v.n
	}
	if v.tick = s.Seq; !v.seen || r != v.last {
		v.n++
		v.last, v.seen = r, true
	}
	return v.n
}

// settled takes a state that passes by itself for the one it leads to. A person who pressed Hold has decided about the held run, and
// need not wait until the machine says so.
func settled(s station.State) station.State {
	switch s {
	case station.Holding:
		return station.Held
	case station.Restarting:
		return station.Running
	case station.Stopping:
		return station.Stopped
	case station.Aborting:
		return station.Aborted
	}
	return s
}

// version is how a version is sent. The boot id in it makes every version of another life of the process a different one.
func (s *Server) version(snap *station.Snapshot) string {
	return s.o.BootID + "-" + strconv.FormatUint(s.versions.of(snap), 10)
}

// stamp is the age of the server in milliseconds, by a clock that only goes forward.
func (s *Server) stamp() uint64 { return uint64(s.o.Now().Sub(s.began).Milliseconds()) }

// current returns why a command comes too late, or nil.
func (s *Server) current(c *Care) *Problem {
	seen, err := strconv.ParseUint(c.Seen, 10, 63)
	now := s.stamp()
	if err != nil || seen > now {
		return problem("bad_field", "header.X-Trivet-Seen: it must be the stamp_ms of a state of this station.")
	}
	if age := time.Duration(now-seen) * time.Millisecond; age > freshFor {
		return problem("too_old", fmt.Sprintf("The state that this command rests on is %.0f s old; it may be %.0f s.", age.Seconds(), freshFor.Seconds()))
	}
	var snap station.Snapshot
	s.o.Station.Latest(&snap)
	if want := s.version(&snap); strings.Trim(c.Version, `"`) != want {
		return problem("moved_on", "The machine has moved on since the state that this command rests on.")
	}
	return nil
}

// carry carries out a command with care: once for each key, by whoever holds the controls (or, for an acknowledgement, may
// operate), and only if the machine is as it was seen. body is what was asked, for comparison with a repetition. The answer waits a second
// at most for the deed to be on record, when the turn has been given back: the machine has obeyed, and the next command need not wait.
func (s *Server) carry(ctx context.Context, care Care, c station.Command, body any) (*Accepted, error) {
	deed, err := s.carryInTurn(ctx, care, c, body)
	return accepted(deed, err)
}

func (s *Server) carryInTurn(ctx context.Context, care Care, c station.Command, body any) (*Receipt, error) {
	v := visitorOf(ctx)
	if p := care.check(); p != nil {
		return nil, p
	}
	// A viewer that goes away while its command waits does not take it back: the queue has it already.
	ctx, cancel := context.WithTimeout(ctx, answerTimeout)
	defer cancel()
	if p := s.turn(ctx); p != nil {
		return nil, p
	}
	defer func() { <-s.turns }()

	// Once more, now that nobody can change it: the pairing may have ended, the controls may have changed hands.
	who, ok := s.people.current(v.who.ID)
	if v.who, v.paired = who, ok; !ok {
		return nil, problem("not_paired", "This pairing has been ended.")
	}
	need := AccessControls
	if c.Event == station.Acknowledge {
		need = AccessOperate
	}
	if c.Event == station.Start && c.Order.Commission {
		need = AccessCommission
	}
	if p := s.admit(&v, need); p != nil {
		return nil, p
	}
	text, err := json.Marshal(body)
	if err != nil {
		return nil, err
	}
	key, what := sha256.Sum256([]byte(who.ID+" "+care.Key)), sha256.Sum256(append([]byte(string(c.Event)+" "), text...))
	if found, deed, err := s.answers.find(key, what); found {
		return deed, err
	}
	if p := s.current(&care); p != nil {
		return nil, p
	}
	now := s.o.Now()
	if !s.answers.room(now) {
		return nil, problem("busy", "Too many commands in a few seconds.")
	}
	var deed *Receipt
	if err = refusal(s.o.Station.Do(ctx, c)); err == nil {
		deed = s.audit(Deed{Code: "command:" + string(c.Event), Text: deedOf(&c), Start: c.Event == station.Start}.by(&v))
	}
	s.answers.list = append(s.answers.list, kept{key, what, now, err, deed})
	return deed, err
}

// turn waits for the turn to command, or to change who may: one at a time, so that a command is either before a hand-over or
// refused after it.
func (s *Server) turn(ctx context.Context) *Problem {
	select {
	case s.turns <- struct{}{}:
		return nil
	case <-ctx.Done():
		return problem("busy", "Other commands are being carried out.")
	}
}

// accepted is the answer to a command. It waits for its deed; the caller holds nothing that others wait for.
func accepted(deed *Receipt, err error) (*Accepted, error) {
	if err != nil {
		return nil, err
	}
	var out Accepted
	out.Body.Accepted, out.Body.OnRecord = true, deed.wait()
	return &out, nil
}

// deedOf says in one sentence what a command asked.
func deedOf(c *station.Command) string {
	switch c.Event {
	case station.Start:
		return fmt.Sprintf("Start: %s.", c.Order.Profile.Title)
	case station.Hold:
		return "Hold the heat."
	case station.InputTest:
		return fmt.Sprintf("Test of the inputs: %s.", c.Inputs)
	case station.Restart:
		return "Go on after the hold."
	case station.Lifted:
		return "The part is off, or sits."
	case station.Reset:
		if c.TripID != 0 {
			return fmt.Sprintf("Reset trip %d.", c.TripID)
		}
		return "Put the run away."
	case station.Acknowledge:
		for _, row := range safety.Rows() {
			if row.Code == c.Alarm {
				return fmt.Sprintf("Seen: alarm %s.", strings.ReplaceAll(row.Code, "_", " "))
			}
		}
	}
	return string(c.Event) + "."
}
