package max31856_test

import (
	"fmt"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"

	"trivet/hal/emf"
	"trivet/hal/haltest"
	"trivet/hal/max31856"
	"trivet/process/unit"
)

// The second decoder, from the words of the register map (datasheet 19-7534, table 6, as in testdata/facts): a weight for
// each bit of each byte. It shifts no signed number and joins no bytes.
var (
	hotWeights = [3][8]float64{
		{-2048, 1024, 512, 256, 128, 64, 32, 16},      // 0Ch
		{8, 4, 2, 1, 0.5, 0.25, 0.125, 0.0625},        // 0Dh
		{0.03125, 0.015625, 0.0078125, 0, 0, 0, 0, 0}, // 0Eh: five bits mean nothing
	}
	coldWeights = [2][8]float64{
		{-128, 64, 32, 16, 8, 4, 2, 1},                      // 0Ah
		{0.5, 0.25, 0.125, 0.0625, 0.03125, 0.015625, 0, 0}, // 0Bh: two bits mean nothing
	}
	// What each bit of the status register is called, from bit 7 down, and what a reading beside it is, if no bit
	// further up in verdicts is set.
	statusBits = [8]max31856.Status{max31856.ColdRange, max31856.HotRange, max31856.ColdHigh, max31856.ColdLow, max31856.HotHigh, max31856.HotLow, max31856.Volts, max31856.Open}
)

// weigh sums the weights of the bits that are set, once for each value of a byte.
func weigh(weights [8]float64) (table [256]float64) {
	for value := range table {
		rest := value
		for n, at := 0, 128; n < 8; n, at = n+1, at/2 {
			if rest >= at {
				rest -= at
				table[value] += weights[n]
			}
		}
	}
	return table
}

type second struct {
	hot    [3][256]float64
	cold   [2][256]float64
	status [256]map[max31856.Status]bool
}

func newSecond() *second {
	s := &second{}
	for i := range s.hot {
		s.hot[i] = weigh(hotWeights[i])
	}
	for i := range s.cold {
		s.cold[i] = weigh(coldWeights[i])
	}
	for value := range s.status {
		s.status[value] = map[max31856.Status]bool{}
		for n, name := range statusBits {
			if value>>(7-n)%2 == 1 {
				s.status[value][name] = true
			}
		}
	}
	return s
}

// qualities is the second decoder's verdict for every status at one cold junction.
func (s *second) qualities(cold float64) (table [256]unit.Quality) {
	for value := range table {
		has := s.status[value]
		switch {
		case has[max31856.Volts]:
			table[value] = unit.ShortSupply
		case has[max31856.Open]:
			table[value] = unit.Open
		case has[max31856.ColdRange], has[max31856.ColdHigh], has[max31856.ColdLow], cold < 0, cold > 60:
			table[value] = unit.ColdJunction
		case has[max31856.HotRange], has[max31856.HotHigh], has[max31856.HotLow]:
			table[value] = unit.OutOfRange
		default:
			table[value] = unit.Good
		}
	}
	return table
}

// All 2¹⁹ results with all 2⁵ fillings of the bits that mean nothing.
func TestEveryResultMeansTheSameToASecondDecoder(t *testing.T) {
	s := newSecond()
	haltest.Sweep(t, "2^24 results", 1<<16, func(part int) string {
		a, b := byte(part/256), byte(part%256)
		for c := range 256 {
			f := max31856.Decode([6]byte{0x19, 0, a, b, byte(c), 0})
			want := s.hot[0][a] + s.hot[1][b] + s.hot[2][c]
			if float64(f.Hot()) != want || float64(f.HotCode) != want*128 || f.Cold() != 25 || f.Status != 0 || f.Dead {
				return fmt.Sprintf("%02x %02x %02x is %+v, the second decoder says %v °C", a, b, c, f, want)
			}
		}
		return ""
	})
}

// All 2¹⁶ contents of the cold-junction registers with all 2⁸ statuses. Without TRIVET_EXHAUSTIVE=1 the two bits that mean
// nothing take two of their four fillings, and the result beside them one value; with it three, among them those of a dead line.
func TestEveryColdJunctionAndEveryStatusMeanTheSameToASecondDecoder(t *testing.T) {
	s := newSecond()
	results := [][3]byte{{0, 0, 0}}
	if haltest.Exhaustive() {
		results = append(results, [3]byte{0x0D, 0x90, 0}, [3]byte{0xFF, 0xFF, 0xFF})
	}
	haltest.Sweep(t, "2^16 cold junctions with 2^8 statuses", 1<<16, func(part int) string {
		a, b := byte(part/256), byte(part%256)
		if filling := b % 4; !haltest.Exhaustive() && filling != 0 && filling != 3 {
			return ""
		}
		cold := s.cold[0][a] + s.cold[1][b]
		want := s.qualities(cold)
		for _, r := range results {
			for status := range 256 {
				raw := [6]byte{a, b, r[0], r[1], r[2], byte(status)}
				f := max31856.Decode(raw)
				quality := want[status]
				if raw == [6]byte{} || raw == [6]byte{255, 255, 255, 255, 255, 255} {
					quality = unit.NoAnswer
				}
				if float64(f.Cold()) != cold || float64(f.ColdCode) != cold*64 || int(f.Status) != status || f.Quality() != quality {
					return fmt.Sprintf("% x is %+v, %v; the second decoder says %v °C, %v", raw, f, f.Quality(), cold, quality)
				}
			}
		}
		return ""
	})
}

// memory is a chip that is nothing but its sixteen registers.
type memory struct {
	haltest.Player
	reg  [16]byte
	rude string // what was changed while the chip converted, though the datasheet forbids it
}

