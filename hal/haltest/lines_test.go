package haltest_test

import (
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"

	"trivet/hal/expander"
	"trivet/hal/haltest"
	"trivet/sim/chip"
)

// register is an expander with eight lines that is as simple as can be: one byte of levels and one of directions on a bus. What is
// wrong with it is in flaw.
type register struct {
	flaw    string
	bus     i2c.Bus
	wires   [8]*chip.Pin
	levels  byte // on the chip
	outputs byte
	sent    [2]byte
	waste   []byte
}

// tx is the chip's side of the bus: "levels, directions" are written, "levels, directions, wires" are read.
func (r *register) tx(_ uint16, w, b []byte) error {
	if len(w) == 2 {
		r.levels, r.outputs = w[0], w[1]
		r.drive()
	}
	answer := [3]byte{r.levels, r.outputs, r.read()}
	copy(b, answer[:])
	return nil
}

func (r *register) drive() {
	for i, p := range r.wires {
		to := i
		if r.flaw == "crossed" {
			to = i ^ 1
		}
		if r.outputs>>to&1 == 0 {
			_ = p.In(gpio.PullDown, gpio.NoEdge)
		} else {
			_ = p.Out(r.levels>>to&1 != 0)
		}
	}
}

func (r *register) read() (b byte) {
	for i, p := range r.wires {
		if p.Level() {
			b |= 1 << i
		}
	}
	return b
}

func (r *register) Begin() error {
	if r.flaw == "keeps" {
		return nil
	}
	return r.bus.Tx(0, []byte{0, 0}, nil)
}

func (r *register) Direct(outputs, _ uint16) error {
	if r.flaw == "direction first" { // with whatever level
		if err := r.bus.Tx(0, []byte{0xFF, byte(outputs)}, nil); err != nil {
			return err
		}
	}
	return r.bus.Tx(0, []byte{r.levels, byte(outputs)}, nil)
}

func (r *register) Write(image *expander.Image) error {
	r.sent = [2]byte{byte(image.Levels), r.outputs}
	return r.bus.Tx(0, r.sent[:], nil)
}

func (r *register) Check(image *expander.Image) (uint16, error) {
	n := 3
	switch r.flaw {
	case "garbage":
		r.waste = append([]byte(nil), make([]byte, 100)...)
	case "long":
		n = 300
	case "blind":
		return uint16(r.read()), r.bus.Tx(0, nil, nil)
	}
	b := buffer[:n]
	if err := r.bus.Tx(0, nil, b); err != nil {
		return 0, err
	}
	if b[0] != byte(image.Levels) && r.flaw != "forgiving" {
		return 0, expander.ErrLost
	}
	return uint16(b[2]), nil
}

var buffer [300]byte // so that only the flaw makes garbage

func lines(flaw string) haltest.LinesSpec {
	return haltest.LinesSpec{
		Chip: "register", Lines: 8, Inputs: true, BytesPerPoll: 4,
		New: func(testing.TB) haltest.LinesBench {
			r := &register{flaw: flaw}
			for i := range r.wires {
				r.wires[i] = chip.NewPin("wire")
			}
			dead := false
			tap := &haltest.Tap{I2C: &haltest.I2CPlayer{Answer: func(addr uint16, w, b []byte) error {
				if dead {
					return os.ErrClosed
				}
				return r.tx(addr, w, b)
			}}}
			r.bus = tap
			return haltest.LinesBench{
				Tap: tap, Wire: func(i int) *chip.Pin { return r.wires[i] },
				Inject: func(f chip.Fault) {
					if dead = f == chip.Dead; f == chip.ResetChip {
						r.levels, r.outputs = 0, 0
						r.drive()
					}
				},
				Open: func(gather bool) (*expander.Bank, error) {
					return expander.New("register", r, expander.Traits{Lines: 8, Inputs: true, PullsUp: true}, gather)
				},
			}
		},
	}
}

// canvas is a screen of 8 by 4 pixels: a byte for each row, the text's own bytes. What is wrong with it is in flaw.
type canvas struct {
	flaw       string
	bus        i2c.Bus
	ram        [4]byte // on the screen
	want, sent [4]byte
	fresh      bool
	err        error
	tried, set time.Duration
}

