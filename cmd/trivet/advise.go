package main

import (
	"fmt"
	"strings"

	"trivet/process"
	"trivet/sim/catalog"
	"trivet/sim/plant"
)

type adviseCmd struct {
	Board   string  `required:"" help:"A shipped board, or a board file."`
	Machine string  `required:"" help:"A shipped machine, or a machine file."`
	Nozzle  float64 `name:"nozzle-mm" help:"Inner size of the nozzle at hand, mm."`
}

// Run says how to set a board up on a machine: area heaters, nozzle, and what the part's body may reach.
func (c *adviseCmd) Run(e *env) error {
	b, err := named(c.Board, ".", catalog.Board, catalog.ParseBoard)
	if err != nil {
		return err
	}
	m, err := named(c.Machine, ".", catalog.Machine, catalog.ParseMachine)
	if err != nil {
		return err
	}
	fmt.Fprintf(e.out, "%s on %s\n\nArea heaters:\n", b.Title, m.Title)
	for _, a := range process.BanksFor(underBoard(b), banksOf(m)) {
		word := "leave off"
		if a.Use {
			word = "use"
		}
		fmt.Fprintf(e.out, "  %-12s %-10s %s\n", a.Name, word, a.Why)
	}
	p := &b.Package
	want := process.NozzleFor(p.SizeX*1e-3, p.SizeY*1e-3)
	fmt.Fprintf(e.out, "\nNozzle: about %.0f × %.0f mm inside, which leaves %.0f mm on each side (common practice, no source).\n", want.Width*1e3, want.Height*1e3, want.Gap*1e3)
	if c.Nozzle != 0 {
		ok, text := process.CheckNozzle(c.Nozzle*1e-3, c.Nozzle*1e-3, p.SizeX*1e-3, p.SizeY*1e-3)
		fmt.Fprintln(e.out, "  "+text)
		if !ok {
			e.exit = exitOutside
		}
	}
	volume := p.SizeX * p.SizeY * p.Thickness
	for _, leadFree := range []bool{true, false} {
		limit, source := process.BodyClass(leadFree, p.Thickness, volume)
		kind := "tin-lead"
		if leadFree {
			kind = "lead-free"
		}
		fmt.Fprintf(e.out, "Body limit if the label is lost, %s: %s (%s).\n", kind, limit, strings.TrimSuffix(source, "."))
	}
	fmt.Fprintln(e.out, "\nThe machine has mains voltage, air at 400 °C and metal that stays hot: set up with the isolator locked, and let everything cool first.")
	return nil
}

// underBoard is where the board lies, in the coordinates of the emitters: the part sits on the nozzle axis.
func underBoard(b plant.Board) process.Rectangle {
	return process.Rectangle{X: (-b.Package.X + b.OffsetX) * 1e-3, Y: (-b.Package.Y + b.OffsetY) * 1e-3, Width: b.SizeX * 1e-3, Height: b.SizeY * 1e-3}
}

func banksOf(m plant.Machine) []process.HeaterBank {
	var out []process.HeaterBank
	for _, bank := range m.Banks {
		h := process.HeaterBank{Name: bank.Name}
		for _, e := range bank.Emitters {
			h.Emitters = append(h.Emitters, process.Rectangle{X: e.X * 1e-3, Y: e.Y * 1e-3, Width: bank.SizeX * 1e-3, Height: bank.SizeY * 1e-3})
		}
		out = append(out, h)
	}
	return out
}
