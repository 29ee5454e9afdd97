// Package chart writes charts as SVG 1.1, by hand: shapes, text and paths, nothing that runs, and the same bytes for the same input. It knows
// nothing of what is drawn, and is pure: no clock, no I/O.
package chart

import (
	"fmt"
	"html"
	"math"
	"strings"
)

// Drawing writes SVG 1.1 by hand: shapes, text and paths, nothing that runs. Coordinates are in px from the upper left corner.
type Drawing struct{ strings.Builder }

// Begin opens a drawing of w by h px with a title and a description for those who do not see it.
func (d *Drawing) Begin(w, h float64, title, about string) {
	fmt.Fprintf(d, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" width="%g" height="%g" role="img" aria-labelledby="t d" font-family="system-ui, 'DejaVu Sans', sans-serif" font-size="12">`+"\n", w, h, w, h)
	fmt.Fprintf(d, "<title id=\"t\">%s</title>\n<desc id=\"d\">%s</desc>\n", html.EscapeString(title), html.EscapeString(about))
	fmt.Fprintf(d, "<rect width=\"%g\" height=\"%g\" fill=\"#fdfcf9\"/>\n", w, h)
}

// End closes the drawing and returns it.
func (d *Drawing) End() string {
	d.WriteString("</svg>\n")
	return d.String()
}

// Text writes at (x, y); style is further attributes, such as text-anchor.
func (d *Drawing) Text(x, y float64, style, s string) {
	fmt.Fprintf(d, "<text x=\"%s\" y=\"%s\" %s>%s</text>\n", Px(x), Px(y), style, html.EscapeString(s))
}

// Line draws a straight line; style is its attributes.
func (d *Drawing) Line(x1, y1, x2, y2 float64, style string) {
	fmt.Fprintf(d, "<path d=\"M%s %sL%s %s\" %s/>\n", Px(x1), Px(y1), Px(x2), Px(y2), style)
}

// Path draws through points, leaving out those that a straight line hides.
func (d *Drawing) Path(points []Spot, style string) {
	if len(points) < 2 {
		return
	}
	d.WriteString(`<path d="`)
	d.trace(points)
	fmt.Fprintf(d, "\" fill=\"none\" %s/>\n", style)
}

// Band fills between two courses of equal length.
func (d *Drawing) Band(upper, lower []Spot, style string) {
	if len(upper) < 2 || len(upper) != len(lower) {
		return
	}
	around := append([]Spot(nil), straight(upper)...)
	below := straight(lower)
	for i := len(below) - 1; i >= 0; i-- {
		around = append(around, below[i])
	}
	d.WriteString(`<path d="`)
	d.through(around)
	fmt.Fprintf(d, "Z\" %s/>\n", style)
}

func (d *Drawing) trace(points []Spot) { d.through(straight(points)) }

func (d *Drawing) through(points []Spot) {
	for i, p := range points {
		lead := "L"
		if i == 0 {
			lead = "M"
		}
		fmt.Fprintf(d, "%s%s %s", lead, Px(p.X), Px(p.Y))
	}
}

// Spot is a place on the drawing, px.
type Spot struct{ X, Y float64 }

// straight thins a course to the points it needs to stay within a fifth of a pixel (Douglas and Peucker 1973).
func straight(p []Spot) []Spot {
	if len(p) < 3 {
		return p
	}
	const within = 0.2
	keep := make([]bool, len(p))
	keep[0], keep[len(p)-1] = true, true
	todo := [][2]int{{0, len(p) - 1}}
	for len(todo) > 0 {
		a, b := todo[len(todo)-1][0], todo[len(todo)-1][1]
		todo = todo[:len(todo)-1]
		far, at := within, -1
		dx, dy := p[b].X-p[a].X, p[b].Y-p[a].Y
		long := math.Max(math.Hypot(dx, dy), 1e-9)
		for i := a + 1; i < b; i++ {
			if off := math.Abs(dx*(p[i].Y-p[a].Y)-dy*(p[i].X-p[a].X)) / long; off > far {
				far, at = off, i
			}
		}
		if at >= 0 {
			keep[at] = true
			todo = append(todo, [2]int{a, at}, [2]int{at, b})
		}
	}
	var out []Spot
	for i := range p {
		if keep[i] {
			out = append(out, p[i])
		}
	}
	return out
}

// Px spells a coordinate to a tenth of a pixel.
func Px(v float64) string { return strings.TrimSuffix(fmt.Sprintf("%.1f", v), ".0") }

// Axis maps values Lo…Hi to px From…To.
type Axis struct{ Lo, Hi, From, To float64 }

// At is where a value lies, px.
func (a Axis) At(v float64) float64 { return a.From + (v-a.Lo)/(a.Hi-a.Lo)*(a.To-a.From) }

// Ticks returns round values inside the axis, at most about n of them, each a multiple of 1, 2, 2.5 or 5 times a power of ten.
func (a Axis) Ticks(n int) []float64 {
	step := NiceStep((a.Hi - a.Lo) / float64(max(1, n)))
	var out []float64
	for k := math.Ceil(a.Lo/step - 1e-9); k*step <= a.Hi+1e-9*step; k++ {
		out = append(out, k*step+0) // no zero with a sign
	}
	return out
}

// NiceStep is the smallest round step that is not smaller than v; 1 for what is not above 0.
func NiceStep(v float64) float64 {
	if !(v > 0) || math.IsInf(v, 0) {
		return 1
	}
	ten := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range [...]float64{1, 2, 2.5, 5, 10} {
		if m*ten >= v*(1-1e-9) {
			return m * ten
		}
	}
	return 10 * ten
}
