package ads1115

import (
	"errors"
	"testing"

	"periph.io/x/conn/v3/physic"

	"trivet/hal/haltest"
)

type slowBus struct {
	haltest.I2CPlayer
	speed physic.Frequency
}

func (b *slowBus) SetSpeed(f physic.Frequency) error { b.speed = f; return nil }

// periph's driver must meet the real bus in all but one thing: a write to the configuration ends its transaction.
func TestTheBusThatPeriphSeesEndsOnlyAStart(t *testing.T) {
	errBus := errors.New("the bus is gone")
	bus := &slowBus{}
	s := &starter{bus: bus}
	if err := s.SetSpeed(physic.MegaHertz); err != nil || bus.speed != physic.MegaHertz || s.String() != "player" {
		t.Errorf("%v, %v, %s", err, bus.speed, s)
	}
	for _, c := range []struct {
		name string
		w    []byte
		bus  error
		want error
	}{
		{"a start", []byte{1, 0xC3, 0x23}, nil, errStarted}, {"a start that fails", []byte{1, 0xC3, 0x23}, errBus, errBus}, {"another register", []byte{2, 0xC3, 0x23}, nil, nil},
		{"a pointer", []byte{1}, nil, nil}, {"nothing", nil, nil, nil},
	} {
		s.config = 0
		bus.Answer = func(uint16, []byte, []byte) error { return c.bus }
		if err := s.Tx(0x48, c.w, nil); !errors.Is(err, c.want) || (s.config == 0xC323) != (c.want == errStarted) {
			t.Errorf("%s: %v, configuration %04x", c.name, err, s.config)
		}
	}
}
