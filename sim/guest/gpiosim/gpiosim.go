// Package gpiosim makes a bank of GPIO lines with the kernel's own simulator (gpio-sim) and is the world's side of them: it sees what a
// program drives and pulls what a program reads. It works through configfs and sysfs only and never requests a line itself, so that
// the kernel's trace holds nothing but the program's calls.
package gpiosim

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// kernel is where the kernel keeps these things.
type kernel struct{ configfs, devices, class string }

// mounted is where they are once the file systems are mounted.
func mounted() kernel {
	return kernel{"/sys/kernel/config/gpio-sim", "/sys/devices/platform", "/sys/class/gpio"}
}

// Bank is a simulated GPIO chip.
type Bank struct {
	Label string
	Base  int // the kernel's number of line 0, which its trace uses
	lines []*Line
}

// Line is one line of a bank. One goroutine uses it.
type Line struct {
	Name        string
	Number      int // in the kernel's trace
	value, pull *os.File
}

// New makes a bank with a label and a line for each name, all pulled down. It needs root, configfs mounted and the module loaded.
func New(label string, names []string) (*Bank, error) { return mounted().bank(label, names) }

func (k kernel) bank(label string, names []string) (*Bank, error) {
	dir := filepath.Join(k.configfs, label)
	bank := filepath.Join(dir, "bank0")
	if err := os.MkdirAll(bank, 0o755); err != nil {
		return nil, fmt.Errorf("gpiosim: %w", err)
	}
	set := func(at, what string) error { return os.WriteFile(filepath.Join(bank, at), []byte(what), 0o644) }
	if err := set("num_lines", strconv.Itoa(len(names))); err != nil {
		return nil, fmt.Errorf("gpiosim: %w", err)
	}
	if err := set("label", label); err != nil {
		return nil, fmt.Errorf("gpiosim: %w", err)
	}
	for i, n := range names {
		line := fmt.Sprintf("line%d", i)
		if err := os.MkdirAll(filepath.Join(bank, line), 0o755); err != nil {
			return nil, fmt.Errorf("gpiosim: %w", err)
		}
		if err := set(filepath.Join(line, "name"), n); err != nil {
			return nil, fmt.Errorf("gpiosim: line %q: %w", n, err)
		}
	}
	if err := os.WriteFile(filepath.Join(dir, "live"), []byte("1"), 0o644); err != nil {
		return nil, fmt.Errorf("gpiosim: %w", err)
	}
	return k.open(label, dir, bank, names)
}

// open finds out what the kernel has called the new chip and opens the world's side of each line.
func (k kernel) open(label, dir, bank string, names []string) (*Bank, error) {
	dev, err := word(filepath.Join(dir, "dev_name"))
	if err != nil {
		return nil, err
	}
	chip, err := word(filepath.Join(bank, "chip_name"))
	if err != nil {
		return nil, err
	}
	b := &Bank{Label: label}
	if b.Base, err = k.base(label); err != nil {
		return nil, err
	}
	for i, n := range names {
		at := filepath.Join(k.devices, dev, chip, fmt.Sprintf("sim_gpio%d", i))
		l := &Line{Name: n, Number: b.Base + i}
		if l.value, err = os.Open(filepath.Join(at, "value")); err != nil {
			return nil, fmt.Errorf("gpiosim: %w", err)
		}
		if l.pull, err = os.OpenFile(filepath.Join(at, "pull"), os.O_WRONLY, 0); err != nil {
			return nil, fmt.Errorf("gpiosim: %w", err)
		}
		b.lines = append(b.lines, l)
	}
	return b, nil
}

// base finds the number of the chip's first line in the kernel's flat numbering.
func (k kernel) base(label string) (int, error) {
	chips, err := filepath.Glob(filepath.Join(k.class, "gpiochip*"))
	if err != nil {
		return 0, fmt.Errorf("gpiosim: %w", err)
	}
	for _, c := range chips {
		if l, err := word(filepath.Join(c, "label")); err == nil && l == label {
			w, err := word(filepath.Join(c, "base"))
			if err != nil {
				return 0, err
			}
			return strconv.Atoi(w)
		}
	}
	return 0, fmt.Errorf("gpiosim: the kernel has no chip labelled %q; it has %v", label, chips)
}

func word(path string) (string, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return "", fmt.Errorf("gpiosim: %w", err)
	}
	return strings.TrimSpace(string(b)), nil
}

// Line returns the line with a name; nil if there is none.
func (b *Bank) Line(name string) *Line {
	for _, l := range b.lines {
		if l.Name == name {
			return l
		}
	}
	return nil
}

// Level returns what is on the wire: what a program drives, or the pull.
func (l *Line) Level() (high bool, err error) {
	var b [1]byte
	if _, err := l.value.ReadAt(b[:], 0); err != nil {
		return false, fmt.Errorf("gpiosim: line %s: %w", l.Name, err)
	}
	return b[0] == '1', nil
}

// Pull puts a level on the wire from the world's side, as a contact to supply or ground does. The simulator lets a program's wish for a pull
// resistor win over ours, which no resistor does over a contact; so the wire is looked at, and pulled again where it has gone.
func (l *Line) Pull(high bool) error {
	if is, err := l.Level(); err != nil || is == high {
		return err
	}
	what := "pull-down"
	if high {
		what = "pull-up"
	}
	if _, err := l.pull.WriteAt([]byte(what), 0); err != nil {
		return fmt.Errorf("gpiosim: line %s: %w", l.Name, err)
	}
	return nil
}
