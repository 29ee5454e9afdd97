package frozen_test

import (
	"testing"
	"time"

	"trivet/hal/frozen"
)

const tick = 100 * time.Millisecond

// until returns after how long a chip that repeats one value is called frozen, 0: not within a minute.
func until(w *frozen.Watch, every time.Duration) time.Duration {
	for now := time.Duration(0); now < time.Minute; now += every {
		if w.See(now+time.Hour, 42) {
			return now
		}
	}
	return 0
}

func TestHowLongAValueMayStandDependsOnWhatIsExpected(t *testing.T) {
	for _, c := range []struct {
		tell  func(w *frozen.Watch)
		after time.Duration
		want  time.Duration
	}{
		{func(*frozen.Watch) {}, 30 * time.Second, 30 * time.Second},
		{func(w *frozen.Watch) { w.ExpectMotion(true) }, 30 * time.Second, 5 * time.Second},
		{func(w *frozen.Watch) { w.ExpectMotion(true) }, 2 * time.Second, 2 * time.Second},
		{func(w *frozen.Watch) { w.ExpectMotion(false) }, 2 * time.Second, 0},
		{func(w *frozen.Watch) { w.ExpectMotion(false); w.ExpectMotion(true) }, 30 * time.Second, 5 * time.Second},
	} {
		w := &frozen.Watch{After: c.after}
		c.tell(w)
		if got := until(w, tick); got != c.want {
			t.Errorf("frozen after %v, want %v", got, c.want)
		}
	}
}

func TestFewReadsFarApartProveNothing(t *testing.T) {
	if got := until(&frozen.Watch{After: time.Second}, 4*time.Second); got != 28*time.Second {
		t.Errorf("frozen after %v; eight reads take 28 s", got)
	}
}

func TestAnyChangeAndAnyGapBeginAnew(t *testing.T) {
	for name, between := range map[string]func(w *frozen.Watch, now time.Duration){
		"another value":      func(w *frozen.Watch, now time.Duration) { w.See(now, 43) },
		"no answer":          func(w *frozen.Watch, _ time.Duration) { w.Forget() },
		"another expectance": func(w *frozen.Watch, _ time.Duration) { w.ExpectMotion(true) },
	} {
		w := &frozen.Watch{After: 4 * time.Second}
		for now := time.Duration(0); now < 12*time.Second; now += tick {
			if now == 3*time.Second {
				between(w, now)
			}
			if w.See(now, 42) {
				if now < 7*time.Second || now > 7*time.Second+tick {
					t.Errorf("%s at 3 s: frozen at %v", name, now)
				}
				break
			}
		}
	}
}
