package steptest

import "time"

// MaxInputs is the largest number of inputs that are watched together.
const MaxInputs = 32

// Moved says what became of one input that a person was asked to move. The words are stored and sent: do not rename them.
type Moved string

// What can become of an input.
const (
	Untried Moved = "untried"
	Proven  Moved = "proven"  // it opened alone, and closed again
	Skipped Moved = "skipped" // not fitted, or it cannot be opened by hand
	Wrong   Moved = "wrong"   // another input opened in its place: Other
	Joined  Moved = "joined"  // another input opened with it: Other
)

// Ask is what the person should do now. The words are sent.
type Ask string

// What can be asked.
const (
	AskNothing Ask = ""
	AskRest    Ask = "rest"  // something is open that should be closed: At
	AskOpen    Ask = "open"  // open input At
	AskClose   Ask = "close" // and close it again
)

// Times of the test by hand; judgement.
const (
	contactSteady = 300 * time.Millisecond // a contact that bounces has not moved
	judgeAfter    = time.Second            // what moves together moves within this
)

// InputNow is what became of one input.
type InputNow struct {
	State Moved
	Other int // input that moved in its place or with it; −1 for none
}

// Inputs watches a person open one contact after the other and close it again, and that no other input moves meanwhile. The first Hand
// inputs are the ones to be moved; the others must keep still. It neither heats nor switches anything. Begin before use.
type Inputs struct {
	Active bool
	Ask    Ask
	At     int // the input that Ask is about
	Hand   int
	Of     [MaxInputs]InputNow

	all     int
	level   uint32 // as steady contacts say; a set bit is closed or present
	raw     uint32
	since   [MaxInputs]time.Duration
	base    uint32 // how everything stood before the person moved
	moved   bool
	movedAt time.Duration
	begun   bool
}

// Begin starts anew with the first of hand inputs, out of all that are watched; at most MaxInputs.
func (t *Inputs) Begin(hand, all int) {
	*t = Inputs{Active: hand > 0, Hand: min(hand, MaxInputs), all: min(all, MaxInputs), Ask: AskRest}
	for i := range t.Of {
		t.Of[i] = InputNow{Untried, -1}
	}
}

// Again asks for input i once more. It reports false for an input that is none.
func (t *Inputs) Again(i int) bool {
	if i < 0 || i >= t.Hand {
		return false
	}
	t.Of[i] = InputNow{Untried, -1}
	t.Active, t.Ask, t.At, t.moved = true, AskRest, i, false
	return true
}

// Skip goes on without the present input. It reports false when there is none.
func (t *Inputs) Skip() bool {
	if !t.Active {
		return false
	}
	t.Of[t.At] = InputNow{Skipped, -1}
	t.next()
	return true
}

// Stop ends the test; what has become of the inputs stays.
func (t *Inputs) Stop() { t.Active, t.Ask = false, AskNothing }

// Step looks at every input. levels has a bit for each, set while it is closed or present.
func (t *Inputs) Step(now time.Duration, levels uint32) {
	if !t.Active {
		return
	}
	if !t.begun {
		t.raw, t.level, t.begun = levels, levels, true
	}
	for i := range t.all {
		bit := uint32(1) << i
		switch {
		case levels&bit != t.raw&bit:
			t.since[i] = now
		case now-t.since[i] >= contactSteady:
			t.level = t.level&^bit | levels&bit
		}
	}
	t.raw = levels
	mine := uint32(1) << t.At
	switch t.Ask {
	case AskRest:
		hand := uint32(1)<<t.Hand - 1
		if t.level&hand == hand {
			t.base, t.moved, t.Ask = t.level, false, AskOpen
		}
	case AskOpen:
		t.watch(now, mine)
	case AskClose:
		if t.level == t.base {
			if t.Of[t.At].State == Untried {
				t.Of[t.At].State = Proven
			}
			t.next()
		}
	}
}

// watch waits for a movement, gives others time to follow, and judges.
func (t *Inputs) watch(now time.Duration, mine uint32) {
	changed := t.level ^ t.base
	if changed == 0 {
		t.moved = false
		return
	}
	if !t.moved {
		t.moved, t.movedAt = true, now
	}
	if now-t.movedAt < judgeAfter {
		return
	}
	other := -1
	for i := range t.all {
		if changed&^mine&(1<<i) != 0 {
			other = i
			break
		}
	}
	switch {
	case changed == mine:
	case changed&mine != 0:
		t.Of[t.At] = InputNow{Joined, other}
	default:
		t.Of[t.At] = InputNow{Wrong, other}
	}
	t.Ask = AskClose
}

// next goes on to the next input that nobody has tried yet, or ends.
func (t *Inputs) next() {
	t.Ask, t.moved = AskRest, false
	for range t.Hand {
		t.At = (t.At + 1) % t.Hand
		if t.Of[t.At].State == Untried {
			return
		}
	}
	t.Active, t.Ask = false, AskNothing
}

// Open is the first input that keeps the test from going on, −1 for none. Meaningful while Ask is AskRest.
func (t *Inputs) Open() int {
	for i := range t.Hand {
		if t.level&(1<<i) == 0 {
			return i
		}
	}
	return -1
}
