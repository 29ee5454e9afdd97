package main

import "testing"

// What is not there is nil: an interface with nothing in it would be taken for a line.
func TestALineThatIsNotThereIsNoLine(t *testing.T) {
	for _, n := range []string{"/", "soc/", "/GPIO17", "no such chip/no such line"} {
		if p, err := (realBuses{}).Out(n, false); err == nil || p != nil {
			t.Errorf("output %q: %v, %v", n, p, err)
		}
		if p, err := (realBuses{}).In(n); err == nil || p != nil {
			t.Errorf("input %q: %v, %v", n, p, err)
		}
	}
}
