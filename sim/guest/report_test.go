package guest

import (
	"strings"
	"testing"
	"time"
)

func read(lines ...string) *Report {
	r := &Report{}
	for _, l := range lines {
		r.Take(l + "\r")
	}
	return r
}

func TestOnlyACompleteReportWithoutFailuresPasses(t *testing.T) {
	ok, bad := Check(true, "a line stays low", "0 pulses"), Check(false, "a line\nstays low", "1 pulse")
	armed, fired := WatchdogArmed(2*time.Second), "[   12.3] softdog: Initiating system reboot"
	for _, c := range []struct {
		name  string
		lines []string
		dog   bool
		want  string // a part of the error; empty for a pass
	}{
		{"nothing at all", nil, false, "closing line"},
		{"no closing line", []string{ok, ok}, false, "closing line"},
		{"a closing line that is torn", []string{ok, "RIG done checks="}, false, "closing line"},
		{"nothing checked", []string{Done(0, 0)}, false, "nothing"},
		{"lines were lost", []string{ok, Done(2, 0)}, false, "arrived"},
		{"one failed", []string{ok, bad, Done(2, 1)}, false, "1 of 2"},
		{"a failure that the guest does not own up to", []string{ok, bad, Done(2, 0)}, false, "arrived"},
		{"all is well", []string{"[ 0.1] Linux", ok, Figure("boot", "1 s"), ok, Done(2, 0)}, false, ""},
		{"no watchdog", []string{ok, Done(1, 0)}, true, "never came"},
		{"the watchdog sleeps", []string{ok, Done(1, 0), armed}, true, "did not reset"},
		{"a reset before it was armed", []string{ok, fired, Done(1, 0), armed}, true, "did not reset"},
		{"all is well, and the watchdog bites", []string{ok, Done(1, 0), armed, fired}, true, ""},
	} {
		err := read(c.lines...).Err(c.dog)
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v; want %q", c.name, err, c.want)
		}
	}
}

func TestWhatIsForPeopleIsKept(t *testing.T) {
	r := read("noise", Check(true, "promise", "12 ms"), Figure("wall", "3 s"))
	if got := strings.Join(r.Lines, "|"); got != "check ok: promise (12 ms)|figure wall = 3 s" {
		t.Errorf("%q", got)
	}
}
