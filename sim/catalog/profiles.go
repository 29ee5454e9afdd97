package catalog

import (
	"embed"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"

	"trivet/process"
	"trivet/process/strict"
	"trivet/process/unit"
)

//go:embed profiles/*.toml
var profileFiles embed.FS

// profileFile is a profile as it is written down. Units are in the names of the keys.
type profileFile struct {
	Name      string        `toml:"name"`
	Title     string        `toml:"title"`
	Kind      string        `toml:"kind"`
	Alloy     string        `toml:"alloy"`
	BodyC     *float64      `toml:"body_limit_c,omitempty"`
	Tolerance *float64      `toml:"tolerance_c,omitempty"`
	Segments  []segmentFile `toml:"segment"`
}

// segmentFile is one [[segment]]. Keys that are left out are 0 or false, which means "do not": no hold, no wait, no lift.
type segmentFile struct {
	Name   string  `toml:"name"`
	Target float64 `toml:"target_c"`
	Ramp   float64 `toml:"ramp_c_per_s"`
	Hold   float64 `toml:"hold_s,omitempty"`
	Wait   float64 `toml:"wait_within_c,omitempty"`
	Lift   bool    `toml:"lift,omitempty"`
	Cool   bool    `toml:"cool,omitempty"`
}

// ParseProfile reads and checks one profile file. Its error, of type strict.Problems, lists every problem with its
// line. What is unwise but allowed is told by the profile's Warnings.
func ParseProfile(file string, data []byte) (process.Profile, error) {
	var f profileFile
	if err := strict.Decode(file, data, &f); err != nil {
		return process.Profile{}, err
	}
	// The file says what a profile is called and measured in; what makes a sound one is known to package process, and
	// only there, so that a profile sent over the network meets the same rules.
	p := process.Profile{Name: f.Name, Title: f.Title, Kind: process.Kind(f.Kind)}
	var wrong process.Problems
	alloy, known := process.AlloyByName(f.Alloy)
	if p.Alloy = alloy; !known {
		wrong = append(wrong, process.Problem{Key: "alloy", What: fmt.Sprintf("is %q, which is not known", f.Alloy), Allowed: process.AlloyNames()})
	}
	// A profile keeps 0 for "not said"; a file that says 0 is mistaken.
	given := func(key string, v *float64, allowed string) float64 {
		if v == nil {
			return 0
		}
		if *v == 0 {
			wrong = append(wrong, process.Problem{Key: key, What: "is 0", Allowed: allowed})
		}
		return *v
	}
	p.BodyLimit = unit.Celsius(given("body_limit_c", f.BodyC, "100 to 300, or left out"))
	p.Tolerance = unit.Kelvin(given("tolerance_c", f.Tolerance, "1 to 25, or left out"))
	for _, s := range f.Segments {
		p.Segments = append(p.Segments, process.Segment{Name: s.Name, Target: unit.Celsius(s.Target), Ramp: unit.KelvinPerSecond(s.Ramp),
			Hold: seconds(s.Hold), WaitWithin: unit.Kelvin(s.Wait), Lift: s.Lift, Cool: s.Cool})
	}
	// Both kinds of problem are told together, those of the file and those of the profile.
	checked, err := process.NewProfile(p)
	var more process.Problems
	if errors.As(err, &more) {
		for _, m := range more {
			if known || m.Key != "alloy" { // an unknown alloy has been told about, with the ones that are known
				wrong = append(wrong, m)
			}
		}
	}
	if len(wrong) > 0 {
		return process.Profile{}, placed(file, data, wrong)
	}
	return checked, nil
}

// seconds turns a number of seconds into a duration. What no profile may hold stays what no profile may hold,
// instead of wrapping round to something that looks sound.
func seconds(s float64) time.Duration {
	return time.Duration(math.Round(max(-1e6, min(1e6, s)) * float64(time.Second)))
}

// placed gives each problem the line of its key. Whoever forgot a key is told that, and not that its value is 0.
func placed(file string, data []byte, wrong process.Problems) strict.Problems {
	var out strict.Problems
	lines := strict.LinesOf(data)
	for _, p := range wrong {
		aboutValue := strings.HasPrefix(p.What, "is ") || strings.HasPrefix(p.What, "has ") || strings.HasPrefix(p.What, "there are ")
		if aboutValue && !lines.Present(p.Key) {
			p.What = "is missing"
		}
		out = append(out, strict.Problem{File: file, Line: lines.At(p.Key), Key: p.Key, What: p.What, Allowed: p.Allowed})
	}
	return out
}

// ProfileTOML writes a valid profile as a file that ParseProfile reads back to the same profile: a run keeps the exact
// text of what it followed. Comments of the file it came from are lost.
func ProfileTOML(p process.Profile) string {
	f := profileFile{Name: p.Name, Title: p.Title, Kind: string(p.Kind), Alloy: p.Alloy.Name}
	if limit, ok := p.Body(); ok {
		c := float64(limit)
		f.BodyC = &c
	}
	// What is the default is left out, as a person would leave it out.
	if p.Tolerance != process.DefaultTolerance {
		k := float64(p.Tolerance)
		f.Tolerance = &k
	}
	for _, s := range p.Segments {
		f.Segments = append(f.Segments, segmentFile{Name: s.Name, Target: float64(s.Target), Ramp: float64(s.Ramp),
			Hold: s.Hold.Seconds(), Wait: float64(s.WaitWithin), Lift: s.Lift, Cool: s.Cool})
	}
	data, err := toml.Marshal(f)
	if err != nil {
		return "" // plain numbers and text always can be written
	}
	return string(data)
}

// Profile returns a shipped profile, or an error that lists what is shipped.
func Profile(name string) (process.Profile, error) {
	data, err := profileFiles.ReadFile("profiles/" + name + ".toml")
	if err != nil {
		return process.Profile{}, fmt.Errorf("no profile %q is shipped; there are %s", name, strings.Join(Profiles(), ", "))
	}
	return ParseProfile(name+".toml", data)
}

// Profiles lists the names of the shipped profiles, in alphabetical order.
func Profiles() []string { return names(profileFiles, "profiles") }
