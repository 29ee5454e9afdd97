package display_test

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"trivet/hal/display"
	"trivet/hal/haltest"
	"trivet/sim/chip"
)

var update = flag.Bool("update", false, "rewrite the golden files in testdata")

func wired(tb testing.TB, opts display.Opts) (*display.Screen, *chip.Ssd1306, *haltest.Tap) {
	tb.Helper()
	c, bus := chip.NewSsd1306(), chip.NewI2CBus("i2c-sim")
	if err := bus.Add(opts.Addr, c); err != nil {
		tb.Fatal(err)
	}
	tap := &haltest.Tap{I2C: bus}
	s, err := display.New(tap, &opts)
	if err != nil {
		tb.Fatal(err)
	}
	return s, c, tap
}

func spec(opts display.Opts) haltest.ScreenSpec {
	return haltest.ScreenSpec{
		Chip: "ssd1306", Width: 128, Height: opts.Height, BytesPerPoll: 34, Full: opts.Height + 1, Retry: 5 * time.Second, Refresh: time.Minute,
		New: func(tb testing.TB) haltest.ScreenBench {
			s, c, tap := wired(tb, opts)
			return haltest.ScreenBench{Screen: s, Pixel: c.Pixel, Inject: c.Inject, Tap: tap}
		},
	}
}

func TestItKeepsThePromisesOfAScreen(t *testing.T) {
	for name, o := range map[string]display.Opts{"high": display.DefaultOpts, "low": {Addr: 0x3d, Height: 32, Rotated: true}} {
		t.Run(name, func(t *testing.T) { haltest.RunScreen(t, spec(o)) })
	}
}

// show returns what is to be seen of a text, a line of text for each row of pixels.
func show(t *testing.T, text string) string {
	t.Helper()
	s, c, _ := wired(t, display.DefaultOpts)
	s.Show(text)
	for k := range 80 {
		s.Poll(time.Duration(k) * haltest.Tick)
	}
	var b strings.Builder
	for y := range 64 {
		row := ""
		for x := range 128 {
			if c.Pixel(x, y) {
				row += "#"
			} else {
				row += " "
			}
		}
		b.WriteString(strings.TrimRight(row, " ") + "\n")
	}
	return b.String()
}

// Every character that there is, and sentences as the machine has them. A person should look at this file.
func TestTheLettersAreUnchanged(t *testing.T) {
	ascii := ""
	for r := rune(33); r < 127; r++ {
		ascii += string(r)
	}
	got := show(t, ascii+"°±Ω·–…äöüßé\nRunning: soak. Joint 183 °C of 245 °C, peak in 2:10.")
	const path = "testdata/letters.golden"
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatalf("%v (run the test once with -update, then look at the new file)", err)
	}
	if got != string(want) {
		t.Errorf("%s differs; if the change is intended run with -update and look at it.\n%s", path, got)
	}
}

func TestNoTwoCharactersLookAlikeAndWhatIsMissingIsABox(t *testing.T) {
	seen := map[string]rune{}
	boxed := ""
	box := show(t, "\u4e00")
	for _, r := range "!\"#$%&'()*+,-./0123456789:;<=>?@ABCDEFGHIJKLMNOPQRSTUVWXYZ[\\]^_`abcdefghijklmnopqrstuvwxyz{|}~°±Ω·–…äöüßé" {
		picture := show(t, string(r))
		if picture == box {
			boxed += string(r)
			continue
		}
		if other, twice := seen[picture]; twice {
			t.Errorf("%c looks like %c", r, other)
		}
		seen[picture] = r
	}
	if boxed != "$^`" {
		t.Errorf("there are no letters for %s", boxed)
	}
}

func TestATextIsWrappedAtSpacesAndCut(t *testing.T) {
	long := strings.Repeat("0123456789", 3)
	for text, like := range map[string]string{
		"aaaaaaaaaa bbbbbbbbbb":         "aaaaaaaaaa bbbbbbbbbb",   // 21 characters fit
		"aaaaaaaaaa bbbbbbbbbbb":        "aaaaaaaaaa\nbbbbbbbbbbb", // 22 do not
		"  a   b ":                      "a b",
		long:                            long[:21] + "\n" + long[21:],
		"x " + long:                     "x\n" + long[:21] + "\n" + long[21:],
		"1\n2\n3\n4\n5\n6\n7\n8\n9\n10": "1\n2\n3\n4\n5\n6\n7\n8",
	} {
		if show(t, text) != show(t, like) {
			t.Errorf("%q is not shown like %q", text, like)
		}
	}
}

func TestHaltMakesItDark(t *testing.T) {
	s, c, _ := wired(t, display.DefaultOpts)
	if s.Halt() != nil || s.String() != "SSD1306{i2c-sim(0x3c)}" {
		t.Errorf("%v", s)
	}
	s.Poll(0)
	if !c.Lit() {
		t.Fatal("dark after its set-up")
	}
	if err := s.Halt(); err != nil || c.Lit() {
		t.Errorf("%v, lit %v", err, c.Lit())
	}
}

func TestWhatCannotBeAScreenIsRefused(t *testing.T) {
	for words, o := range map[string]display.Opts{"0x3c and 0x3d": {Addr: 0x3e, Height: 64}, "64 and 32": {Addr: 0x3c, Height: 48}} {
		if s, err := display.New(chip.NewI2CBus("x"), &o); s != nil || err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%s: %v", words, err)
		}
	}
}

// Show and Poll are for two goroutines; the race detector looks on.
func TestATextMayChangeWhileTheScreenIsWritten(t *testing.T) {
	s, _, _ := wired(t, display.DefaultOpts)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for k := range 300 {
			s.Poll(time.Duration(k) * haltest.Tick)
			_ = s.Err()
		}
	}()
	for k := range 300 {
		s.Show(fmt.Sprintf("Joint %d °C", k))
	}
	<-done
}
