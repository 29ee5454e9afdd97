package guest

import (
	"fmt"
	"strings"
	"time"
)

// Prefixes of the lines by which the guest tells the host what came out. Everything else on its serial line is the kernel's, or for people.
const (
	tagCheck    = "RIG check "
	tagFigure   = "RIG figure "
	tagDone     = "RIG done "
	tagWatchdog = "RIG watchdog armed "
	reset       = "softdog: Initiating system reboot" // the kernel's own words, drivers/watchdog/softdog.c
)

// Check tells one check: ok or not, what was promised, and what was seen.
func Check(ok bool, promise, seen string) string {
	word := "ok"
	if !ok {
		word = "FAILED"
	}
	return fmt.Sprintf("%s%s: %s (%s)", tagCheck, word, oneLine(promise), oneLine(seen))
}

// Figure tells something measured that is no check.
func Figure(name, value string) string {
	return fmt.Sprintf("%s%s = %s", tagFigure, oneLine(name), oneLine(value))
}

// Done is the closing line, without which nothing counts.
func Done(checks, failed int) string {
	return fmt.Sprintf("%schecks=%d failed=%d", tagDone, checks, failed)
}

// WatchdogArmed announces that nothing feeds the watchdog from now on: the kernel must reset the guest.
func WatchdogArmed(timeout time.Duration) string { return tagWatchdog + timeout.String() }

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// Report is what the host has understood of a guest's serial line.
type Report struct {
	Checks, Failed int      // counted line by line
	Lines          []string // checks and figures, as they came
	Closed         bool     // the closing line came
	Armed, Reset   bool     // the watchdog was left unfed, and after that the kernel said that it resets

	said, saidFailed int // by the closing line
}

// Take reads one line from the guest and reports whether it was meant for the host.
func (r *Report) Take(line string) bool {
	line = strings.TrimRight(line, "\r\n")
	switch {
	case strings.HasPrefix(line, tagCheck):
		r.Checks++
		if !strings.HasPrefix(line, tagCheck+"ok: ") {
			r.Failed++
		}
	case strings.HasPrefix(line, tagFigure):
	case strings.HasPrefix(line, tagDone):
		_, err := fmt.Sscanf(line, tagDone+"checks=%d failed=%d", &r.said, &r.saidFailed)
		r.Closed = err == nil
		return true
	case strings.HasPrefix(line, tagWatchdog):
		r.Armed = true
		return true
	case strings.Contains(line, reset):
		r.Reset = r.Armed
		return true
	default:
		return false
	}
	r.Lines = append(r.Lines, strings.TrimPrefix(line, "RIG "))
	return true
}

// Err returns why the report is no pass: no closing line, nothing checked, a failure, counts that differ (lines were lost), or, if a
// watchdog is expected, no reset by it.
func (r *Report) Err(watchdog bool) error {
	switch {
	case !r.Closed:
		return fmt.Errorf("the guest's closing line is missing: %d checks were seen before it fell silent", r.Checks)
	case r.said == 0:
		return fmt.Errorf("the guest has checked nothing")
	case r.said != r.Checks || r.saidFailed != r.Failed:
		return fmt.Errorf("the guest says %d checks and %d failures; %d and %d arrived", r.said, r.saidFailed, r.Checks, r.Failed)
	case r.Failed > 0:
		return fmt.Errorf("%d of %d checks failed", r.Failed, r.Checks)
	case watchdog && !r.Armed:
		return fmt.Errorf("the guest never came to the watchdog")
	case watchdog && !r.Reset:
		return fmt.Errorf("the watchdog did not reset the guest")
	}
	return nil
}
