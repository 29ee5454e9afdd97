package main

import (
	"bytes"
	"os"
	"slices"
	"time"

	"golang.org/x/sys/unix"

	"trivet/sim/guest/witness"
)

const tracing = "/sys/kernel/tracing/"

// watch lets the kernel write down every call to a GPIO line that is not a read, stamped with the monotonic clock.
func watch() error {
	for _, s := range []struct{ at, what string }{
		{"trace_clock", "mono"}, {"buffer_size_kb", "24576"}, {"events/gpio/gpio_value/filter", "get == 0"}, {"events/gpio/enable", "1"},
	} {
		if err := os.WriteFile(tracing+s.at, []byte(s.what), 0o644); err != nil {
			return err
		}
	}
	return nil
}

// seen is the trace so far.
func seen() ([]witness.Event, error) {
	b, err := os.ReadFile(tracing + "trace")
	if err != nil {
		return nil, err
	}
	return witness.Parse(bytes.NewReader(b))
}

// mostKept is how much of either end of a trace goes to the host: an emulated serial line is slow.
const mostKept = 400 << 10

// keep copies the trace to the second serial line, where the host keeps it, and begins a new one.
func keep() error {
	b, err := os.ReadFile(tracing + "trace")
	if err != nil {
		return err
	}
	if len(b) > 2*mostKept {
		b = slices.Concat(b[:mostKept], []byte("\n# the middle is left out\n"), b[len(b)-mostKept:])
	}
	if err := os.WriteFile("/dev/ttyS1", b, 0o644); err != nil {
		return err
	}
	return os.WriteFile(tracing+"trace", nil, 0o644)
}

// monotonic is the clock of the trace.
func monotonic() time.Duration {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &t); err != nil {
		return 0 // it cannot fail with a valid clock
	}
	return time.Duration(t.Nano())
}
