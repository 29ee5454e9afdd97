package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"trivet/safety"
	"trivet/station"
)

// lifeline tells those who watch over the program that it lives: the service manager, and a watchdog of the computer. Both are
// told by nobody but the control loop, and only about ticks that came to their end in good order; a timer would prove that timers run.
//
// The loop rings a bell; a goroutine of its own does the telling, because a service manager that does not listen must not stop the loop.
type lifeline struct {
	manager manager
	device  *watchdog // nil without one
	every   int       // good ticks between two signs of life
	log     *zap.Logger

	bell  chan struct{}
	state atomic.Pointer[station.State] // what was last published
	alive atomic.Uint64                 // signs of life that were earned

	good  int            // the control goroutine's: good ticks since the last sign
	shown *station.State // likewise: what state holds
	done  sync.WaitGroup
}

// signs is how many signs of life fit in the shortest time that anybody waits for one: with four, three may be lost.
const signs = 4

// newLifeline finds out who wants to be told, from the environment that a service manager sets (sd_notify(3), sd_watchdog_enabled(3)).
func newLifeline(log *zap.Logger) *lifeline {
	return &lifeline{manager: managerFrom(os.Getenv), log: log, every: 1, bell: make(chan struct{}, 1)}
}

// ticked is told about each tick by the control goroutine. A tick counts as good when it began in time for the guard and ended within its
// period: one that had to wait for a safety goroutine which does not answer is longer than that.
func (l *lifeline) ticked(late, took time.Duration) {
	if late > safety.MaxLate || took > station.Period {
		return
	}
	if l.good++; l.good >= l.every || l.alive.Load() == 0 { // the first one says that the program is ready
		l.good = 0
		l.alive.Add(1)
		l.ring()
	}
}

// note is told about each snapshot by the control goroutine.
func (l *lifeline) note(s *station.Snapshot) {
	if l.shown != nil && *l.shown == s.State {
		return
	}
	now := s.State // allocates, once per change of state
	l.shown = &now
	l.state.Store(&now)
	l.ring()
}

func (l *lifeline) ring() {
	select {
	case l.bell <- struct{}{}:
	default: // it has rung, and will be heard
	}
}

// start arms the computer's watchdog and begins to tell, until end. It comes last before the loop runs: what goes wrong earlier must not
// restart the computer.
func (l *lifeline) start(ctx context.Context, part watchdogPart) (end func(clean bool), err error) {
	if l.device, err = part.open(); err != nil {
		return nil, err
	}
	wait := l.manager.watchdog
	if l.device != nil && (wait == 0 || l.device.timeout < wait) {
		wait = l.device.timeout
	}
	l.every = max(1, int(wait/signs/station.Period))
	ctx, stop := context.WithCancel(context.WithoutCancel(ctx))
	l.done.Go(func() { l.run(ctx) })
	return func(clean bool) {
		stop()
		l.done.Wait()
		l.complain(l.manager.send("STOPPING=1"))
		if l.device != nil {
			l.complain(l.device.close(clean))
		}
	}, nil
}

func (l *lifeline) run(ctx context.Context) {
	var heard uint64
	var told station.State
	for {
		select {
		case <-l.bell:
		case <-ctx.Done():
			return
		}
		if s := l.state.Load(); s != nil && *s != told {
			told = *s
			l.complain(l.manager.send("STATUS=" + string(told)))
		}
		n := l.alive.Load()
		if n == heard {
			continue
		}
		if heard == 0 {
			l.complain(l.manager.send("READY=1"))
		}
		heard = n
		l.complain(l.manager.send("WATCHDOG=1"))
		if l.device != nil {
			l.complain(l.device.pet())
		}
	}
}

// complain logs what went wrong. Whoever is not told will act by himself, which is what he is there for.
func (l *lifeline) complain(err error) {
	if err != nil {
		l.log.Error("a sign of life did not get through", zap.Error(err))
	}
}

// manager is the service manager's socket. The zero value is none.
type manager struct {
	socket   string
	watchdog time.Duration // it acts when it hears nothing for this long; 0: it does not
}

func managerFrom(env func(string) string) manager {
	m := manager{socket: env("NOTIFY_SOCKET")}
	if pid := env("WATCHDOG_PID"); pid != "" && pid != strconv.Itoa(os.Getpid()) {
		return m // meant for another process
	}
	if us, err := strconv.ParseInt(env("WATCHDOG_USEC"), 10, 64); err == nil && us > 0 {
		m.watchdog = time.Duration(us) * time.Microsecond
	}
	return m
}

// sendPatience is how long a message may take: a manager that does not read must not pile up its messages here.
const sendPatience = time.Second

// send sends one message, a datagram. Without a manager it does nothing.
func (m manager) send(message string) error {
	if m.socket == "" {
		return nil
	}
	// A name that begins with @ is in the abstract name space; package net knows that.
	c, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: m.socket, Net: "unixgram"})
	if err != nil {
		return fmt.Errorf("tell the service manager %s: %w", message, err)
	}
	_ = c.SetWriteDeadline(time.Now().Add(sendPatience)) // a socket that cannot have one is written to without
	_, err = c.Write([]byte(message))
	if err = errors.Join(err, c.Close()); err != nil {
		return fmt.Errorf("tell the service manager %s: %w", message, err)
	}
	return nil
}
