package chip_test

import (
	"bytes"
	"math"
	"testing"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/spi"

	"trivet/sim/chip"
)

// The emulated expanders against their register maps, byte by byte. The datasheets are named in the drivers' packages.

// on puts a chip on a bus and returns what writes to it and reads from it.
func on[C interface{ Inject(chip.Fault) }](t *testing.T, addr uint16, c C, add func(b *chip.I2CBus) error) (tx func(n int, w ...byte) []byte, b *chip.I2CBus) {
	t.Helper()
	b = chip.NewI2CBus("i2c-sim")
	if err := add(b); err != nil {
		t.Fatal(err)
	}
	return func(n int, w ...byte) []byte {
		t.Helper()
		r := make([]byte, n)
		if err := b.Tx(addr, w, r); err != nil {
			t.Fatal(err)
		}
		return r
	}, b
}

func TestAnMCP23017KeepsWhatItsMapSaysInBothArrangements(t *testing.T) {
	c := chip.NewMcp23017("x")
	tx, _ := on(t, 0x20, c, func(b *chip.I2CBus) error { return b.Add(0x20, c) })
	if got := tx(22, 0); !bytes.Equal(got, append([]byte{0xFF, 0xFF}, make([]byte, 20)...)) {
		t.Errorf("wakes with % x", got)
	}
	for at := range byte(22) {
		readOnly, port, iocon := at >= 0x0E && at <= 0x11, at >= 0x12 && at <= 0x13, at == 0x0A || at == 0x0B
		if iocon {
			continue
		}
		for _, v := range []byte{0x5A, 0xA5, 0} {
			tx(0, 0, 0xFF, 0xFF) // inputs, so that the wires do not move
			if port {
				tx(0, at, v)
				if got := tx(1, at+2)[0]; got != v {
					t.Errorf("writing port %02x with %02x makes the latch %02x", at, v, got)
				}
				continue
			}
			tx(0, at, v)
			if got := tx(1, at)[0]; got != v && !readOnly || readOnly && got != 0 {
				t.Errorf("register %02x: wrote %02x, reads %02x", at, v, got)
			}
		}
		tx(0, at, 0)
	}
	tx(0, 0, 0xFF, 0xFF)
	// Banks apart: port A's registers are 00h to 0Ah, port B's 10h to 1Ah.
	tx(0, 0x0A, 0x80)
	tx(0, 0x1A, 0x3C)
	tx(0, 0x10, 0x00)
	if got := tx(1, 0x10)[0]; got != 0 || c.Line(10).Level() != gpio.High || c.Line(8).Level() != gpio.Low {
		t.Errorf("port B: direction %02x, lines %v %v", got, c.Line(10).Level(), c.Line(8).Level())
	}
	tx(0, 0x05, 0x00)
	if got := tx(2, 0x14); got[1] != 0x3C || tx(1, 0x1F)[0] != 0 {
		t.Errorf("together again: latches % x", got)
	}
	tx(0, 0x0B, 0x20) // the address stands still
	if got := tx(3, 0x15); !bytes.Equal(got, []byte{0x3C, 0x3C, 0x3C}) {
		t.Errorf("without counting: % x", got)
	}
}

func TestAnMCP23017InputIsPulledAsTheBoardAndTheChipSay(t *testing.T) {
	for board, want := range map[gpio.Pull][2]gpio.Level{gpio.PullDown: {gpio.Low, gpio.Low}, gpio.PullUp: {gpio.High, gpio.High}} {
		c := chip.NewMcp23017("x")
		c.Board(3, board)
		tx, _ := on(t, 0x20, c, func(b *chip.I2CBus) error { return b.Add(0x20, c) })
		for pulled := range 2 {
			tx(0, 0x0C, byte(pulled)<<3)
			tx(0, 0, 0xF7)                           // driven
			tx(0, 0x14, byte(1-min(1, pulled*2))<<3) // some level
			tx(0, 0, 0xFF)                           // let go
			if got := c.Line(3).Level(); got != want[pulled] {
				t.Errorf("board %v, chip's pull-up %d: %v", board, pulled, got)
			}
		}
	}
	c := chip.NewMcp23017("x")
	tx, _ := on(t, 0x20, c, func(b *chip.I2CBus) error { return b.Add(0x20, c) })
	c.Line(0).Set(gpio.High)
	tx(0, 2, 0x01, 0)
	if got := tx(1, 0x12)[0]; got&1 != 0 {
		t.Errorf("inverted polarity reads %02x", got)
	}
	c.Inject(chip.FrozenFrame)
	if tx(0, 2, 0); tx(1, 2)[0] != 1 {
		t.Error("a frozen chip takes what is written")
	}
}

