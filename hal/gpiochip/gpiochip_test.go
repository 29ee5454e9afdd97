//go:build linux

package gpiochip

import (
	"bytes"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"

	"trivet/hal/line"
)

// board is a computer with two chips, as a single-board computer has them.
func board() *fakeKernel {
	return newFake(
		&fakeChip{node: "/dev/gpiochip0", label: "soc", lines: lines("GPIO4", "GPIO17", "GPIO27", "")},
		&fakeChip{node: "/dev/gpiochip1", label: "expander", lines: lines("K1", "K2")},
	)
}

func TestEveryRequestIsTheKernelsStructureByteForByte(t *testing.T) {
	attr := func(id uint32, v uint64) (a unix.GPIOV2LineConfigAttribute) {
		a.Attr.Id, a.Mask = id, 1
		if id == unix.GPIO_V2_LINE_ATTR_ID_DEBOUNCE {
			*(*uint32)(unsafe.Pointer(&a.Attr.Flags)) = uint32(v) // a union: its 32-bit member is at the front in every byte order
		} else {
			a.Attr.Flags = v
		}
		return a
	}
	for name, c := range map[string]struct {
		ours request
		want func(*unix.GPIOV2LineRequest)
	}{
		"an output that begins low": {request{offset: 17, flags: flagOutput}, func(r *unix.GPIOV2LineRequest) {
			r.Offsets[0], r.Config.Flags, r.Config.Num_attrs = 17, 1<<3, 1
			r.Config.Attrs[0] = attr(unix.GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES, 0)
		}},
		"an active-low output that begins high": {request{offset: 3, flags: flagOutput | flagActiveLow, initial: true}, func(r *unix.GPIOV2LineRequest) {
			r.Offsets[0], r.Config.Flags, r.Config.Num_attrs = 3, 1<<3|1<<1, 1
			r.Config.Attrs[0] = attr(unix.GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES, 1)
		}},
		"an input": {request{offset: 1, flags: flagInput | flagPullUp}, func(r *unix.GPIOV2LineRequest) {
			r.Offsets[0], r.Config.Flags = 1, 1<<2|1<<8
		}},
		"a debounced input": {request{flags: flagInput, debounce: 5 * time.Millisecond}, func(r *unix.GPIOV2LineRequest) {
			r.Config.Flags, r.Config.Num_attrs = 1<<2, 1
			r.Config.Attrs[0] = attr(unix.GPIO_V2_LINE_ATTR_ID_DEBOUNCE, 5000)
		}},
	} {
		var want unix.GPIOV2LineRequest
		want.Num_lines, want.Fd = 1, -1
		copy(want.Consumer[:], "trivet")
		c.want(&want)
		if got := c.ours.encode(); !bytes.Equal(got, unsafe.Slice((*byte)(unsafe.Pointer(&want)), unsafe.Sizeof(want))) {
			t.Errorf("%s differs:\n%x", name, got)
		}
	}
	for name, pair := range map[string][2]uint32{
		"line info": {getLineInfo, unix.GPIO_V2_GET_LINEINFO_IOCTL}, "line": {getLine, unix.GPIO_V2_GET_LINE_IOCTL},
		"get": {getValues, unix.GPIO_V2_LINE_GET_VALUES_IOCTL}, "set": {setValues, unix.GPIO_V2_LINE_SET_VALUES_IOCTL},
		// _IOR(0xB4, 0x01, struct gpiochip_info) of linux/gpio.h
		"chip info": {getChipInfo, 2<<30 | uint32(unsafe.Sizeof(unix.GPIOChipInfo{}))<<16 | 0xB4<<8 | 1},
	} {
		if pair[0] != pair[1] {
			t.Errorf("ioctl of %s is %#x; the header says %#x", name, pair[0], pair[1])
		}
	}
}

func TestAnOutputHasItsFirstLevelFromTheRequestOn(t *testing.T) {
	for name, c := range map[string]struct {
		o    OutOptions
		want string
	}{
		"off":             {OutOptions{}, "request GPIO17 0x8 initial 0"},
		"on":              {OutOptions{Initial: true}, "request GPIO17 0x8 initial 1"},
		"off, active low": {OutOptions{ActiveLow: true}, "request GPIO17 0xa initial 0"},
		"open drain":      {OutOptions{OpenDrain: true}, "request GPIO17 0x48 initial 0"},
	} {
		k := board()
		if _, err := openOut(k, Name{Chip: "soc", Line: "GPIO17"}, c.o); err != nil {
			t.Fatal(err)
		}
		if want := []string{c.want}; !slices.Equal(k.calls, want) {
			t.Errorf("%s: the kernel saw %q; want %q and nothing else", name, k.calls, want)
		}
	}
}

