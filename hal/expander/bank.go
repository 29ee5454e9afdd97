package expander

import (
	"errors"
	"fmt"
	"sync"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
)

// MostLines is how many lines a bank can have.
const MostLines = 16

// FullDuty is the duty of a line that is always high: the counter of a PCA9685 has 12 bits.
const FullDuty = 4096

// Image is what the outputs of a chip are to do. Bit i is line i.
type Image struct {
	Levels    uint16            // high
	Modulated uint16            // lines that switch by themselves; their level does not count
	Duty      [MostLines]uint16 // of modulated lines, 0 to FullDuty
}

// Chip is what a driver must be able to do. A bank calls one method at a time.
type Chip interface {
	// Begin releases every line, or turns it off where a chip cannot release, and sets the chip up. It may take a while.
	Begin() error
	// Direct makes the lines of outputs outputs, releases all others, and pulls those of pulls up, weakly. The levels of new
	// outputs have been written before.
	Direct(outputs, pulls uint16) error
	// Write makes outputs do what the image says, in one transaction if the chip allows it.
	Write(image *Image) error
	// Check asks the chip whether it still holds what Direct and Write have told it, and what its lines are at. An error that
	// wraps ErrLost says that it does not; any other says that it could not be asked.
	Check(image *Image) (lines uint16, err error)
}

// ErrLost says that a chip no longer holds what it was told: it has lost its supply, or somebody else has written to it.
var ErrLost = errors.New("the chip has lost its outputs or their directions")

// errBusy says that another goroutine is talking to the chip; it writes this line's level as well.
var errBusy = errors.New("the bus is in use; the line follows when it is free")

// Traits are what a kind of chip can do and cannot.
type Traits struct {
	Lines int // 1 to MostLines
	// ActiveLowOnly and ActiveHighOnly, if not empty, say why an output must be the one or the other.
	ActiveLowOnly, ActiveHighOnly string
	Inputs                        bool
	PullsUp                       bool // it has pull-ups; no chip has pull-downs
	// NoPullDown, if not empty, says why a contact cannot be wired so that it pulls its line up.
	NoPullDown string
	// Slowest and Fastest bound the frequency of lines that switch by themselves; 0: none can. All lines have the same.
	Slowest, Fastest physic.Frequency
	// SetFrequency changes it, before any line switches.
	SetFrequency func(physic.Frequency) error
}

// Bank is the lines of one chip.
type Bank struct {
	chip   Chip
	name   string
	traits Traits
	gather bool

	bus     sync.Mutex // held over a transaction; only ever tried, never waited for, once the machine runs
	scratch Image      // what is being sent, or compared with; guarded by bus

	mu       sync.Mutex // guards what follows, and is never held over a transaction
	want     Image      // by those who switch
	told     Image      // what the chip was last told
	known    bool       // it took that; false after anything that failed, and then a write comes before the next check
	outputs  uint16
	inverted uint16 // outputs that are low when on
	inputs   uint16 // handed out as inputs; what is neither is released as well
	pulls    uint16 // inputs that are pulled up
	lines    uint16 // as of the last poll
	seen     bool   // lines are those of now
	lost     bool   // err wraps ErrLost: nothing but Configure ends this
	err      error  // why nothing can be switched on
	tries    int    // writes since the last poll that were only there to switch off
	freq     physic.Frequency
}

// offTries is how many writes that fail are allowed between two polls. A bus that answers nothing may take its time for each.
const offTries = 3

// New begins a bank. It talks to the chip, and fails if that does not work. gather is explained in the package comment.
func New(name string, chip Chip, t Traits, gather bool) (*Bank, error) {
	if t.Lines < 1 || t.Lines > MostLines {
		return nil, fmt.Errorf("%d lines; 1 to %d are allowed", t.Lines, MostLines)
	}
	b := &Bank{chip: chip, name: name, traits: t, gather: gather}
	if err := chip.Begin(); err != nil {
		return nil, err
	}
	b.known = true // of no outputs
	return b, nil
}

// Traits returns what the chip can do and cannot.
func (b *Bank) Traits() Traits { return b.traits }

// String implements conn.Resource.
func (b *Bank) String() string { return b.name }

// Halt implements conn.Resource: every output is switched off.
func (b *Bank) Halt() error {
	b.mu.Lock()
	b.allOff()
	b.mu.Unlock()
	return b.write()
}

// allOff asks for every output to be off, modulated ones too: low, or high where a line is on when low. The caller holds mu.
func (b *Bank) allOff() {
	b.want = Image{Levels: b.want.Levels&^b.outputs | b.inverted}
}

// Err returns why the bank does not work, nil if it does as far as the last poll or write could tell. errors.Is with ErrLost
// tells a chip that must be configured anew from a bus that may come back by itself.
func (b *Bank) Err() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.err
}

