// Package catalog holds the machines, boards and scenarios that are shipped with the program, and reads those that
// people write themselves. All names in it are invented.
//
// It turns files into checked values and does nothing else: it simulates nothing and reads only what is embedded.
package catalog

import (
	"embed"
	"fmt"
	"sort"
	"strings"

	"trivet/process/strict"
	"trivet/sim/plant"
)

//go:embed boards/*.toml
var boardFiles embed.FS

//go:embed machines/*.toml
var machineFiles embed.FS

// Boards returns the names of the shipped boards, sorted.
func Boards() []string { return names(boardFiles, "boards") }

// Machines returns the names of the shipped machines, sorted.
func Machines() []string { return names(machineFiles, "machines") }

// Board returns the shipped board of that name; the error lists the names there are.
func Board(name string) (plant.Board, error) {
	data, err := shipped(boardFiles, "boards", "board", name)
	if err != nil {
		return plant.Board{}, err
	}
	return ParseBoard(name+".toml", data)
}

// Machine returns the shipped machine of that name; the error lists the names there are.
func Machine(name string) (plant.Machine, error) {
	data, err := shipped(machineFiles, "machines", "machine", name)
	if err != nil {
		return plant.Machine{}, err
	}
	return ParseMachine(name+".toml", data)
}

// ParseBoard reads and checks one board file. Its error, of type strict.Problems, lists every mistake with its line.
func ParseBoard(file string, data []byte) (plant.Board, error) {
	var b plant.Board
	if err := strict.Decode(file, data, &b); err != nil {
		return plant.Board{}, err
	}
	if err := blame(file, data, b.Validate()); err != nil {
		return plant.Board{}, err
	}
	return b, nil
}

// ParseMachine reads and checks one machine file. Its error, of type strict.Problems, lists every mistake with its line.
//
// The file of a real machine has a table wiring as well. A simulated one has wires of its own and does not look at it.
func ParseMachine(file string, data []byte) (plant.Machine, error) {
	var m struct {
		plant.Machine
		Wiring map[string]any `toml:"wiring"`
	}
	if err := strict.Decode(file, data, &m); err != nil {
		return plant.Machine{}, err
	}
	if err := blame(file, data, m.Validate()); err != nil {
		return plant.Machine{}, err
	}
	return m.Machine, nil
}

// blame puts file and line to what the plant does not accept.
func blame(file string, data []byte, found []plant.Problem) error {
	if len(found) == 0 {
		return nil
	}
	var wrong strict.Problems
	lines := strict.LinesOf(data)
	for _, p := range found {
		what, allowed, _ := strings.Cut(p.What, ", allowed ")
		wrong = append(wrong, strict.Problem{File: file, Line: lines.At(p.Key), Key: p.Key, What: what, Allowed: allowed})
	}
	sort.SliceStable(wrong, func(i, j int) bool { return wrong[i].Line < wrong[j].Line })
	return wrong
}

// shipped returns the content of one embedded file.
func shipped(files embed.FS, dir, kind, name string) ([]byte, error) {
	for _, n := range names(files, dir) {
		if n == name {
			return files.ReadFile(dir + "/" + name + ".toml")
		}
	}
	return nil, fmt.Errorf("%s %q is not shipped; allowed: %s", kind, name, strings.Join(names(files, dir), ", "))
}
