package main

import (
	"fmt"
	"io"
	"text/tabwriter"

	"trivet/api"
)

// printCommissioning says what was proven and measured, in tables.
func printCommissioning(out io.Writer, v *api.CommissioningView) error {
	r := &v.Result
	fmt.Fprintln(out)
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "step\tstate\twhat was found")
	for _, s := range v.Steps {
		fmt.Fprintf(w, "%s\t%s\t%s\n", s.Title, s.State, s.Text)
	}
	if len(r.Loops) > 0 {
		fmt.Fprintln(w, "\nheater\tgain\tinertia s/K\tKp 1/K\tTi s\tband K\tslope K/s\tfit K rms\tadds K\tof K")
		for _, l := range r.Loops {
			fmt.Fprintf(w, "%s\t%.4g\t%.4g\t%.3g\t%.0f\t%.0f\t%.2f\t%.2f\t%.1f\t%.0f\n",
				l.Heater, l.Gain, l.InertiaSPK, l.KpPerK, l.TiS, l.BandK, l.SlopeKPerS, l.FitRMSK, l.NeedsK, l.MarginK)
		}
	}
	if len(r.Noise) > 0 {
		fmt.Fprintln(w, "\nsensor\tat rest K rms")
		for _, n := range r.Noise {
			if n.Known {
				fmt.Fprintf(w, "%s\t%.2f\n", n.Sensor, n.KRMS)
			} else {
				fmt.Fprintf(w, "%s\tdid not read\n", n.Sensor)
			}
		}
	}
	if len(r.Blowers) > 0 {
		fmt.Fprintln(w, "\nblower\tproof came s\twent s")
		for _, b := range r.Blowers {
			switch {
			case b.Proven:
				fmt.Fprintf(w, "%s\t%.1f\t%.1f\n", b.Name, b.CameS, b.WentS)
			case b.Proof:
				fmt.Fprintf(w, "%s\tnot proven\t\n", b.Name)
			default:
				fmt.Fprintf(w, "%s\tnone fitted\t\n", b.Name)
			}
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(out)
	for _, f := range r.Findings {
		fmt.Fprintf(out, "Found: %s %s\n", f.Text, f.Do)
	}
	fmt.Fprintf(out, "%s %s\n", v.Text, v.Do)
	if v.ProofTest.Due {
		fmt.Fprintln(out, v.ProofTest.Text)
	}
	if v.Unsaved != "" {
		fmt.Fprintf(out, "Not saved: %s.\n", v.Unsaved)
	}
	return nil
}