// Configure brings back a chip that has lost itself: all outputs off, directions as they were. Whoever calls it answers for
// the heat. It waits for a transaction that is under way, and may take as long as New did.
func (b *Bank) Configure() error {
	b.bus.Lock()
	defer b.bus.Unlock()
	err := b.restore()
	b.mu.Lock()
	defer b.mu.Unlock()
	b.allOff() // nothing that was asked for meanwhile, or before a restoration that failed, comes back by itself
	// A chip that could not be configured stays what it was: one that was lost may have kept half of what it was told.
	b.err, b.lost, b.known = err, b.lost && err != nil, err == nil
	b.seen = false // until the next poll
	return err
}

// restore does in this order what New and Out have done: everything released, the frequency while nothing switches, levels, and only then
// directions. The caller holds bus.
func (b *Bank) restore() error {
	if err := b.chip.Begin(); err != nil {
		return b.wrap(err)
	}
	b.mu.Lock()
	b.allOff()
	image, outputs, pulls, freq := b.want, b.outputs, b.pulls, b.freq
	b.mu.Unlock()
	if freq != 0 {
		if err := b.traits.SetFrequency(freq); err != nil {
			return b.wrap(err)
		}
	}
	if err := b.chip.Write(&image); err != nil {
		return b.wrap(err)
	}
	if err := b.chip.Direct(outputs, pulls); err != nil {
		return b.wrap(err)
	}
	b.mu.Lock()
	b.told = image
	b.mu.Unlock()
	return nil
}

func (b *Bank) wrap(err error) error { return fmt.Errorf("%s: %w", b.name, err) }

// Poll asks the chip whether it is what it must be, takes in what its lines are at, and writes what could not be written
// before. It takes a transaction or two, see the chip's package, waits for nobody, and allocates nothing while all is well.
//
// It asks before it writes: some chips would be mended by the write, and that they had lost themselves would not be seen.
func (b *Bank) Poll(time.Duration) {
	if !b.bus.TryLock() {
		b.unseen() // whoever holds the bus for a whole tick has a chip that hangs
		return
	}
	b.mu.Lock()
	ask := b.known && !b.lost
	b.scratch, b.tries = b.told, 0
	b.mu.Unlock()
	if ask {
		lines, err := b.chip.Check(&b.scratch)
		b.judge(lines, err)
	} else {
		b.unseen()
	}
	b.bus.Unlock()
	_ = b.write() // it is in Err
}

// unseen takes back what is known of the lines. Of a chip that is lost nothing is known either of its latch.
func (b *Bank) unseen() {
	b.mu.Lock()
	b.seen, b.known = false, b.known && !b.lost
	b.mu.Unlock()
}

// judge takes in what a check has brought.
func (b *Bank) judge(lines uint16, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.lines, b.seen = lines, err == nil
	if err == nil {
		b.err = nil
		return
	}
	b.note(err)
	b.lost, b.known = errors.Is(err, ErrLost), false
}

// note keeps the reason why the bank does not work, and asks for everything to be off. The caller holds mu.
func (b *Bank) note(err error) {
	if b.err == nil || !errors.Is(b.err, err) { // the same one again would be garbage in every tick
		b.err = b.wrap(err)
	}
	b.allOff()
}

// Flush writes what is kept. A bank that does not gather has nothing to flush.
func (b *Bank) Flush() error {
	if err := b.Err(); err != nil {
		return err
	}
	return b.write()
}

// write brings the chip to what is wanted. Whoever changes what is wanted calls it afterwards.
func (b *Bank) write() error {
	for {
		if !b.bus.TryLock() {
			return b.wrap(errBusy)
		}
		err := b.writeLocked()
		b.bus.Unlock()
		// Somebody may have found the bus in use just before it was free.
		b.mu.Lock()
		done := b.known && b.told == b.want
		b.mu.Unlock()
		if err != nil || done {
			return err
		}
	}
}

// writeLocked sends the image, if the chip does not have it already. The caller holds bus and not mu: whoever switches in the
// meantime changes the image and is not kept waiting, and write looks again afterwards.
func (b *Bank) writeLocked() error {
	b.mu.Lock()
	b.scratch = b.want
	same := b.known && b.told == b.want
	b.mu.Unlock()
	if same {
		return nil
	}
	err := b.chip.Write(&b.scratch)
	b.mu.Lock()
	defer b.mu.Unlock()
	b.told, b.known = b.scratch, err == nil
	if err == nil {
		return nil
	}
	if b.lost { // its first reason stands
		return b.wrap(err)
	}
	b.note(err)
	return b.err
}

var _ conn.Resource = (*Bank)(nil)

// level is what a line must be at to be on or off. The caller holds mu.
func (b *Bank) level(bit uint16, on bool) gpio.Level { return gpio.Level(on != (b.inverted&bit != 0)) }
