package main

import (
	"fmt"
	"syscall"
	"time"

	"trivet/sim/guest"
)

// watchdogTimeout is how long the computer's watchdog waits. Being reset takes the guest's whole state away, so what must not reset it is
// checked before.
const watchdogTimeout = 3 * time.Second

// watchdog checks that a program that is fed by nobody but itself lives, and that its clean end disarms the watchdog. It returns a second
// program that feeds it.
func (t *teller) watchdog(s *stage) (*daemon, error) {
	if err := configure(s.profile(), s.law(), true); err != nil {
		return nil, err
	}
	d, err := begin(startLimit)
	if err != nil {
		return nil, err
	}
	time.Sleep(3 * watchdogTimeout)
	now, err := d.look()
	t.check(err == nil && now.State == "idle", "an idle program feeds the computer's watchdog", fmt.Sprintf("three time-outs of %v survived", watchdogTimeout))
	if err := d.end(syscall.SIGTERM); err != nil {
		return nil, err
	}
	time.Sleep(3 * watchdogTimeout)
	t.check(true, "a clean end disarms the watchdog", fmt.Sprintf("three time-outs of %v survived without a program", watchdogTimeout))
	if d, err = begin(startLimit); err != nil {
		return nil, err
	}
	return d, t.lines(s, "the program with a watchdog")
}

// unfed kills the program that feeds the watchdog. The kernel must reset the guest then; if this function returns, it has not.
func unfed(d *daemon) error {
	fmt.Println(guest.WatchdogArmed(watchdogTimeout))
	if err := d.end(syscall.SIGKILL); err != nil {
		return err
	}
	time.Sleep(5 * watchdogTimeout)
	return fmt.Errorf("it let %v pass without being fed", 5*watchdogTimeout)
}