func newMemory() *memory {
	m := &memory{reg: [16]byte{0x00, 0x03, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80}} // reset values, testdata/facts
	m.Answer = func(w, r []byte) error {
		for i := 1; i < len(w); i++ {
			at := (int(w[0]%128) + i - 1) % 16
			if w[0] < 128 {
				r[i] = m.reg[at]
				continue
			}
			if converts := m.reg[0] >= 128; converts && at == 0 && m.reg[0]%2 != w[i]%2 || converts && at == 1 && m.reg[1] != w[i] {
				m.rude = fmt.Sprintf("register %d from %02x to %02x", at, m.reg[at], w[i])
			}
			m.reg[at] = w[i]
		}
		return nil
	}
	return m
}

// config is the second composer: what the words of the register map make of the options, bit by bit; false where they
// are to be refused.
func config(o max31856.Opts) (reg [10]byte, ok bool) {
	types := map[emf.Type]byte{emf.B: 0, emf.E: 1, emf.J: 2, emf.K: 3, emf.N: 4, emf.R: 5, emf.S: 6, emf.T: 7}
	averages := map[int]byte{1: 0, 2: 1, 4: 2, 8: 3, 16: 4}
	filters := map[int]byte{60: 0, 50: 1}
	typ, okType := types[o.Type]
	average, okAverage := averages[o.Average]
	filter, okFilter := filters[o.MainsHz]
	if !okType || !okAverage || !okFilter || o.OpenTest < 1 || o.OpenTest > 3 {
		return reg, false
	}
	return [10]byte{
		128 + 16*byte(o.OpenTest) + filter, // CR0: automatic conversion, open test, cold junction on, comparator mode
		16*average + typ,                   // CR1
		0,                                  // MASK: nothing
		0x7F, 0xC0,                         // cold junction 127…−64 °C: reset values
		0x7F, 0xFF, 0x80, 0x00, // junction 2047.9375…−2048 °C: reset values
		0, // no offset
	}, true
}

func checkConfig(t *testing.T, o max31856.Opts) (accepted bool) {
	t.Helper()
	m := newMemory()
	want, ok := config(o)
	_, err := max31856.New(m, &o)
	switch {
	case (err == nil) != ok:
		t.Fatalf("%+v: %v, allowed %v", o, err, ok)
	case !ok && m.reg != newMemory().reg:
		t.Fatalf("%+v is refused, and the chip was written to", o)
	case ok && [10]byte(m.reg[:10]) != want:
		t.Fatalf("%+v: wrote % x, want % x", o, m.reg[:10], want)
	case m.rude != "":
		t.Fatalf("%+v: changed %s while the chip converts", o, m.rude)
	}
	return ok
}

func TestEveryConfigurationIsThatOfTheRegisterMapOrIsRefused(t *testing.T) {
	accepted := 0
	for _, letter := range emf.Types {
		for mains := 48; mains <= 62; mains++ {
			for average := -1; average <= 33; average++ {
				for test := -1; test <= 5; test++ {
					o := max31856.DefaultOpts
					o.Type, o.MainsHz, o.Average, o.OpenTest = emf.Type(letter), mains, average, test
					if checkConfig(t, o) {
						accepted++
					}
				}
			}
		}
	}
	if accepted != 8*2*5*3 {
		t.Errorf("%d configurations are accepted, want 240", accepted)
	}
	for letter := range 256 {
		o := max31856.DefaultOpts
		o.Type = emf.Type(letter)
		checkConfig(t, o)
	}
}

func TestAConfigurationIsWrittenAnewWithoutChangingWhatMayNotBeChangedAmidConversions(t *testing.T) {
	m := newMemory()
	d, err := max31856.New(m, &max31856.DefaultOpts)
	if err != nil {
		t.Fatal(err)
	}
	for value := range 256 {
		m.reg[1], m.rude = byte(value), "" // what a disturbance left behind, amid conversions
		if err := d.Configure(); err != nil || m.rude != "" {
			// The first write goes to 00h and stops the chip; only then does 01h change.
			t.Fatalf("CR1 was %02x: %v, %s", value, err, m.rude)
		}
	}
}

// Each of the ten registers, with each of the 255 values that are not its own.
func TestEveryChangedByteOfTheConfigurationIsFound(t *testing.T) {
	for at := range 10 {
		for value := range 256 {
			m := newMemory()
			d, err := max31856.New(m, &max31856.DefaultOpts)
			if err != nil {
				t.Fatal(err)
			}
			copy(m.reg[10:], []byte{0x19, 0, 0x0D, 0x90, 0, 0})
			d.Read(0)
			if r := d.Read(500 * time.Millisecond); !r.Usable() {
				t.Fatal(r.Quality)
			}
			whole := m.reg[at]
			m.reg[at] = byte(value)
			want := unit.NoAnswer
			if byte(value) == whole {
				want = unit.Good
			}
			if r := d.Read(1500 * time.Millisecond); r.Quality != want {
				t.Fatalf("register %02xh is %02x and not %02x: %v", at, value, whole, r.Quality)
			}
		}
	}
}

func TestAClockIsRefusedOutsideWhatTheChipUnderstands(t *testing.T) {
	for clock, ok := range map[physic.Frequency]bool{-1: false, 0: false, 1: true, 5 * physic.MegaHertz: true, 5*physic.MegaHertz + 1: false} {
		o := max31856.DefaultOpts
		o.Clock = clock
		if _, err := max31856.New(newMemory(), &o); (err == nil) != ok {
			t.Errorf("%v: %v", clock, err)
		}
	}
}
