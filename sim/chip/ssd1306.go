package chip

// Ssd1306 is an emulated SSD1306: 128 columns in eight pages of eight pixels. It takes the commands with the arguments that they have
// (datasheet, section 9, from memory) and acts on those that move the pointer and switch the picture on; what sets up the
// panel is taken and not acted upon.
type Ssd1306 struct {
	// Inits is how often it was switched off and on again, as a set-up does.
	Inits int

	ram          [8][128]byte
	page, column int
	first, last  [2]int // window: columns, pages
	on           bool
	fault        Fault
}

// NewSsd1306 returns a screen as it wakes: dark, with anything in its memory.
func NewSsd1306() *Ssd1306 {
	c := &Ssd1306{}
	c.wake()
	return c
}

func (c *Ssd1306) wake() {
	*c = Ssd1306{Inits: c.Inits, fault: c.fault, last: [2]int{127, 7}}
	for p := range c.ram {
		fill(c.ram[p][:], anything)
	}
}

// Inject puts a fault on: Dead, FrozenFrame (what is written is lost) or ResetChip. None takes it off.
func (c *Ssd1306) Inject(f Fault) {
	c.fault = f
	if f == ResetChip {
		c.wake()
	}
}

// Lit reports whether the picture is on.
func (c *Ssd1306) Lit() bool { return c.on }

// Pixel reports whether a pixel is lit, 0 to 127 from the left and 0 to 63 from the top; others are not.
func (c *Ssd1306) Pixel(x, y int) bool {
	return c.on && x >= 0 && x < 128 && y >= 0 && y < 64 && c.ram[y/8][x]>>(y%8)&1 != 0
}

func (c *Ssd1306) tx(w, r []byte) error {
	if done, err := c.fault.answer(r); done || len(w) == 0 || c.fault == FrozenFrame {
		return err
	}
	switch w[0] {
	case 0x00:
		c.commands(w[1:])
	case 0x40:
		for _, v := range w[1:] {
			c.data(v)
		}
	}
	return nil
}

// arguments returns how many bytes follow a command.
func arguments(command byte) int {
	switch command {
	case 0x20, 0x81, 0x8D, 0xA8, 0xD3, 0xD5, 0xD9, 0xDA, 0xDB:
		return 1
	case 0x21, 0x22, 0xA3:
		return 2
	case 0x26, 0x27:
		return 6
	case 0x29, 0x2A:
		return 5
	}
	return 0
}

func (c *Ssd1306) commands(w []byte) {
	for len(w) > 0 {
		n := 1 + arguments(w[0])
		if n > len(w) {
			return
		}
		switch v := w[0]; {
		case v < 0x10:
			c.column = c.column&0x70 | int(v&0x0F)
		case v < 0x20:
			c.column = c.column&0x0F | int(v&7)<<4
		case v == 0x21:
			c.first[0], c.last[0] = int(w[1]&127), int(w[2]&127)
			c.column = c.first[0]
		case v == 0x22:
			c.first[1], c.last[1] = int(w[1]&7), int(w[2]&7)
			c.page = c.first[1]
		case v&0xF8 == 0xB0:
			c.page = int(v & 7)
		case v == 0xAE:
			c.on = false
		case v == 0xAF:
			if !c.on {
				c.Inits++
			}
			c.on = true
		}
		w = w[n:]
	}
}

func (c *Ssd1306) data(v byte) {
	c.ram[c.page][c.column] = v
	if c.column != c.last[0] && c.column < 127 {
		c.column++
		return
	}
	c.column = c.first[0]
	if c.page++; c.page > c.last[1] {
		c.page = c.first[1]
	}
}

func (c *Ssd1306) addresses() (kind string, low, high uint16) { return "an SSD1306", 0x3c, 0x3d }

var _ i2cChip = (*Ssd1306)(nil)
