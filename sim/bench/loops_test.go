package bench

import (
	"flag"
	"fmt"
	"math"
	"os"
	"testing"

	"trivet/sim/catalog"
)

var update = flag.Bool("update", false, "rewrite stored files after looking at the difference")

// TestStoredLoopsAreWhatAStepTestFinds repeats the step test of every shipped machine and compares with what is stored.
func TestStoredLoopsAreWhatAStepTestFinds(t *testing.T) {
	b, err := catalog.Board("thin-4-layer")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range catalog.Machines() {
		m, err := catalog.Machine(name)
		if err != nil {
			t.Fatal(err)
		}
		found, err := Commission(m, b, 25)
		if err != nil {
			t.Fatal(err)
		}
		if *update {
			text := fmt.Sprintf("# Loop models found by a step test of this machine, one heater at a time. Rewritten by go test -update.\nmachine = %q\n", name)
			for i, z := range found {
				text += fmt.Sprintf("\n[[loop]]\nheater = %q\ngain = %.4g\ninertia_s_per_k = %.4g\nkp_per_k = %.3g\nti_s = %g\n", m.HeaterNames()[i], z.Gain, z.Inertia, z.Kp, z.Ti)
			}
			if err := os.WriteFile("loops/"+name+".toml", []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		stored, known, err := Loops(m)
		if err != nil || !known {
			t.Fatalf("%s: stored %v, %v", name, known, err)
		}
		for i := range found {
			near := func(what string, got, want float64) {
				if math.Abs(got-want) > 0.05*want {
					t.Errorf("%s, %s: %s is stored as %g; a step test finds %g", name, m.HeaterNames()[i], what, got, want)
				}
			}
			near("gain", stored[i].Gain, found[i].Gain)
			near("inertia", stored[i].Inertia, found[i].Inertia)
			near("kp", stored[i].Kp, found[i].Kp)
		}
	}
}
