package api

import (
	"context"
	"testing"
	"testing/synctest"
	"time"
)

// resting returns viewers whose writers wait for the ring.
func resting(n int) (list []*viewer) {
	for range n {
		v := &viewer{wake: make(chan struct{}, 1)}
		v.idle.Store(true)
		list = append(list, v)
	}
	return list
}

func TestOnlyAFewViewersAreWokenAtATime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		round := resting(100)
		var writing, most, all int
		turn := make(chan *viewer)
		for _, v := range round {
			go func() {
				<-v.wake
				v.idle.Store(false)
				turn <- v
			}()
		}
		done := make(chan struct{})
		go func() { newPace().wake(t.Context(), round); close(done) }()
		for all < len(round) {
			synctest.Wait() // until nobody can go on but by us
			writing = 0
			for _, v := range round {
				if v.place.Load() != nil {
					writing++
				}
			}
			most = max(most, writing)
			(<-turn).rest()
			all++
		}
		<-done
		if most != atOnce {
			t.Errorf("up to %d viewers were woken at a time; want %d", most, atOnce)
		}
	})
}

func TestAViewerThatIsHeldUpDelaysTheOthersOnceAndLittle(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const stuck = 10
		round := resting(200)
		for i, v := range round {
			go func() {
				for range v.wake {
					v.idle.Store(false)
					if i >= stuck {
						v.rest()
					}
				}
			}()
		}
		p := newPace()
		for n, allowed := range []time.Duration{stuck * slowTurn / atOnce, 0, 0} {
			began := time.Now()
			p.wake(t.Context(), round)
			if took := time.Since(began); took > allowed {
				t.Errorf("round %d took %v; want at most %v", n, took, allowed)
			}
			synctest.Wait()
		}
		for _, v := range round {
			close(v.wake)
		}
	})
}

func TestARoundEndsWithItsPoller(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { newPace().wake(ctx, resting(1000)); close(done) }()
		cancel()
		<-done
		if time.Now().After(time.Date(2000, 1, 1, 0, 0, 1, 0, time.UTC)) {
			t.Error("it waited for viewers that never end")
		}
	})
}

func TestAPlaceIsCountedOnce(t *testing.T) {
	p, v := newPace(), resting(3)
	for _, v := range v[:atOnce] {
		p.give(t.Context(), v)
	}
	v[0].rest()
	v[0].rest() // again, as when the connection ends
	p.give(t.Context(), v[2])
	if p.active != atOnce || len(p.freed) != 0 {
		t.Errorf("%d places given, %d words waiting", p.active, len(p.freed))
	}
}
