package chip

import (
	"errors"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
)

// TestATapStandsBetweenBusAndChipAndIsGoneWhenTakenOut, on both kinds of bus.
func TestATapStandsBetweenBusAndChipAndIsGoneWhenTakenOut(t *testing.T) {
	c := NewMax31855("spi-sim")
	conn, err := c.Connect(physic.MegaHertz, spi.Mode0, 8)
	if err != nil {
		t.Fatal(err)
	}
	c.Advance(0, 100, 25)
	c.Advance(time.Second, 100, 25)
	ads := NewAds1115()
	bus := NewI2CBus("i2c-sim")
	if err := bus.Add(0x48, ads); err != nil {
		t.Fatal(err)
	}
	cut := errors.New("cut")
	for name, d := range map[string]struct {
		tap func(Tap)
		ask func(r []byte) error
	}{
		"SPI": {c.Tap, func(r []byte) error { return conn.Tx(make([]byte, len(r)), r) }},
		"I²C": {ads.Tap, func(r []byte) error { return bus.Tx(0x48, []byte{1}, r) }},
	} {
		sound, r := make([]byte, 2), make([]byte, 2)
		if err := d.ask(sound); err != nil || sound[0] == 0 {
			t.Fatalf("%s: % x, %v", name, sound, err)
		}
		d.tap(func(w, r []byte, tx func(w, r []byte) error) error {
			err := tx(w, r)
			r[0] ^= 0xFF
			return err
		})
		if err := d.ask(r); err != nil || r[0] != ^sound[0] || r[1] != sound[1] {
			t.Errorf("%s: % x, untouched % x, %v", name, r, sound, err)
		}
		d.tap(func([]byte, []byte, func(w, r []byte) error) error { return cut })
		if err := d.ask(r); !errors.Is(err, cut) {
			t.Errorf("%s: %v; want what the tap says", name, err)
		}
		d.tap(nil)
		if err := d.ask(r); err != nil || r[0] != sound[0] {
			t.Errorf("%s: % x after the tap is gone, %v", name, r, err)
		}
	}
}

// TestAJammedMultiplexerGivesTheOtherInputAndSaysNothing; a second master's setting stands in the register.
func TestAJammedMultiplexerGivesTheOtherInputAndSaysNothing(t *testing.T) {
	ads := NewAds1115()
	ads.SetVolts(0, 1)
	ads.SetVolts(1, 2)
	now := time.Duration(0)
	measure := func() (config, code uint16) {
		r := make([]byte, 2)
		get := func(at byte) uint16 {
			if err := ads.tx([]byte{at}, r); err != nil {
				t.Fatal(err)
			}
			return uint16(r[0])<<8 | uint16(r[1])
		}
		_ = ads.tx([]byte{1, 0xC3, 0x83}, nil) // input 0, ±4.096 V, one conversion: cannot fail
		now += time.Second
		ads.Advance(now)
		return get(1), get(0)
	}
	config, code := measure()
	ads.Jam(1)
	if c, n := measure(); c != config || n != 2*code {
		t.Errorf("config %04x, code %d; want %04x and %d", c, n, config, 2*code)
	}
	ads.Jam(-1)
	if _, n := measure(); n != code {
		t.Errorf("code %d after it is free again, want %d", n, code)
	}
	ads.Meddle(1)
	if r := make([]byte, 2); ads.tx([]byte{1}, r) != nil || r[0]>>4&7 != 5 {
		t.Errorf("config % x; want input 1 in it", r)
	}
}
