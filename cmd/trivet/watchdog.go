package main

import (
	"errors"
	"fmt"
	"os"
	"time"
)

// watchdogPart is the table [watchdog] of the configuration file: a watchdog of the computer, which restarts it when the program does
// not show that it lives. It protects against a kernel or computer that hangs, and it is slow; heat is gone long before, by the one-shot.
type watchdogPart struct {
	Device   string  `toml:"device"`    // /dev/watchdog or /dev/watchdogN; none when empty
	TimeoutS float64 `toml:"timeout_s"` // how long it waits, 2 to 60 s
}

// A Raspberry Pi's watchdog waits for 15 s at most (from memory); shorter than 2 s is shorter than a disk may stall.
const (
	shortestWatch = 2
	longestWatch  = 60
	usualWatch    = 10
)

// check names the first key that is wrong, what is wrong and what is allowed; key is empty when all is well.
func (p watchdogPart) check() (key, what, allowed string) {
	switch {
	case p.Device == "" && p.TimeoutS != 0:
		return "timeout_s", "is given without a device", "device as well, such as /dev/watchdog"
	case p.Device != "" && p.Device[0] != '/':
		return "device", fmt.Sprintf("is %q", p.Device), "the path of a device, such as /dev/watchdog"
	case p.TimeoutS != 0 && !(p.TimeoutS >= shortestWatch && p.TimeoutS <= longestWatch):
		return "timeout_s", fmt.Sprintf("is %g", p.TimeoutS), fmt.Sprintf("between %d and %d", shortestWatch, longestWatch)
	}
	return "", "", ""
}

// watchdog is an open watchdog of the computer. From the moment it is opened the computer restarts when it is not petted in time,
// also when the program ends without having disarmed it.
type watchdog struct {
	f       device
	path    string
	timeout time.Duration
}

// device is the file behind it.
type device interface {
	Write([]byte) (int, error)
	Close() error
}

// open arms the watchdog; nil when none is wanted.
func (p watchdogPart) open() (*watchdog, error) {
	if p.Device == "" {
		return nil, nil
	}
	seconds := p.TimeoutS
	if seconds == 0 {
		seconds = usualWatch
	}
	f, err := os.OpenFile(p.Device, os.O_WRONLY, 0)
	if err != nil {
		return nil, fmt.Errorf("watchdog: %w", err)
	}
	w := &watchdog{f: f, path: p.Device, timeout: time.Duration(seconds * float64(time.Second))}
	granted, err := setWatch(f, int(seconds))
	if err != nil {
		return nil, errors.Join(fmt.Errorf("watchdog %s: set it to %d s: %w", p.Device, int(seconds), err), w.close(true))
	}
	w.timeout = granted // a driver takes what it can do
	return w, nil
}

// pet shows that the program lives. Any byte does, except for the one that disarms.
func (w *watchdog) pet() error {
	if _, err := w.f.Write([]byte{0}); err != nil {
		return fmt.Errorf("watchdog %s: %w", w.path, err)
	}
	return nil
}

// disarm is the letter that lets a watchdog be closed without a restart, unless its driver was told to take no way out.
const disarm = 'V'

// close ends the watch. Only a clean end, with heat off, disarms it; after any other the computer restarts, with all lines as they are at boot.
func (w *watchdog) close(clean bool) error {
	var err error
	if clean {
		_, err = w.f.Write([]byte{disarm})
	}
	if err = errors.Join(err, w.f.Close()); err != nil {
		return fmt.Errorf("watchdog %s: disarm: %w", w.path, err)
	}
	return nil
}
