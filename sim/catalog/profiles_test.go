package catalog

import (
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"trivet/process"
	"trivet/process/strict"
)

func TestEveryShippedProfileIsReadAndWarnsOfNothing(t *testing.T) {
	if len(Profiles()) < 4 {
		t.Errorf("only %v are shipped", Profiles())
	}
	for _, name := range Profiles() {
		p, err := Profile(name)
		if err != nil {
			t.Error(err)
			continue
		}
		if p.Name != name {
			t.Errorf("%s calls itself %s", name, p.Name)
		}
		if w := p.Warnings(); len(w) > 0 {
			t.Errorf("%s: %q", name, w)
		}
		plan, err := process.NewPlan(p, 25)
		if err != nil {
			t.Error(err)
			continue
		}
		t.Logf("%-26s %v to the peak of %v, %v in all", name, plan.PeakAt().Round(time.Second), p.Peak(), plan.Total())
	}
	if _, err := Profile("no-such"); err == nil || !strings.Contains(err.Error(), "removal-heavy-lead-free") {
		t.Errorf("got %v; want the names that are shipped", err)
	}
}

func TestTheHeavyRemovalIsAsPractitionersDoIt(t *testing.T) { // common practice: 6–7 minutes, five stages, at most 0.7 °C/s
	p, err := Profile("removal-heavy-lead-free")
	if err != nil {
		t.Fatal(err)
	}
	plan, err := process.NewPlan(p, 25)
	if err != nil {
		t.Fatal(err)
	}
	lift, ok := plan.LiftSegment()
	if heating := plan.HoldEnd(lift); !ok || heating < 6*time.Minute || heating > 7*time.Minute {
		t.Errorf("heats for %v", heating)
	}
	if len(p.Segments) != 5 || p.Peak() != 238 {
		t.Errorf("%d stages, peak %v", len(p.Segments), p.Peak())
	}
	for _, s := range p.Segments {
		if !s.Cool && s.Ramp > 0.7 {
			t.Errorf("%s ramps at %v", s.Name, s.Ramp)
		}
	}
}

func TestAProfileWrittenAndReadBackIsTheSame(t *testing.T) {
	for _, name := range Profiles() {
		p, err := Profile(name)
		if err != nil {
			t.Fatal(err)
		}
		p.Title = "quotes \" ' and \\ and °C"
		p.Tolerance = 3.25
		p.Segments[0].Hold = 1234567890 * time.Nanosecond
		back, err := ParseProfile("back.toml", []byte(ProfileTOML(p)))
		if err != nil {
			t.Fatalf("%v\n%s", err, ProfileTOML(p))
		}
		if !reflect.DeepEqual(back, p) {
			t.Errorf("got %+v\nwant %+v", back, p)
		}
	}
}

// One file for each mistake, its first line being what a person is to read. The rest may follow on further lines.
func TestEachBadProfileGetsItsMessage(t *testing.T) {
	files, err := filepath.Glob("../../testdata/profiles/bad-*.toml")
	if err != nil || len(files) < 10 {
		t.Fatalf("%d bad profiles, %v", len(files), err)
	}
	for _, path := range files {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		first, _, _ := strings.Cut(string(data), "\n")
		want := strings.TrimPrefix(first, "# ")
		_, err = ParseProfile(filepath.Base(path), data)
		var wrong strict.Problems
		if !errors.As(err, &wrong) {
			t.Errorf("%s: %v", path, err)
			continue
		}
		if got, _, _ := strings.Cut(err.Error(), "\n"); got != want {
			t.Errorf("got  %s\nwant %s", got, want)
		}
	}
}

func FuzzAProfileThatIsAcceptedCanBePlannedAndWrittenBack(f *testing.F) {
	for _, name := range Profiles() {
		data, err := profileFiles.ReadFile("profiles/" + name + ".toml")
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := ParseProfile("f.toml", data)
		if err != nil {
			return
		}
		plan, err := process.NewPlan(p, min(25, p.Segments[0].Target))
		if err != nil {
			t.Fatalf("accepted, but not to be planned: %v", err)
		}
		if plan.Total() > process.MaxDuration+time.Hour {
			t.Fatalf("a plan of %v", plan.Total())
		}
		p.Warnings()
		back, err := ParseProfile("back.toml", []byte(ProfileTOML(p)))
		if err != nil || !reflect.DeepEqual(back, p) {
			t.Fatalf("%v: %+v\nwant %+v", err, back, p)
		}
	})
}
