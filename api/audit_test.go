package api

import (
	"net/http"
	"strings"
	"testing"
	"testing/synctest"
	"time"
	"unsafe"
)

// TestAnAnswerWaitsForItsDeedForASecondAtMostAndStopWaitsForNothing is on virtual time, so the waits are exact.
func TestAnAnswerWaitsForItsDeedForASecondAtMostAndStopWaitsForNothing(t *testing.T) {
	for story, c := range map[string]struct {
		after  time.Duration // when the disk has it; negative: it refuses at once, 0: nobody ever says
		waits  time.Duration
		record string
	}{
		"a quick disk":           {30 * time.Millisecond, 30 * time.Millisecond, `"on_record":true`},
		"a slow disk":            {recordWait - time.Millisecond, recordWait - time.Millisecond, `"on_record":true`},
		"a disk that never says": {0, recordWait, `"on_record":false`},
		"a disk that is full":    {-1, 0, `"on_record":false`},
	} {
		for _, o := range orders {
			synctest.Test(t, func(t *testing.T) {
				s := newServer(t, newDesk(t), func(opts *Options) {
					opts.Audit = func(Deed) *Receipt {
						r := NewReceipt()
						switch {
						case c.after > 0:
							time.AfterFunc(c.after, func() { r.Settle(true) })
						case c.after < 0:
							r.Settle(false)
						}
						return r
					}
				})
				r := careful(s, request("POST", o.path, o.body))
				again := request("POST", o.path, o.body)
				again.Header = r.Header.Clone()
				began := time.Now()
				status, _, text := ask(t, s, r)
				if took := time.Since(began); status != http.StatusAccepted || took != c.waits || !strings.Contains(text, c.record) {
					t.Errorf("%s, %s: %d %s after %v; want %s after %v", story, o.path, status, text, took, c.record, c.waits)
				}
				// A repetition gets the first answer, with what has become of the deed since.
				if status, _, text := ask(t, s, again); status != http.StatusAccepted || !strings.Contains(text, c.record) {
					t.Errorf("%s, %s again: %d %s", story, o.path, status, text)
				}
				began = time.Now()
				if status, _, _ := ask(t, s, request("POST", stopPath, "")); status != http.StatusOK || time.Since(began) != 0 {
					t.Errorf("%s: Stop answered %d after %v", story, status, time.Since(began))
				}
			})
		}
	}
}

// TestTheNextCommandDoesNotWaitForTheDeedOfTheOneBefore: what waits is the answer, not the machine.
func TestTheNextCommandDoesNotWaitForTheDeedOfTheOneBefore(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t)
		s := newServer(t, d, func(o *Options) { o.Audit = func(Deed) *Receipt { return NewReceipt() } })
		first, second := careful(s, request("POST", "/api/v1/hold", "{}")), careful(s, request("POST", "/api/v1/hold", "{}"))
		second.Header.Set("Idempotency-Key", "another-command")
		go recorded(s, first)
		go recorded(s, second)
		synctest.Wait()
		if _, n := d.counts(); n != 2 {
			t.Errorf("%d commands carried out before any deed is on record; want 2", n)
		}
		time.Sleep(2 * recordWait)
	})
}

func TestAClockOnTheWallThatIsPutBackSilencesNoStop(t *testing.T) {
	c, d := newClock(), newDesk(t)
	var deeds []string
	wall := time.Duration(0)
	now := func() time.Time { return stepped(c.now(), wall) }
	s := newServer(t, d, func(o *Options) {
		o.Now, o.Audit = now, func(e Deed) *Receipt { deeds = append(deeds, e.Code); return nil }
	})
	for _, wall = range []time.Duration{0, -time.Hour, 50 * 365 * 24 * time.Hour, -50 * 365 * 24 * time.Hour} {
		c.pass(2 * time.Second)
		ask(t, s, request("POST", stopPath, ""))
		ask(t, s, request("POST", stopPath, "")) // at once again: one deed
	}
	if len(deeds) != 4 {
		t.Errorf("%d Stops on record; 4 were pressed more than a second apart", len(deeds))
	}
}

// clockReading is what a time.Time is made of when it comes from the system: the clock on the wall in the first word, the one that only goes
// forward in the second. Package time lets nobody set them apart, but that is what happens when the clock on the wall is put.
type clockReading struct {
	wall uint64
	ext  int64
	loc  *time.Location
}

// stepped returns a reading whose label is off by step, while differences still count from mono.
func stepped(mono time.Time, step time.Duration) time.Time {
	label := mono.Add(step)
	since1885 := label.Unix() - time.Date(1885, 1, 1, 0, 0, 0, 0, time.UTC).Unix()
	r := clockReading{1<<63 | uint64(since1885)<<30 | uint64(label.Nanosecond()), mono.UnixNano(), time.UTC}
	return *(*time.Time)(unsafe.Pointer(&r))
}

func TestASteppedReadingCountsOnAndIsLabelledWrong(t *testing.T) {
	at := time.Date(2026, 5, 4, 10, 0, 0, 0, time.UTC)
	for _, step := range []time.Duration{time.Second, -time.Hour, 50 * 365 * 24 * time.Hour} {
		a, b := stepped(at, 0), stepped(at.Add(7*time.Second), step)
		if b.Sub(a) != 7*time.Second || !b.Round(0).Equal(at.Add(7*time.Second+step)) {
			t.Errorf("%v: %v apart, labelled %v", step, b.Sub(a), b.Round(0))
		}
	}
}