func TestAPCF8574PullsDownHardAndUpWeakly(t *testing.T) {
	c := chip.NewPcf8574("x")
	tx, _ := on(t, 0x20, c, func(b *chip.I2CBus) error { return b.Add(0x20, c) })
	if got := tx(1)[0]; got != 0xFF {
		t.Errorf("wakes with %02x", got)
	}
	for v := range 256 {
		if tx(0, byte(v)); tx(1)[0] != byte(v) {
			t.Fatalf("wrote %02x, reads %02x", v, tx(1)[0])
		}
	}
	tx(0, 0x0F)
	for i := range 8 {
		c.Line(i).Set(gpio.Level(i < 2 || i > 5))
	}
	if got := tx(1)[0]; got != 0x03 { // the upper four cannot be pulled up, two of the lower are pulled down
		t.Errorf("against the world %02x", got)
	}
	c.Inject(chip.FrozenFrame)
	if tx(0, 0xF0); tx(1)[0] != 0x03 {
		t.Error("a frozen chip takes what is written")
	}
	c.Inject(chip.ResetChip)
	c.Inject(chip.None)
	if got := tx(1)[0]; got != 0xF3 { // those the world pulls down stay down; the driven ones are let go
		t.Errorf("after a reset %02x", got)
	}
}

func TestAChainOf74HC595ShiftsFarthestFirstAndGivesBackWhatItHad(t *testing.T) {
	c := chip.NewHC595("x", 2)
	conn := connect(t, c, spi.Mode0)
	r := make([]byte, 2)
	tx := func(w ...byte) []byte {
		t.Helper()
		if err := conn.Tx(w, r); err != nil {
			t.Fatal(err)
		}
		return bytes.Clone(r)
	}
	tx(0x12, 0x34)
	for i := range 16 {
		if c.Line(i).Level() {
			t.Fatalf("line %d drives without enable", i)
		}
	}
	_ = c.Enable().Out(gpio.Low)
	for i := range 16 {
		if want := 0x1234>>i&1 != 0; bool(c.Line(i).Level()) != want {
			t.Errorf("line %d is %v", i, c.Line(i).Level())
		}
	}
	if got := tx(0x56, 0x78); !bytes.Equal(got, []byte{0x12, 0x34}) {
		t.Errorf("gave back % x", got)
	}
	c.Inject(chip.FrozenFrame)
	tx(0, 0)
	if !c.Line(3).Level() {
		t.Error("a latch that is stuck took zeros")
	}
	c.Inject(chip.AllOnes)
	if got := tx(0, 0); got[0] != 0xFF || c.Line(3).Level() {
		t.Errorf("% x, line 3 %v", got, c.Line(3).Level())
	}
	c.Inject(chip.Dead)
	if conn.Tx([]byte{0, 0}, nil) == nil {
		t.Error("a dead chain answers")
	}
	if got := chip.NewHC595("y", 9).Line(32).Number(); got != 0 {
		t.Errorf("a chain has four registers at most, line 32 is %d", got)
	}
	blind := connect(t, chip.NewHC595("z", 1).Blind(), spi.Mode0)
	for range 2 {
		if err := blind.Tx([]byte{0xFF}, r[:1]); err != nil || r[0] != 0 {
			t.Errorf("blind: %02x, %v", r[0], err)
		}
	}
}