// TestARelayLineSeesNothingButItsLevels goes the way that a heater relay goes, through the output that the station uses.
func TestARelayLineSeesNothingButItsLevels(t *testing.T) {
	k := board()
	pin, err := openOut(k, Name{Chip: "expander", Line: "K2"}, OutOptions{})
	if err != nil {
		t.Fatal(err)
	}
	relay, err := line.NewOut(pin)
	if err != nil {
		t.Fatal(err)
	}
	// What a diagnostics page might ask must not reach the line: periph's own pins become inputs here.
	_ = pin.String() + pin.Name() + pin.Function()
	_, _ = pin.Number(), pin.Halt()
	if pin.PWM(gpio.DutyHalf, physic.KiloHertz) == nil {
		t.Error("a plain line claims to do pulse-width modulation")
	}
	for _, on := range []bool{true, false} {
		if err := relay.Set(on); err != nil {
			t.Fatal(err)
		}
	}
	if err := pin.Out(gpio.High); err != nil {
		t.Fatal(err)
	}
	if err := pin.Close(); err != nil {
		t.Fatal(err)
	}
	want := []string{"request K2 0x8 initial 0", "set K2 false", "set K2 true", "set K2 false", "set K2 true", "set K2 false", "release K2"}
	if !slices.Equal(k.calls, want) {
		t.Errorf("the kernel saw\n%q; want\n%q", k.calls, want)
	}
	if pin.Out(gpio.High) == nil || pin.Close() == nil {
		t.Error("a line that was given back can still be driven")
	}
	if len(k.fds) != 0 {
		t.Errorf("%d descriptors were left open", len(k.fds))
	}
}

func TestAnOutputHasNoWayToRead(t *testing.T) {
	var o any = &Out{}
	if _, is := o.(interface{ Read() gpio.Level }); is {
		t.Error("an output can be read")
	}
	if _, is := o.(gpio.PinIn); is {
		t.Error("an output is an input")
	}
	if _, is := o.(interface {
		In(gpio.Pull, gpio.Edge) error
	}); is {
		t.Error("an output can be made an input")
	}
}

func TestAnOutputMayBeSwitchedFromTwoGoroutinesAndAllocatesNothing(t *testing.T) {
	k := board()
	pin, err := openOut(k, Name{Chip: "soc", Line: "GPIO4"}, OutOptions{})
	if err != nil {
		t.Fatal(err)
	}
	var both sync.WaitGroup
	for _, l := range []gpio.Level{gpio.Low, gpio.High} {
		both.Go(func() {
			for range 200 {
				if err := pin.Out(l); err != nil {
					t.Error(err)
				}
			}
		})
	}
	both.Wait()
	quiet := &Out{held{k: mute{}, fd: 3}}
	input := &In{held: held{k: mute{}, fd: 3}}
	if n := testing.AllocsPerRun(100, func() { _ = quiet.Out(gpio.High); _ = input.Read() }); n != 0 {
		t.Errorf("a switch and a read allocate %v times", n)
	}
}

// mute is a kernel that takes everything.
type mute struct{ kernel }

func (mute) ioctl(int, uint32, *byte) error { return nil }

func TestALineIsFoundByNameWhereverItsChipIs(t *testing.T) {
	k := board()
	k.chips[0].node, k.chips[1].node = "/dev/gpiochip4", "/dev/gpiochip0" // came up in another order
	if _, err := openOut(k, Name{Chip: "expander", Line: "K1"}, OutOptions{}); err != nil {
		t.Fatal(err)
	}
	if _, err := openOut(k, Name{Chip: "soc", Offset: 3}, OutOptions{}); err != nil { // it has no name
		t.Fatal(err)
	}
	want := []string{"request K1 0x8 initial 0", "request  0x8 initial 0"}
	if !slices.Equal(k.calls, want) {
		t.Errorf("the kernel saw %q; want %q", k.calls, want)
	}
}

