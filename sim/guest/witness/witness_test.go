package witness

import (
	"strings"
	"testing"
	"time"
)

// trace is in the kernel's own form; the events are those of a start, a run and its end.
const trace = `# tracer: nop
#
# entries-in-buffer/entries-written: 9/9   #P:1
#           TASK-PID     CPU#  |||||  TIMESTAMP  FUNCTION
          trivet-71      [000] .....    10.000100: gpio_value: 1000 set 0
          trivet-71      [000] .....    10.000101: gpio_direction: 1000 out (0)
          trivet-71      [000] .....    10.000200: gpio_value: 1001 set 0
          trivet-71      [000] .....    10.000201: gpio_direction: 1001 out (0)
          trivet-71      [000] .....    10.000300: gpio_direction: 1009  in (0)
          trivet-75      [000] .....    11.000000: gpio_value: 1000 set 1
          trivet-75      [000] .....    11.000100: gpio_value: 1001 set 0
          trivet-75      [000] .....    11.000200: gpio_value: 1009 get 1
          trivet-75      [000] .....    12.050000: gpio_value: 1000 set 0
`

var relays = Lines{1000: true, 1001: true}

func events(t *testing.T, more ...string) []Event {
	t.Helper()
	e, err := Parse(strings.NewReader(trace + strings.Join(more, "\n")))
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func TestATraceIsRead(t *testing.T) {
	e := events(t)
	if len(e) != 8 {
		t.Fatalf("%d events; want 8: reads are not kept", len(e))
	}
	want := Event{At: 12*time.Second + 50*time.Millisecond, Task: "trivet-75", Line: 1000, Kind: Set}
	if e[7] != want {
		t.Errorf("%+v; want %+v", e[7], want)
	}
}

func TestAWitnessWhoMissedSomethingSaysSo(t *testing.T) {
	for _, bad := range []string{
		"# CPU:0 [LOST 12 EVENTS]",
		"  trivet-71  [000] .....    10.1: gpio_value: 1000 set 1",
		"  trivet-71  [000] .....    10.000100: gpio_value: 1000 put 1",
		"  trivet-71  [000] .....    10.000100: gpio_value: x set 1",
		"  trivet-71  [000] .....    10.000100: gpio_value: 1000",
	} {
		if _, err := Parse(strings.NewReader(trace + bad + "\n")); err == nil {
			t.Errorf("%q was passed over", bad)
		}
	}
}

func TestWhenLinesGoLowIsMeasuredFromTheMoment(t *testing.T) {
	got := LowAfter(events(t), relays, 12*time.Second)
	if want := (Low{WereHigh: 1, Low: true, For: 50 * time.Millisecond, Calls: 1}); got != want {
		t.Errorf("%+v; want %+v", got, want)
	}
	again := events(t, "  trivet-75  [000] .....    12.090000: gpio_value: 1001 set 1")
	if got := LowAfter(again, relays, 12*time.Second); got.Low {
		t.Errorf("a line that is high again counts as low: %+v", got)
	}
	let := events(t, "  trivet-75  [000] .....    12.090000: gpio_direction: 1000  in (0)")
	if got := LowAfter(let, relays, 12*time.Second); got.Low {
		t.Errorf("a line that is an input counts as low: %+v", got)
	}
}

func TestAnInputAmongTheRelaysIsFound(t *testing.T) {
	if n, _ := Inputs(events(t), relays); n != 0 {
		t.Errorf("%d; the input was another line", n)
	}
	n, first := Inputs(events(t, "  x-1  [000] .....    12.090000: gpio_direction: 1001  in (0)"), relays)
	if n != 1 || first.Line != 1001 {
		t.Errorf("%d, %+v", n, first)
	}
}

func TestAStartWithoutAPulse(t *testing.T) {
	if got, want := Began(events(t), relays), (Start{Taken: 2, LowFirst: 2, FirstHigh: 11 * time.Second}); got != want {
		t.Errorf("%+v; want %+v", got, want)
	}
	pulse, err := Parse(strings.NewReader(`  a-1  [000] .....    10.000100: gpio_value: 1000 set 1
  a-1  [000] .....    10.000101: gpio_direction: 1000 out (0)
  a-1  [000] .....    10.000102: gpio_value: 1000 set 0
`))
	if err != nil {
		t.Fatal(err)
	}
	if got := Began(pulse, relays); got.LowFirst != 0 {
		t.Errorf("a line that began high counts as low: %+v", got)
	}
	if n := Pulses(pulse, relays, 11*time.Second); n != 1 {
		t.Errorf("%d pulses; want 1", n)
	}
	if n := Pulses(events(t), relays, 11*time.Second); n != 0 {
		t.Errorf("%d pulses before the run; want none", n)
	}
}

func TestEdges(t *testing.T) {
	if got := Edges(events(t), 1000); len(got) != 2 || got[1]-got[0] != 1050*time.Millisecond {
		t.Errorf("%v", got)
	}
}
