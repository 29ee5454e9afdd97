package display

import (
	"fmt"
	"image"
	"sync"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/devices/v3/ssd1306"
	"periph.io/x/devices/v3/ssd1306/image1bit"
)

// Opts is how a screen is used.
type Opts struct {
	Addr    uint16 // 0x3c or 0x3d
	Height  int    // 64 or 32
	Rotated bool   // upside down
}

// DefaultOpts are for the screen that is met most (common practice, no source).
var DefaultOpts = Opts{Addr: 0x3c, Height: 64}

const (
	width   = 128
	chunk   = 16              // columns per poll
	restAll = 5 * time.Second // after a failure
	anew    = time.Minute     // between two set-ups of a screen that works
)

// Screen is one screen. Show may be called by any goroutine, Poll by one.
type Screen struct {
	gate gate
	opts Opts
	dev  *ssd1306.Dev
	sent *image1bit.VerticalLSB // what periph has been given, and so what the screen has if nothing failed

	mu   sync.Mutex
	want *image1bit.VerticalLSB
	text string
	err  error

	began bool          // there was a first attempt
	since time.Duration // of the last set-up or failure: the start of the time until the next
}

// gate is the bus that periph's driver sees.
type gate struct {
	i2c.Bus
	addr uint16
	shut bool // nothing goes through, and all is well
}

// Tx passes a transaction on, at the screen's own address; periph's driver knows 0x3c only.
func (g *gate) Tx(_ uint16, w, r []byte) error {
	if g.shut {
		return nil
	}
	return g.Bus.Tx(g.addr, w, r)
}

// New prepares a screen. It sends nothing: a screen that is missing is no reason not to start. The first Poll tries.
func New(bus i2c.Bus, opts *Opts) (*Screen, error) {
	switch {
	case opts.Addr != 0x3c && opts.Addr != 0x3d:
		return nil, fmt.Errorf("display: address is %#02x; 0x3c and 0x3d are allowed", opts.Addr)
	case opts.Height != 64 && opts.Height != 32:
		return nil, fmt.Errorf("display: height is %d; 64 and 32 are allowed", opts.Height)
	}
	r := image.Rect(0, 0, width, opts.Height)
	return &Screen{gate: gate{Bus: bus, addr: opts.Addr}, opts: *opts, sent: image1bit.NewVerticalLSB(r), want: image1bit.NewVerticalLSB(r)}, nil
}

// String implements conn.Resource.
func (s *Screen) String() string { return fmt.Sprintf("SSD1306{%s(%#02x)}", s.gate.Bus, s.gate.addr) }

// Halt implements conn.Resource: the screen goes dark.
func (s *Screen) Halt() error {
	if s.dev == nil {
		return nil
	}
	return s.dev.Halt()
}

// Show has a text shown, wrapped at spaces to lines of 21 characters, eight of them or four. What does not fit is cut, and what
// the screen has no letters for is shown as a box. It touches no bus and waits for nothing but another Show.
func (s *Screen) Show(text string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if text != s.text {
		s.text = text
		render(text, s.want)
	}
}

// Err returns why the screen shows nothing, nil if it does as far as the last poll could tell.
func (s *Screen) Err() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.err
}

// Poll sends one chunk of what is to be shown, or sets the screen up. It takes at most two transactions, none when all is shown.
func (s *Screen) Poll(now time.Duration) {
	// How long until the next set-up: one that works is renewed in case it has lost its picture unnoticed, one that fails is left
	// alone, because on some buses a chip that does not answer costs more time than one that does.
	rest := anew
	if s.dev == nil {
		rest = restAll
	}
	var err error
	switch {
	case !s.began || now-s.since >= rest:
		s.began, s.since = true, now
		err = s.setUp()
	case s.dev == nil || !s.next():
		return
	default:
		_, err = s.dev.Write(s.sent.Pix)
	}
	if err != nil {
		// periph believes that what it has tried to send is there: it must begin anew.
		s.dev, s.since = nil, now
		err = fmt.Errorf("%v: %w", s, err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.err = err
}

// setUp begins with a screen of which nothing is known.
func (s *Screen) setUp() error {
	dev, err := ssd1306.NewI2C(&s.gate, &ssd1306.Opts{
		W: width, H: s.opts.Height, MirrorVertical: s.opts.Rotated, MirrorHorizontal: s.opts.Rotated,
		// Panels with 32 rows have them wired one after the other, those with 64 every other one (common practice, no source).
		Sequential: s.opts.Height == 32,
	})
	if err != nil {
		return err
	}
	// periph sends all of the first picture, since it does not know what is there. It gets one that differs from the wanted one
	// everywhere, and no chance to send it; what it then takes for shown is wrong everywhere, and is mended chunk by chunk.
	s.mu.Lock()
	for i, b := range s.want.Pix {
		s.sent.Pix[i] = ^b
	}
	s.mu.Unlock()
	s.gate.shut = true
	_, err = dev.Write(s.sent.Pix) // all of it, into nothing
	s.gate.shut = false
	s.dev = dev
	return err
}

// next brings one chunk, from the first byte that differs, top left first, of what is wanted into what is sent, and reports whether there was one.
func (s *Screen) next() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i, b := range s.want.Pix {
		if s.sent.Pix[i] == b {
			continue
		}
		end := min(i+chunk, (i/width+1)*width) // within the page
		copy(s.sent.Pix[i:end], s.want.Pix[i:end])
		return true
	}
	return false
}

var _ conn.Resource = (*Screen)(nil)