func TestALineThatCannotBeHadSaysWhy(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*fakeKernel)
		ask    Name
		want   []string
	}{
		"a line in use": {func(k *fakeKernel) { k.chips[0].lines[0].flags, k.chips[0].lines[0].consumer = flagUsed, "spi0 CS0" },
			Name{Chip: "soc", Line: "GPIO4"}, []string{"soc/GPIO4", "busy", `"spi0 CS0"`}},
		"a line in use by nobody who says so": {func(k *fakeKernel) { k.chips[0].lines[0].flags = flagUsed },
			Name{Chip: "soc", Line: "GPIO4"}, []string{"does not say who"}},
		"no such label":  {nil, Name{Chip: "pinctrl", Line: "GPIO4"}, []string{"no chip has that label", "soc, expander"}},
		"no such line":   {nil, Name{Chip: "soc", Line: "GPIO5"}, []string{"no such line", "GPIO4, GPIO17, GPIO27"}},
		"no such number": {nil, Name{Chip: "soc", Offset: 4}, []string{"soc/#4", "4 lines"}},
		"no names": {func(k *fakeKernel) { k.chips[1].lines = lines("", "") },
			Name{Chip: "expander", Line: "K1"}, []string{"2 lines without names", "#0"}},
		"two lines of one name": {func(k *fakeKernel) { k.chips[1].lines[1].name = "K1" },
			Name{Chip: "expander", Line: "K1"}, []string{"line 0 of /dev/gpiochip1 and line 1 of /dev/gpiochip1"}},
		"two chips of one label": {func(k *fakeKernel) { k.chips[1].label, k.chips[1].lines[0].name = "soc", "GPIO4" },
			Name{Chip: "soc", Line: "GPIO4"}, []string{"line 0 of /dev/gpiochip0 and line 0 of /dev/gpiochip1"}},
		"no right to open": {func(k *fakeKernel) { k.chips[0].shut = unix.EACCES },
			Name{Chip: "soc", Line: "GPIO4"}, []string{"permission denied", "group", "expander"}},
		"no chip at all": {func(k *fakeKernel) { k.chips = nil }, Name{Chip: "soc", Line: "GPIO4"}, []string{"no GPIO chip"}},
		"an old kernel":  {func(k *fakeKernel) { k.fail[getLineInfo] = unix.ENOTTY }, Name{Chip: "soc", Line: "GPIO4"}, []string{"5.10"}},
		"a kernel that claims too much": {func(k *fakeKernel) { k.chips[0].lines = make([]*fakeLine, 5000) },
			Name{Chip: "soc", Line: "GPIO4"}, []string{"5000 lines"}},
		"a number that went to another chip": {func(k *fakeKernel) {
			opened := 0
			k.onOpen = func(string) {
				if opened++; opened == 3 { // two for looking, this one for asking
					k.chips[0].label = "other"
				}
			}
		}, Name{Chip: "soc", Line: "GPIO4"}, []string{"not that chip any more"}},
		"a line that may not be an output": {func(k *fakeKernel) { k.fail[getLine] = unix.EPERM },
			Name{Chip: "soc", Line: "GPIO4"}, []string{"request it", "not permitted"}},
	} {
		k := board()
		if c.change != nil {
			c.change(k)
		}
		_, err := openOut(k, c.ask, OutOptions{})
		if err == nil {
			t.Errorf("%s: no error", name)
			continue
		}
		for _, w := range c.want {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%s: %q lacks %q", name, err, w)
			}
		}
		if len(k.calls) != 0 || len(k.fds) != 0 {
			t.Errorf("%s: the kernel saw %q, and %d descriptors are open", name, k.calls, len(k.fds))
		}
	}
}

func TestTwoChipsOfOneLabelAreNoTroubleWhereTheNameFitsOnce(t *testing.T) {
	k := board()
	k.chips[1].label = "soc"
	if _, err := openOut(k, Name{Chip: "soc", Line: "K2"}, OutOptions{}); err != nil {
		t.Error(err)
	}
}

