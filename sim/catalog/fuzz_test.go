package catalog

import (
	"embed"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"trivet/process/strict"
	"trivet/sim/plant"
)

// longestFile bounds the work of one input. Some limits on how much is looked at lie with strict; placing a problem costs as
// much as reading the file, and a file of this size has room for a few hundred of them.
const longestFile = 8 << 10

// family is one kind of file: where the shipped ones are, and what must hold of one that is accepted.
type family struct {
	dir   string
	files embed.FS
	names func() []string
	check func(t *testing.T, data []byte) error
}

func families() []family {
	return []family{
		{"machines", machineFiles, Machines, checkMachine}, {"boards", boardFiles, Boards, checkBoard},
		{"scenarios", scenarioFiles, Scenarios, checkScenario}, {"profiles", profileFiles, Profiles, checkProfile},
	}
}

func (f family) file(t testing.TB, i int) []byte {
	t.Helper()
	names := f.names()
	data, err := f.files.ReadFile(f.dir + "/" + names[i%len(names)] + ".toml")
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// checkMachine: what is accepted can be simulated with a shipped board, and stays a number at full power.
func checkMachine(t *testing.T, data []byte) error {
	m, err := ParseMachine("f.toml", data)
	if err != nil {
		return err
	}
	if !(m.MainsBudgetW > 0 && m.MainsBudgetW <= 20000) || m.Heaters() > plant.MaxHeaters {
		t.Fatalf("accepted %+v", m)
	}
	b, err := Board("thin-4-layer")
	if err != nil {
		t.Fatal(err)
	}
	heat(t, m, b)
	return nil
}

func checkBoard(t *testing.T, data []byte) error {
	b, err := ParseBoard("f.toml", data)
	if err != nil {
		return err
	}
	m, err := Machine("kitchen-1k4")
	if err != nil {
		t.Fatal(err)
	}
	heat(t, m, b)
	return nil
}

// heat runs a plant for a second at full power: nothing may leave what a rework machine can be.
func heat(t *testing.T, m plant.Machine, b plant.Board) {
	t.Helper()
	p, err := plant.New(m, b, 25)
	if err != nil {
		t.Fatalf("accepted, but not to be simulated: %v", err)
	}
	d := plant.Drive{Fan: 0, Mains: 1}
	for i := range d.Heater {
		d.Heater[i] = 1
	}
	d.Blower[0], d.Blower[1] = 1, 1
	p.Step(time.Second, d)
	tr := p.Truth()
	for name, c := range map[string]float64{"joint": float64(tr.CornerJoint), "coldest": float64(tr.ColdestJoint), "top": float64(tr.PackageTop), "board": float64(tr.BoardMax),
		"neighbour": float64(tr.Neighbour), "nozzle": float64(tr.NozzleTop), "element": float64(tr.ElementTop), "deck": float64(tr.Deck)} {
		if !(c > 24 && c < 2000) {
			t.Fatalf("after a second the %s is at %v °C", name, c)
		}
	}
}

func checkScenario(t *testing.T, data []byte) error {
	s, err := ParseScenario("f.toml", data)
	if err != nil {
		return err
	}
	if s.Name == "" || s.Machine == "" || s.Board == "" || s.Profile == "" || !IsLaw(s.Law) || !(s.AmbientC >= 5 && s.AmbientC <= 45) || !(s.ContinueRunS >= 0 && s.ContinueRunS <= 3600) {
		t.Fatalf("accepted %+v", s)
	}
	last := -1.0
	for _, step := range s.Schedule {
		if !(step.AtS > last && step.AtS <= 10800) {
			t.Fatalf("accepted a step at %v after %v", step.AtS, last)
		}
		last = step.AtS
		for _, duty := range step.Duty {
			if !(duty >= 0 && duty <= 1) {
				t.Fatalf("accepted a duty of %v", duty)
			}
		}
	}
	for _, f := range s.Faults {
		if f.Validate() != nil || math.IsNaN(f.Value) {
			t.Fatalf("accepted %+v", f)
		}
	}
	return nil
}

func checkProfile(t *testing.T, data []byte) error {
	p, err := ParseProfile("f.toml", data)
	if err != nil {
		return err
	}
	if back, err := ParseProfile("back.toml", []byte(ProfileTOML(p))); err != nil || len(back.Segments) != len(p.Segments) {
		t.Fatalf("written and read again: %v", err)
	}
	return nil
}

// refused checks that a person can find the mistake.
func refused(t *testing.T, data []byte, err error) {
	t.Helper()
	var p strict.Problems
	if !errors.As(err, &p) || len(p) == 0 {
		t.Fatalf("%T: %v", err, err)
	}
	for _, one := range p {
		if one.File != "f.toml" || one.What == "" || one.Line < 0 || one.Line > 2+strings.Count(string(data), "\n") {
			t.Fatalf("%+v", one)
		}
	}
}

// Whatever is in a file of any kind: it is refused with its mistakes, or what it describes can be used.
func FuzzParse(f *testing.F) {
	for kind, fam := range families() {
		for i := range fam.names() {
			f.Add(byte(kind), fam.file(f, i))
		}
	}
	f.Fuzz(func(t *testing.T, kind byte, data []byte) {
		data = data[:min(len(data), longestFile)]
		fam := families()[int(kind)%4]
		if err := fam.check(t, data); err != nil {
			refused(t, data, err)
		}
	})
}

// The same for a shipped file in which the value of one key is another: most such files are nearly right, which bytes at random
// hardly ever are.
func FuzzShippedFileWithOneValueChanged(f *testing.F) {
	for kind := range families() {
		f.Add(byte(kind), byte(0), uint16(5), "1e3")
		f.Add(byte(kind), byte(1), uint16(9), "nan")
		f.Add(byte(kind), byte(2), uint16(12), "\"x\"")
		f.Add(byte(kind), byte(3), uint16(20), "0")
	}
	f.Fuzz(func(t *testing.T, kind, file byte, line uint16, value string) {
		fam := families()[int(kind)%4]
		lines := strings.Split(string(fam.file(t, int(file))), "\n")
		at := int(line) % len(lines)
		key, _, found := strings.Cut(lines[at], "=")
		if !found || len(value) > 200 {
			return
		}
		lines[at] = key + "= " + value
		data := []byte(strings.Join(lines, "\n"))
		if err := fam.check(t, data); err != nil {
			refused(t, data, err)
		}
	})
}
