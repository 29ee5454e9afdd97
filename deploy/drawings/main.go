// Command drawings writes the drawings of the wiring guide as SVG files. It draws and nothing else; what is drawn is said again, and
// with its reasons, in wiring.md.
//
//	go run ./deploy/drawings DIR
package main

import (
	"fmt"
	"os"
	"path/filepath"
)

// drawings are all of them, by the name of their file.
var drawings = []struct {
	name string
	draw func() string
}{
	{"block", block},
	{"heat-chain", chain},
	{"one-shot", oneShot},
	{"heater-circuit", heater},
	{"thermocouples", couples},
	{"boot", boot},
}

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "drawings: say where to write to: drawings DIR")
		os.Exit(2)
	}
	for _, d := range drawings {
		if err := os.WriteFile(filepath.Join(os.Args[1], d.name+".svg"), []byte(d.draw()), 0o644); err != nil {
			fmt.Fprintln(os.Stderr, "drawings:", err)
			os.Exit(1)
		}
	}
}
