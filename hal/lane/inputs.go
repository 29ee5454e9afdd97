package lane

import (
	"math"
	"sync/atomic"
	"time"

	"trivet/process/unit"
)

// box holds the newest of a series of readings for one writer and any number of readers, none of whom waits for another.
//
// A reader may be overtaken while it copies. Of four slots the newest three are never written to, so that a copy is whole unless
// the writer has gone on by three in the meantime, which the reader can see.
type box struct {
	slots  [4]slot
	newest atomic.Uint64
}

type slot struct {
	quality atomic.Uint32
	at      atomic.Int64
	temp    atomic.Uint64
}

func (b *box) put(r unit.Reading) {
	n := b.newest.Load() + 1
	s := &b.slots[n%uint64(len(b.slots))]
	c, _ := r.Temp()
	s.quality.Store(uint32(r.Quality))
	s.at.Store(int64(r.At))
	s.temp.Store(math.Float64bits(float64(c)))
	b.newest.Store(n)
}

// get returns the newest reading; false when it was overtaken again and again, which takes a writer that does nothing else.
func (b *box) get() (unit.Reading, bool) {
	for range 3 {
		n := b.newest.Load()
		s := &b.slots[n%uint64(len(b.slots))]
		quality, at, temp := unit.Quality(s.quality.Load()), time.Duration(s.at.Load()), math.Float64frombits(s.temp.Load())
		if b.newest.Load()-n > 2 {
			continue
		}
		if quality == unit.Good {
			return unit.Measured(at, unit.Celsius(temp)), true
		}
		return unit.Unusable(at, quality), true
	}
	return unit.Reading{}, false
}

// Sensor is a thermometer behind a lane. It also passes on what some chips can do besides: tell their cold junction, and be told whether
// motion is to be expected.
type Sensor struct {
	lane  *Lane
	chip  Thermometer
	title *string
	box   box

	cold   coldJunction // nil when the chip has none to tell
	colds  box
	mover  mover
	moving atomic.Uint32 // what to tell the chip: 0 nothing new, 1 still, 2 moving
}

type coldJunction interface{ ColdJunction() unit.Reading }
type mover interface{ ExpectMotion(expect bool) }

// Add returns the proxy of a thermometer.
func (l *Lane) Add(t Thermometer) *Sensor {
	s := &Sensor{lane: l, chip: t, title: title(t, "sensor", len(l.sensors))}
	s.cold, _ = t.(coldJunction)
	s.mover, _ = t.(mover)
	l.sensors = append(l.sensors, s)
	return s
}

func (s *Sensor) serve(l *Lane) {
	begun := l.begin(s.title)
	if m := s.moving.Swap(0); m != 0 && s.mover != nil {
		s.mover.ExpectMotion(m == 2)
	}
	s.box.put(s.chip.Read(begun))
	if s.cold != nil {
		s.colds.put(s.cold.ColdJunction())
	}
	l.end(begun)
}

// Read returns the newest finished reading with the time at which it was made. It neither waits nor allocates. Of a silent lane every
// reading is stale, however good it was.
func (s *Sensor) Read(now time.Duration) unit.Reading { return s.newest(&s.box, now) }

// ColdJunction returns the newest temperature of the chip's cold junction, or nothing read where the chip does not tell.
func (s *Sensor) ColdJunction() unit.Reading {
	if s.cold == nil {
		return unit.Reading{}
	}
	return s.newest(&s.colds, s.lane.clock())
}

func (s *Sensor) newest(b *box, now time.Duration) unit.Reading {
	r, ok := b.get()
	if !ok || s.lane.Silent(now) {
		return unit.Unusable(r.At, unit.Stale)
	}
	// The tick takes its time once, at its beginning, and the lane may finish a reading after that. Such a reading is as of this tick, not
	// from the future. One that is further ahead is passed on, for the loop to refuse.
	if ahead := r.At - now; ahead > 0 && ahead <= s.lane.period {
		if c, good := r.Temp(); good {
			return unit.Measured(now, c)
		}
		return unit.Unusable(now, r.Quality)
	}
	return r
}

// ExpectMotion passes on to a chip that cares whether its temperature is going to move.
func (s *Sensor) ExpectMotion(expect bool) {
	if expect {
		s.moving.Store(2)
	} else {
		s.moving.Store(1)
	}
}

// String returns what the thermometer is called.
func (s *Sensor) String() string { return *s.title }

// Input is a contact behind a lane. It is read once per round: a contact that must be seen twice in a tick, to tell a bounce from an
// opening, does not belong behind a slow bus.
type Input struct {
	lane    *Lane
	contact Contact
	title   *string
	active  atomic.Bool
}

// AddContact returns the proxy of a contact.
func (l *Lane) AddContact(c Contact) *Input {
	i := &Input{lane: l, contact: c, title: title(c, "contact", len(l.inputs))}
	l.inputs = append(l.inputs, i)
	return i
}

// Read reports whether the contact was active in the last round. Before the first, and behind a silent lane, it is not.
func (i *Input) Read() bool { return i.active.Load() && !i.lane.Silent(i.lane.clock()) }

// String returns what the contact is called.
func (i *Input) String() string { return *i.title }
