package station

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"trivet/safety"
)

// A tick that hangs between asking the guard and its end: the silence takes heat-enable meanwhile, and its end must not bring it back,
// whichever of the timer and the call the safety goroutine finds first, as after SIGSTOP and SIGCONT.
func TestATickThatHangsEarnsNoEdgeWhenItComesBack(t *testing.T) {
	for name, before := range map[string]bool{"in the middle of the tick": true, "between two ticks": false} {
		synctest.Test(t, func(t *testing.T) {
			s := newTestStation(t)
			link := newRemote(s.k)
			s.keeper = link
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan struct{})
			go func() { link.run(ctx); close(done) }()
			s.heating()
			facts := s.k.facts
			if before {
				link.Judge(s.now+Period, &facts)
			}
			level := s.f.beat.is()
			time.Sleep(safety.MaxLate + Period)
			synctest.Wait()
			if !before {
				if v := link.Judge(s.now+Period, &facts); !v.Tripped {
					t.Errorf("%s: the silence trips nothing", name)
				}
			}
			if link.Done(s.k.lastSeq+1, true, 0) || s.f.enable.is() || s.f.beat.is() != level {
				t.Errorf("%s: heat-enable or a heartbeat edge came back", name)
			}
			cancel()
			<-done
		})
	}
}
