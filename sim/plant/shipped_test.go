package plant

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"trivet/process/strict"
)

// Tests here read the shipped descriptions straight from their files, so that they do not depend on the catalogue.

func read(t testing.TB, kind, name string, out any) {
	t.Helper()
	file := filepath.Join("..", "catalog", kind, name+".toml")
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := strict.Decode(file, data, out); err != nil {
		t.Fatal(err)
	}
}

func machineNamed(t testing.TB, name string) Machine {
	t.Helper()
	var m Machine
	read(t, "machines", name, &m)
	return m
}

func boardNamed(t testing.TB, name string) Board {
	t.Helper()
	var b Board
	read(t, "boards", name, &b)
	return b
}

func boards(t testing.TB) []string {
	t.Helper()
	files, err := filepath.Glob("../catalog/boards/*.toml")
	if err != nil || len(files) < 6 {
		t.Fatalf("found boards %v, %v", files, err)
	}
	for i := range files {
		files[i] = strings.TrimSuffix(filepath.Base(files[i]), ".toml")
	}
	return files
}

func newPlant(t testing.TB, m Machine, b Board) *Plant {
	t.Helper()
	p, err := New(m, b, 25)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

const tick = 100 * time.Millisecond

// full is everything on.
func full() Drive {
	d := Drive{Blower: [2]float64{1, 1}, Mains: 1}
	for i := range d.Heater {
		d.Heater[i] = 1
	}
	return d
}

// cool is heaters off, air and fans on.
func cool() Drive { return Drive{Blower: [2]float64{1, 1}, Fan: 1, Mains: 1} }
