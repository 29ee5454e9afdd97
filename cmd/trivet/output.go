package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"trivet/process/unit"
	"trivet/sim/bench"
	"trivet/sim/network"
)

// writeRun writes samples.csv and summary.json.
func writeRun(dir string, r *bench.Result) error {
	f, err := os.Create(filepath.Join(dir, "samples.csv"))
	if err != nil {
		return err
	}
	w := bufio.NewWriterSize(f, 1<<16)
	if err := writeSamples(w, r); err != nil {
		f.Close()
		return err
	}
	if err := w.Flush(); err != nil {
		f.Close()
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	data, err := json.MarshalIndent(&r.Summary, "", "  ")
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(dir, "summary.json"), append(data, '\n'), 0o644)
}

// suffixes spell a channel's unit in a column name.
var suffixes = map[string]string{"°C": "_c", "s": "_s", "W": "_w"}

// writeSamples writes one row per tick: what the station recorded, then the plant's truth. A reading that is not good is
// an empty cell, never a number.
func writeSamples(w io.Writer, r *bench.Result) error {
	names := []string{"time_s"}
	for _, c := range r.Channel {
		names = append(names, strings.ReplaceAll(strings.ReplaceAll(c.Name, ":", "_"), "-", "_")+suffixes[c.Unit])
	}
	names = append(names, "true_joint_corner_c", "true_joint_centre_c", "true_package_top_c", "true_board_max_c", "true_element_top_c", "true_element_bottom_c")
	if _, err := fmt.Fprintln(w, strings.Join(names, ",")); err != nil {
		return err
	}
	var line []byte
	for i := range r.Rows {
		row := &r.Rows[i]
		line = strconv.AppendFloat(line[:0], row.At.Seconds(), 'f', 1, 64)
		for k := range r.Channel {
			line = append(line, ',')
			if row.Quality[k] == unit.Good {
				line = strconv.AppendFloat(line, float64(row.Values[k]), 'f', 3, 32)
			}
		}
		t := &row.Truth
		for _, v := range [...]unit.Celsius{t.CornerJoint, t.CentreJoint, t.PackageTop, t.BoardMax, t.ElementTop, t.ElementBottom} {
			line = append(line, ',')
			line = strconv.AppendFloat(line, float64(v), 'f', 3, 64)
		}
		line = append(line, '\n')
		if _, err := w.Write(line); err != nil {
			return err
		}
	}
	return nil
}

// writeNetwork writes the transient of a thermal network as CSV: time_s and one column per node, °C.
func writeNetwork(out io.Writer, n *network.Network, until, step float64) error {
	w := bufio.NewWriter(out)
	names := []string{"time_s"}
	for _, node := range n.Nodes {
		names = append(names, node.Name)
	}
	if _, err := fmt.Fprintln(w, strings.Join(names, ",")); err != nil {
		return err
	}
	var line []byte
	var failed error
	err := network.Simulate(n, until, step, func(t float64, temps []float64) {
		line = strconv.AppendFloat(line[:0], t, 'f', -1, 64)
		for _, c := range temps {
			line = append(line, ',')
			line = strconv.AppendFloat(line, c, 'f', 6, 64)
		}
		line = append(line, '\n')
		if _, err := w.Write(line); err != nil && failed == nil {
			failed = err
		}
	})
	if err != nil {
		return err
	}
	if failed != nil {
		return failed
	}
	return w.Flush()
}

// bar is a progress bar; it shows nothing when its writer is not a terminal.
type bar struct {
	w    io.Writer
	name string
	on   bool
	last time.Time
}

func newBar(w io.Writer, name string) *bar {
	b := &bar{w: w, name: name}
	if f, ok := w.(*os.File); ok {
		if st, err := f.Stat(); err == nil {
			b.on = st.Mode()&os.ModeCharDevice != 0
		}
	}
	return b
}

func (b *bar) show(done, total time.Duration) {
	if !b.on || time.Since(b.last) < 50*time.Millisecond {
		return
	}
	b.last = time.Now()
	const width = 32
	full := int(width * min(1, done.Seconds()/max(1, total.Seconds())))
	fmt.Fprintf(b.w, "\r%s [%s%s] %s of about %s ", b.name, strings.Repeat("=", full), strings.Repeat(" ", width-full), clock(done), clock(total))
}

func (b *bar) done() {
	if b.on {
		fmt.Fprint(b.w, "\r\x1b[K")
	}
}

func clock(d time.Duration) string {
	s := int(d.Seconds())
	return fmt.Sprintf("%d:%02d", s/60, s%60)
}
