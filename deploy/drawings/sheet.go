package main

import (
	"fmt"
	"html"
	"strings"
)

// sheet is one drawing being made. Lengths are in the drawing's own units, which a browser shows as pixels; y grows downwards.
type sheet struct {
	b strings.Builder
}

// The look of all drawings. A background of its own keeps them readable where pages are dark; no meaning hangs on colour alone.
const (
	ink    = "#1d2733"
	quiet  = "#5a6675"
	hot    = "#b3410a" // mains, and what is heated
	low    = "#0b5a8a" // extra-low voltage
	paper  = "#ffffff"
	hotBed = "#fdf0e7"
	lowBed = "#eaf3fa"
	faces  = "'DejaVu Sans', Verdana, sans-serif"
)

// caution stands on every drawing, because drawings get copied without the text around them.
const caution = "Mains voltage. A drawing of the principle, not for construction. All of it according to local electrical code, by a person qualified and, where required, licensed."

// newSheet begins a drawing. What describes it is for people who have it read to them.
func newSheet(w, h int, title, what string) *sheet {
	s := &sheet{}
	fmt.Fprintf(&s.b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" width="%d" height="%d" role="img" aria-labelledby="t d" font-family="%s" font-size="14">`+"\n", w, h, w, h, faces)
	fmt.Fprintf(&s.b, "<title id=\"t\">%s</title>\n<desc id=\"d\">%s</desc>\n", html.EscapeString(title), html.EscapeString(what))
	fmt.Fprintf(&s.b, `<rect width="%d" height="%d" fill="%s"/>`+"\n", w, h, paper)
	s.says(24, 34, "start", 19, ink, title)
	fmt.Fprintf(&s.b, `<path d="M36 %d l11 19 h-22 z" fill="none" stroke="%s" stroke-width="2"/>`+"\n", h-33, hot)
	s.says(36, h-17, "middle", 12, hot, "!")
	s.says(56, h-18, "start", 12.5, hot, caution)
	return s
}

// String ends the drawing and returns it.
func (s *sheet) String() string { return s.b.String() + "</svg>\n" }

// says puts text with its baseline at y; anchor is start, middle or end of the line.
func (s *sheet) says(x, y int, anchor string, size float64, colour, text string) {
	weight := ""
	if size >= 18 {
		weight = ` font-weight="bold"`
	}
	fmt.Fprintf(&s.b, `<text x="%d" y="%d" text-anchor="%s" font-size="%g" fill="%s"%s>%s</text>`+"\n", x, y, anchor, size, colour, weight, html.EscapeString(text))
}

// lines puts several lines under each other, the first at y.
func (s *sheet) lines(x, y int, anchor string, size float64, colour string, text ...string) {
	for i, t := range text {
		s.says(x, y+int(float64(i)*size*1.3), anchor, size, colour, t)
	}
}

// bed is the ground of one kind of voltage.
func (s *sheet) bed(x, y, w, h int, fill, edge, name string) {
	fmt.Fprintf(&s.b, `<rect x="%d" y="%d" width="%d" height="%d" rx="10" fill="%s" stroke="%s" stroke-dasharray="5 4"/>`+"\n", x, y, w, h, fill, edge)
	s.says(x+14, y+22, "start", 13, edge, name)
}

// box is a thing with a name; the first line of text is what it is, the others say more.
func (s *sheet) box(x, y, w, h int, edge string, text ...string) {
	fmt.Fprintf(&s.b, `<rect x="%d" y="%d" width="%d" height="%d" rx="5" fill="%s" stroke="%s" stroke-width="1.8"/>`+"\n", x, y, w, h, paper, edge)
	const step = 17
	top := y + h/2 - (len(text)-1)*step/2 + 5
	for i, t := range text {
		size, colour := 12.5, quiet
		if i == 0 {
			size, colour = 14, ink
		}
		s.says(x+w/2, top+i*step, "middle", size, colour, t)
	}
}

// wire is a line through the points x1, y1, x2, y2, …
func (s *sheet) wire(colour string, points ...int) { s.trace(colour, 2, "", points...) }

// dashed is a wire that is no wire: a mechanical link, a screen, or air.
func (s *sheet) dashed(colour string, points ...int) {
	s.trace(colour, 1.5, ` stroke-dasharray="6 4"`, points...)
}

func (s *sheet) trace(colour string, width float64, extra string, points ...int) {
	fmt.Fprintf(&s.b, `<path d="%s" fill="none" stroke="%s" stroke-width="%g"%s/>`+"\n", through(points), colour, width, extra)
}

func through(points []int) string {
	var d strings.Builder
	for i := 0; i+1 < len(points); i += 2 {
		fmt.Fprintf(&d, "%c%d %d ", "ML"[min(i, 1)], points[i], points[i+1])
	}
	return strings.TrimSpace(d.String())
}

// arrow is a wire with a head at its end.
func (s *sheet) arrow(colour string, points ...int) {
	n := len(points)
	x, y := points[n-2], points[n-1]
	dx, dy := sign(x-points[n-4]), sign(y-points[n-3])
	const long, half = 9, 5
	short := append([]int(nil), points...)
	short[n-2], short[n-1] = x-dx*long, y-dy*long
	s.wire(colour, short...)
	fmt.Fprintf(&s.b, `<path d="M%d %d L%d %d L%d %d z" fill="%s"/>`+"\n",
		x, y, x-dx*long-dy*half, y-dy*long-dx*half, x-dx*long+dy*half, y-dy*long+dx*half, colour)
}

func sign(v int) int { return max(-1, min(1, v)) }

// dot joins wires that cross.
func (s *sheet) dot(colour string, x, y int) {
	fmt.Fprintf(&s.b, `<circle cx="%d" cy="%d" r="4" fill="%s"/>`+"\n", x, y, colour)
}

// reach is how far a symbol on a horizontal wire goes to each side of its middle.
const reach = 18

// opens is a contact on a horizontal wire that is closed at rest and opens. ground is what it lies on.
func (s *sheet) opens(colour, ground string, x, y int) {
	s.blank(ground, x, y)
	s.wire(colour, x-reach, y, x+reach, y-11)
	s.wire(colour, x+13, y, x+13, y-14)
	s.wire(colour, x+13, y, x+reach, y)
}

// closes is a contact that is open at rest and closes.
func (s *sheet) closes(colour, ground string, x, y int) {
	s.blank(ground, x, y)
	s.wire(colour, x-reach, y, x+reach-4, y-16)
}

// blank interrupts a wire for a symbol.
func (s *sheet) blank(ground string, x, y int) { s.patch(ground, x-reach+1, y-3, 2*reach-2, 6) }

// patch covers what is there.
func (s *sheet) patch(ground string, x, y, w, h int) {
	fmt.Fprintf(&s.b, `<rect x="%d" y="%d" width="%d" height="%d" fill="%s"/>`+"\n", x, y, w, h, ground)
}

// fuse is one on a horizontal wire.
func (s *sheet) fuse(colour string, x, y int) {
	fmt.Fprintf(&s.b, `<rect x="%d" y="%d" width="%d" height="14" fill="%s" stroke="%s" stroke-width="2"/>`+"\n", x-reach, y-7, 2*reach, paper, colour)
	s.wire(colour, x-reach, y, x+reach, y)
}

// load is a resistance on a horizontal wire; wide enough for a letter or two.
func (s *sheet) load(colour string, x, y, half int, text string) {
	fmt.Fprintf(&s.b, `<rect x="%d" y="%d" width="%d" height="22" fill="%s" stroke="%s" stroke-width="2"/>`+"\n", x-half, y-11, 2*half, paper, colour)
	s.says(x, y+5, "middle", 12.5, ink, text)
}

// upright is a resistance on a vertical wire.
func (s *sheet) upright(colour string, x, y int) {
	fmt.Fprintf(&s.b, `<rect x="%d" y="%d" width="14" height="36" fill="%s" stroke="%s" stroke-width="2"/>`+"\n", x-7, y-18, paper, colour)
}

// capacitor is one on a horizontal wire.
func (s *sheet) capacitor(colour string, x, y int) {
	s.patch(lowBed, x-5, y-3, 10, 6)
	s.trace(colour, 3, "", x-5, y-15, x-5, y+15)
	s.trace(colour, 3, "", x+5, y-15, x+5, y+15)
}

// diode is one on a horizontal wire that lets current through to the right.
func (s *sheet) diode(colour string, x, y int) {
	fmt.Fprintf(&s.b, `<path d="M%d %d L%d %d L%d %d z" fill="%s" stroke="%s" stroke-width="2"/>`+"\n", x-9, y-9, x-9, y+9, x+9, y, paper, colour)
	s.wire(colour, x+9, y-10, x+9, y+10)
}

// zero is the common of a circuit, hanging on a wire that ends here; earth is the protective one.
func (s *sheet) zero(colour string, x, y int) { s.trace(colour, 3, "", x-11, y, x+11, y) }

func (s *sheet) earth(x, y int) {
	for i, half := range []int{13, 8, 3} {
		s.trace("#3c7a1e", 2.5, "", x-half, y+5*i, x+half, y+5*i)
	}
}
