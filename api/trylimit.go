package api

import (
	"sync"
	"time"
)

// Limits on guessing the pairing code (hazard N-05). Five tries and a minute are the hazard study's; the rest is judgement.
const (
	freeTries   = 5 // wrong codes from one source before it must wait
	triesWindow = time.Minute
	firstWait   = 10 * time.Second
	longestWait = 60 * time.Second
	allTries    = 20 // wrong codes in a minute from everywhere but the station itself
	mostSources = 1024
)

// tryLimit counts wrong pairing codes by source and says who has to wait. It knows nothing of Stop, which never asks it.
type tryLimit struct {
	mu      sync.Mutex
	sources map[string]*tries
	all     tries // those from elsewhere, together
}

// tries is the wrong codes of one source.
type tries struct {
	n     int       // since the window began
	began time.Time // of the window
	wait  time.Duration
	until time.Time // no try before
}

// wait returns how long source has to wait before its next try, 0 when it may try now. local sources are not held up by what
// others do, so that a flood from the network cannot keep the person at the panel from pairing.
func (l *tryLimit) waitFor(source string, local bool, now time.Time) time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	var left time.Duration
	if t := l.sources[source]; t != nil {
		left = t.until.Sub(now)
	}
	if !local {
		left = max(left, l.all.until.Sub(now))
	}
	return max(left, 0)
}

// wrong notes a wrong code.
func (l *tryLimit) wrong(source string, local bool, now time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	t := l.sources[source]
	if t == nil {
		l.room(now)
		t = &tries{}
		if l.sources == nil {
			l.sources = map[string]*tries{}
		}
		l.sources[source] = t
	}
	t.wrong(freeTries, now)
	if !local {
		l.all.wrong(allTries, now)
	}
}

// wrong counts one and, beyond free of them in a window, doubles the wait. A quiet window forgives everything.
func (t *tries) wrong(free int, now time.Time) {
	if now.Sub(t.began) >= triesWindow && now.Sub(t.until) >= triesWindow {
		*t = tries{began: now}
	}
	if t.n++; t.n >= free {
		t.wait = min(max(2*t.wait, firstWait), longestWait)
		t.until = now.Add(t.wait)
	}
}

// right forgets the wrong codes of a source that has found the right one.
func (l *tryLimit) right(source string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.sources, source)
}

// room makes sure that one more source can be remembered: memory is bounded, whoever comes. What is forgotten first is the source
// whose wait ends first; the count of all together still holds.
func (l *tryLimit) room(now time.Time) {
	if len(l.sources) < mostSources {
		return
	}
	var oldest string
	for source, t := range l.sources {
		if now.Sub(t.began) >= triesWindow && now.Sub(t.until) >= triesWindow {
			delete(l.sources, source)
		} else if o := l.sources[oldest]; o == nil || t.until.Before(o.until) {
			oldest = source
		}
	}
	if len(l.sources) >= mostSources {
		delete(l.sources, oldest)
	}
}
