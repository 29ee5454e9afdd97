package hostbus

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"periph.io/x/conn/v3/driver/driverreg"
	"periph.io/x/host/v3"
)

// Driver is a driver of periph that is not in use, and why.
type Driver struct {
	Name, Reason string
}

// Report is what became of each driver, each list in the order of names.
type Report struct {
	Loaded  []string
	Skipped []Driver // nothing for it to drive: usual for most
	Failed  []Driver // it found something and could not use it
}

// Needed are the drivers that a machine may need: one per kind of bus. All others are for particular boards, drive lines that this program
// takes from the kernel itself, and may fail without harm.
var needed = []string{"sysfs-spi", "sysfs-i2c"}

// Init starts periph's drivers, once in the life of the program; later calls give the same report. The error is for periph itself; a
// driver that failed is no error but in the report, because only the machine file knows whether it is needed.
func Init() (Report, error) {
	state, err := host.Init()
	if state == nil {
		return Report{}, fmt.Errorf("start the bus drivers: %w", err)
	}
	r := reportOf(state)
	if err != nil {
		return r, fmt.Errorf("start the bus drivers: %w", err)
	}
	return r, nil
}

func reportOf(s *driverreg.State) Report {
	var r Report
	for _, d := range s.Loaded {
		r.Loaded = append(r.Loaded, d.String())
	}
	list := func(in []driverreg.DriverFailure) []Driver {
		var out []Driver
		for _, f := range in {
			out = append(out, Driver{f.D.String(), fmt.Sprint(f.Err)})
		}
		slices.SortFunc(out, func(a, b Driver) int { return cmp.Compare(a.Name, b.Name) })
		return out
	}
	slices.Sort(r.Loaded)
	r.Skipped, r.Failed = list(s.Skipped), list(s.Failed)
	return r
}

// Why returns the reason why a driver is not in use, and whether there is one.
func (r Report) Why(driver string) (string, bool) {
	for _, l := range [][]Driver{r.Failed, r.Skipped} {
		for _, d := range l {
			if d.Name == driver {
				return d.Reason, true
			}
		}
	}
	return "", false
}

// Trouble lists, as sentences, the drivers for buses that failed. A bus driver that found no bus is not among them.
func (r Report) Trouble() []string {
	var out []string
	for _, d := range r.Failed {
		if slices.Contains(needed, d.Name) {
			out = append(out, fmt.Sprintf("the bus driver %s failed: %s", d.Name, d.Reason))
		}
	}
	return out
}

// String is for the log: what works, and what failed.
func (r Report) String() string {
	failed := make([]string, len(r.Failed))
	for i, d := range r.Failed {
		failed[i] = d.Name + " (" + d.Reason + ")"
	}
	return fmt.Sprintf("in use: %s; failed: %s; not for this computer: %d", orNone(r.Loaded), orNone(failed), len(r.Skipped))
}

func orNone(l []string) string {
	if len(l) == 0 {
		return "none"
	}
	return strings.Join(l, ", ")
}