func (c *canvas) Show(text string) {
	for i := range c.want {
		c.want[i] = 0
	}
	for i := range len(text) {
		c.want[i%4] = c.want[i%4]*31 + text[i]
	}
	if c.flaw == "shows at once" {
		_ = c.bus.Tx(0, c.want[:], nil)
	}
}

func (c *canvas) Err() error { return c.err }

func (c *canvas) Poll(now time.Duration) {
	if c.err != nil && (now-c.tried < 5*time.Second && c.flaw != "hammers" || c.flaw == "gives up") {
		return
	}
	c.tried = now
	if now-c.set >= time.Minute && c.flaw != "never again" {
		c.set, c.fresh = now, false
	}
	for i, b := range c.want {
		if c.fresh && c.sent[i] == b {
			continue
		}
		w := []byte{byte(i), b}
		if c.flaw == "all at once" {
			w = append(w, make([]byte, 100)...)
		}
		if c.err = c.bus.Tx(0, w, nil); c.err != nil {
			c.fresh = false
			if c.flaw == "believes" {
				c.sent[i] = b
			}
			return
		}
		if c.sent[i] = b; i == 3 {
			c.fresh = true
		}
		if c.fresh {
			return
		}
	}
}

func canvasSpec(flaw string) haltest.ScreenSpec {
	return haltest.ScreenSpec{
		Chip: "canvas", Width: 8, Height: 4, BytesPerPoll: 12, Full: 6, Retry: 5 * time.Second, Refresh: time.Minute + time.Second,
		New: func(testing.TB) haltest.ScreenBench {
			c := &canvas{flaw: flaw}
			dead := false
			tap := &haltest.Tap{I2C: &haltest.I2CPlayer{Answer: func(_ uint16, w, _ []byte) error {
				if dead {
					return os.ErrClosed
				}
				c.ram[w[0]%4] = w[1]
				return nil
			}}}
			c.bus = tap
			return haltest.ScreenBench{
				Screen: c, Tap: tap, Pixel: func(x, y int) bool { return c.ram[y]>>x&1 != 0 },
				Inject: func(f chip.Fault) {
					if dead = f == chip.Dead; f == chip.ResetChip {
						c.ram = [4]byte{0x55, 0x55, 0x55, 0x55}
					}
				},
			}
		},
	}
}

func TestLinesAndScreensThatDoAllThatIsPromisedPass(t *testing.T) {
	l, s := haltest.RunLines(t, lines("")), haltest.RunScreen(t, canvasSpec(""))
	l.Kept[1] = false
	table := haltest.Table("lines", []haltest.Card{l, s})
	for _, words := range []string{"22 promises, 2 chips: 21 of 22 kept", "BROKEN", "register", "canvas"} {
		if !strings.Contains(table, words) {
			t.Errorf("the table does not say %q:\n%s", words, table)
		}
	}
}

// TestLinesChild is the other half of the next test: it runs in a process of its own, and there it has to fail.
func TestLinesChild(t *testing.T) {
	kind, flaw, _ := strings.Cut(os.Getenv(flawInChild), ":")
	switch kind {
	case "lines":
		haltest.RunLines(t, lines(flaw))
	case "screen":
		haltest.RunScreen(t, canvasSpec(flaw))
	default:
		t.Skip("only in a process of its own")
	}
}

func TestEveryFlawOfLinesAndScreensIsFound(t *testing.T) {
	for flaw, promise := range map[string]string{
		"lines:direction first": "a_line_becomes_an_output", "lines:crossed": "each_line_follows", "lines:keeps": "what_an_earlier_program_left_on",
		"lines:garbage": "a_poll_is_short", "lines:long": "a_poll_is_short", "lines:blind": "a_chip_that_has_lost_itself", "lines:forgiving": "a_chip_that_has_lost_itself",
		"screen:shows at once": "to_show_a_text_touches_no_bus", "screen:hammers": "a_screen_that_is_missing", "screen:gives up": "a_screen_that_is_missing",
		"screen:never again": "a_screen_that_has_lost", "screen:all at once": "no_poll_keeps_the_bus",
	} {
		cmd := exec.Command(os.Args[0], "-test.run", "^TestLinesChild$")
		cmd.Env = append(os.Environ(), flawInChild+"="+flaw)
		out, err := cmd.CombinedOutput()
		if err == nil || !strings.Contains(string(out), "FAIL: TestLinesChild/"+promise) {
			t.Errorf("%s passed, or was found elsewhere: %v\n%s", flaw, err, out)
		}
	}
}
