package network

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// A circuit simulator solves the same equations: volts for degrees, amperes for watts, farads for J/K.

// netlist writes the network as a circuit whose transient analysis stores every node at every step in out.
func netlist(n *Network, until, step float64, out string) string {
	var b strings.Builder
	name := func(node string) string {
		if node == n.AmbientNode {
			return "ambient"
		}
		for i := range n.Nodes {
			if n.Nodes[i].Name == node {
				return fmt.Sprintf("x%d", i)
			}
		}
		return "unknown"
	}
	fmt.Fprintf(&b, "thermal network\nvamb ambient 0 dc %.17g\n", n.Ambient)
	for i, node := range n.Nodes {
		fmt.Fprintf(&b, "c%d x%d 0 %.17g ic=%.17g\n", i, i, node.C, node.T0)
	}
	for i, r := range n.Resistors {
		fmt.Fprintf(&b, "r%d %s %s %.17g\n", i, name(r.A), name(r.B), r.R)
	}
	for i, s := range n.Sources {
		// A step becomes an edge of a microsecond: at these powers it is worth less than a thousandth of a joule.
		pairs, before := "", 0.0
		for k, st := range s.Steps {
			if k == 0 && st[0] > 0 {
				pairs += " 0 0"
			}
			if st[0] > 0 {
				pairs += fmt.Sprintf(" %.17g %.17g %.17g %.17g", st[0], before, st[0]+1e-6, st[1])
			} else {
				pairs += fmt.Sprintf(" 0 %.17g", st[1])
			}
			before = st[1]
		}
		fmt.Fprintf(&b, "i%d 0 %s pwl(%s)\n", i, name(s.Node), strings.TrimSpace(pairs))
	}
	fmt.Fprintf(&b, ".options reltol=1e-7 abstol=1e-12 vntol=1e-9 trtol=1\n.tran %g %g 0 %g uic\n", step, until, step/20)
	b.WriteString(".control\nset numdgt=12\nset wr_singlescale\nrun\nlinearize\nwrdata " + out)
	for i := range n.Nodes {
		fmt.Fprintf(&b, " v(x%d)", i)
	}
	b.WriteString("\nquit\n.endc\n.end\n")
	return b.String()
}

// circuit runs the netlist and returns one row per step: time, then every node.
func circuit(t *testing.T, n *Network, until, step float64) [][]float64 {
	t.Helper()
	tool, err := exec.LookPath("ngspice")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("ngspice is not installed; in CI this comparison must run")
		}
		t.Skip("ngspice is not installed: the comparison with a circuit simulator is left out")
	}
	dir := t.TempDir()
	in, out := filepath.Join(dir, "net.cir"), "out.txt"
	if err := os.WriteFile(in, []byte(netlist(n, until, step, out)), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(tool, "-b", in)
	cmd.Dir = dir
	if text, err := cmd.CombinedOutput(); err != nil {
		t.Logf("ngspice ended with %v:\n%s", err, text) // some versions do so after a good run; the file decides
	}
	f, err := os.Open(filepath.Join(dir, out))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var rows [][]float64
	for s := bufio.NewScanner(f); s.Scan(); {
		var row []float64
		for _, w := range strings.Fields(s.Text()) {
			v, err := strconv.ParseFloat(w, 64)
			if err != nil {
				t.Fatalf("ngspice wrote %q", s.Text())
			}
			row = append(row, v)
		}
		if len(row) > 0 {
			rows = append(rows, row)
		}
	}
	return rows
}

func TestNetworksAgreeWithACircuitSimulator(t *testing.T) {
	const until, step = 200.0, 0.5
	for _, name := range []string{"part-on-board-4", "random-8", "random-12"} {
		t.Run(name, func(t *testing.T) {
			data, err := os.ReadFile(filepath.Join("../../testdata/networks", name+".json"))
			if err != nil {
				t.Fatal(err)
			}
			n, err := Parse(name+".json", data)
			if err != nil {
				t.Fatal(err)
			}
			rows := circuit(t, n, until, step)
			worst, k, most := 0.0, 0, 0.0
			err = Simulate(n, until, step, func(at float64, temps []float64) {
				if k >= len(rows) || math.Abs(rows[k][0]-at) > 1e-6 || len(rows[k]) != len(temps)+1 {
					t.Fatalf("row %d of %d from ngspice does not fit %g s", k, len(rows), at)
				}
				for i, c := range temps {
					d := math.Abs(c - rows[k][i+1])
					if d > 0.02 {
						t.Errorf("%s at %g s: %.4f, by ngspice %.4f °C", n.Nodes[i].Name, at, c, rows[k][i+1])
					}
					worst, most = max(worst, d), max(most, c)
				}
				k++
			})
			if err != nil {
				t.Fatal(err)
			}
			t.Logf("%d rows of %d nodes up to %.0f °C: worst difference %.5f °C", k, len(n.Nodes), most, worst)
		})
	}
}