func TestAnInputIsPulledToWhereABrokenWireIsInactive(t *testing.T) {
	k := board()
	in, err := openIn(k, Name{Chip: "soc", Line: "GPIO27"}, InOptions{ActiveLow: true, Bias: PullUp, Debounce: 3 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	if want := "request GPIO27 0x106 initial none debounce 3000"; k.calls[0] != want {
		t.Errorf("the kernel saw %q; want %q", k.calls[0], want)
	}
	if !in.Debounced() || in.Read() {
		t.Errorf("debounced %v, active %v; want true, false", in.Debounced(), in.Read())
	}
	k.chips[0].lines[2].level = true
	if !in.Read() {
		t.Error("an active line does not read as active")
	}
}

func TestALineThatCannotBeReadIsInactive(t *testing.T) {
	k := board()
	in, err := openIn(k, Name{Chip: "soc", Line: "GPIO27"}, InOptions{})
	if err != nil {
		t.Fatal(err)
	}
	k.chips[0].lines[2].level = true
	k.fail[getValues] = unix.EIO
	if _, err := in.Level(); err == nil || !strings.Contains(err.Error(), "soc/GPIO27") {
		t.Errorf("a failed read is reported as %v", err)
	}
	if in.Read() || in.Failures() != 2 {
		t.Errorf("active %v after %d failures; want inactive after 2", in.Read(), in.Failures())
	}
	delete(k.fail, getValues)
	if !in.Read() {
		t.Error("the line does not come back")
	}
	if err := in.Close(); err != nil || in.Read() {
		t.Errorf("given back with %v, still active: %v", err, in.Read())
	}
	if _, err := openIn(k, Name{Chip: "soc", Line: "GPIO27"}, InOptions{Debounce: time.Minute}); err == nil {
		t.Error("a debounce of a minute is taken")
	}
	k.fail[getValues] = unix.EIO
	if _, err := openIn(k, Name{Chip: "soc", Line: "GPIO27"}, InOptions{}); err == nil {
		t.Error("an input that cannot be read is handed out")
	}
}

// TestAnInputIsWhatTheStationReads goes the way of an interlock, through the input that the station uses.
func TestAnInputIsWhatTheStationReads(t *testing.T) {
	k := board()
	in, err := openIn(k, Name{Chip: "soc", Line: "GPIO27"}, InOptions{Bias: PullDown})
	if err != nil {
		t.Fatal(err)
	}
	contact, err := line.NewIn(in.Pin(), true)
	if err != nil {
		t.Fatal(err)
	}
	k.chips[0].lines[2].level = true
	if !contact.Read() {
		t.Error("a closed contact reads as open")
	}
	k.fail[getValues] = unix.EIO
	if contact.Read() {
		t.Error("a contact that cannot be read is closed")
	}
	if _, err := line.NewIn(in.Pin(), false); err == nil {
		t.Error("an input with a pull-down is taken for one with a pull-up")
	}
	if in.Pin().In(gpio.PullDown, gpio.BothEdges) == nil {
		t.Error("edges are taken for watched")
	}
}

func TestALineThatCannotBeDebouncedIsUsedWithout(t *testing.T) {
	k := board()
	k.noFilter = true
	in, err := openIn(k, Name{Chip: "soc", Line: "GPIO4"}, InOptions{Bias: PullDown, Debounce: 3 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	if in.Debounced() {
		t.Error("it claims to be debounced")
	}
}

func TestLookingTouchesNoLine(t *testing.T) {
	k := board()
	k.chips[0].lines[1].flags, k.chips[0].lines[1].consumer = flagUsed|flagOutput|flagActiveLow|flagPullDown, "led0"
	k.chips = append(k.chips, &fakeChip{node: "/dev/gpiochip2", shut: unix.EACCES})
	chips, err := list(k)
	if err != nil {
		t.Fatal(err)
	}
	want := Line{Offset: 1, Name: "GPIO17", Used: true, Consumer: "led0", Output: true, ActiveLow: true, Bias: PullDown}
	if len(chips) != 3 || chips[0].Lines[1] != want || chips[0].Label != "soc" || chips[2].Err == nil {
		t.Errorf("found %+v", chips)
	}
	if len(k.calls) != 0 || len(k.fds) != 0 {
		t.Errorf("the kernel saw %q, and %d descriptors are open", k.calls, len(k.fds))
	}
}

func TestTheChipsOfThisComputerCanBeListed(t *testing.T) {
	chips, err := List()
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d chips", len(chips))
}

func FuzzANameThatIsTakenIsWrittenAsItWasRead(f *testing.F) {
	for _, s := range []string{"soc/GPIO17", "soc/#3", "/soc/gpio@7e200000/GPIO2", "soc", "/x", "soc/", "soc/#-1", "soc/#03", "soc/#"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		n, err := ParseName(s)
		if err != nil {
			return
		}
		if again, err := ParseName(n.String()); err != nil || again != n {
			t.Errorf("%q is %+v; written and read again %+v, %v", s, n, again, err)
		}
	})
}

func TestNames(t *testing.T) {
	for s, want := range map[string]Name{
		"soc/GPIO17":                {Chip: "soc", Line: "GPIO17"},
		"/soc/gpio@7e200000/GPIO17": {Chip: "/soc/gpio@7e200000", Line: "GPIO17"},
		"soc/#17":                   {Chip: "soc", Offset: 17},
	} {
		if got, err := ParseName(s); err != nil || got != want {
			t.Errorf("%q is %+v, %v; want %+v", s, got, err, want)
		}
	}
	for _, s := range []string{"", "soc", "soc/", "/GPIO17", "soc/#", "soc/#-1", "soc/#x", strings.Repeat("s", 40) + "/GPIO17"} {
		if n, err := ParseName(s); err == nil {
			t.Errorf("%q is taken as %+v", s, n)
		}
	}
}