func TestAPCA9685SwitchesByItsCountsAndSleepsUntilItIsWoken(t *testing.T) {
	c := chip.NewPca9685("x")
	tx, _ := on(t, 0x40, c, func(b *chip.I2CBus) error { return b.Add(0x40, c) })
	if got := tx(1, 0)[0]; got != 0x11 || tx(1, 0xFE)[0] != 0x1E || tx(1, 9)[0] != 0x10 || tx(1, 1)[0] != 0x04 {
		t.Errorf("wakes with MODE1 %02x", got)
	}
	tx(0, 0xFE, 0x79)
	if tx(1, 0xFE)[0] != 0x79 {
		t.Error("asleep the pre-scale cannot be written")
	}
	tx(0, 0, 0x20) // awake, counting addresses
	tx(0, 0xFE, 0x03)
	if tx(1, 0xFE)[0] != 0x79 {
		t.Error("awake it can")
	}
	if f := float64(c.Frequency()) / 1e6; math.Abs(f-25e6/4096/122) > 0.01 {
		t.Errorf("%v Hz", f)
	}
	for _, w := range []struct {
		regs []byte
		duty float64
	}{
		{[]byte{0, 0, 0, 0x08}, 0.5}, {[]byte{0, 0x0C, 0, 0x04}, 0.5}, {[]byte{0, 0, 1, 0}, 1. / 4096}, {[]byte{0, 0x10, 0, 0}, 1},
		{[]byte{0, 0x10, 0, 0x10}, 0}, {[]byte{0, 0, 0, 0x10}, 0}, // fully off wins
	} {
		tx(0, append([]byte{6 + 4*5}, w.regs...)...)
		if got := c.Line(5).Duty(); math.Abs(got-w.duty) > 1e-6 {
			t.Errorf("registers % x: duty %v, want %v", w.regs, got, w.duty)
		}
	}
	tx(0, 0xFA, 0, 0, 0, 0x08)
	for i := range 16 {
		if math.Abs(c.Line(i).Duty()-0.5) > 1e-6 {
			t.Errorf("all at once: line %d has %v", i, c.Line(i).Duty())
		}
	}
	if got := tx(4, 0xFA); !bytes.Equal(got, make([]byte, 4)) {
		t.Errorf("the registers for all read % x", got)
	}
	if got := tx(3, 0x44); got[2] != 0x20 { // after the last line comes MODE1
		t.Errorf("counting on: % x", got)
	}
	tx(0, 0x50, 1)
	tx(0, 0, 0x30)
	if c.Line(0).Duty() != 0 || tx(1, 0x50)[0] != 0 {
		t.Error("asleep it switches, or a reserved register was written")
	}
	c.Inject(chip.FrozenFrame)
	if tx(0, 0, 0x20); tx(1, 0)[0] != 0x30 {
		t.Error("a frozen chip takes what is written")
	}
}

func TestAnSSD1306PutsBytesWhereItsPointerIs(t *testing.T) {
	c := chip.NewSsd1306()
	tx, b := on(t, 0x3c, c, func(b *chip.I2CBus) error { return b.Add(0x3c, c) })
	tx(0, 0x00, 0xAE, 0xD3, 0x00, 0x21, 0, 127, 0x22, 0, 7, 0xAF)
	if !c.Lit() || c.Inits != 1 {
		t.Errorf("lit %v, set up %d times", c.Lit(), c.Inits)
	}
	tx(0, append([]byte{0x40}, make([]byte, 1024)...)...)
	for y := range 64 {
		for x := range 128 {
			if c.Pixel(x, y) {
				t.Fatalf("pixel %d, %d is lit", x, y)
			}
		}
	}
	tx(0, 0x00, 0xB3, 0x05, 0x14)                      // page 3, column 45h
	tx(0, 0x40, 0x81)                                  // its highest and lowest pixel
	tx(0, 0x00, 0x26, 0, 0, 0, 0, 0, 0x2F, 0xD5, 0x81) // commands with arguments that look like others
	if !c.Pixel(0x45, 24) || !c.Pixel(0x45, 31) || c.Pixel(0x45, 25) || c.Pixel(128, 0) || c.Pixel(0, 64) || c.Pixel(-1, 0) {
		t.Error("the byte is elsewhere")
	}
	tx(0, 0x00, 0x21, 126, 127, 0x22, 7, 7)
	tx(0, 0x40, 1, 2, 4, 8) // within the window it begins anew
	if !c.Pixel(126, 58) || !c.Pixel(127, 59) || c.Pixel(126, 56) {
		t.Error("the window is not kept to")
	}
	tx(0, 0x00, 0x81) // a command without its argument
	tx(0, 0x80, 0xAE) // a control byte that nobody uses
	tx(0)
	c.Inject(chip.FrozenFrame)
	tx(0, 0x00, 0xAE)
	if !c.Lit() {
		t.Error("a frozen screen takes a command")
	}
	c.Inject(chip.Dead)
	if b.Tx(0x3c, []byte{0}, nil) == nil {
		t.Error("a dead screen answers")
	}
	c.Inject(chip.ResetChip)
	if c.Lit() || c.Pixel(0, 0) {
		t.Error("it woke with its picture on")
	}
}
