package bench

import (
	"fmt"
	"html"
	"math"
	"strings"
)

// drawing writes SVG 1.1 by hand: shapes, text and paths, nothing that runs. Coordinates are in px from the upper left corner.
type drawing struct{ strings.Builder }

// begin opens a drawing of w by h px with a title and a description for those who do not see it.
func (d *drawing) begin(w, h float64, title, about string) {
	fmt.Fprintf(d, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" width="%g" height="%g" role="img" aria-labelledby="t d" font-family="system-ui, 'DejaVu Sans', sans-serif" font-size="12">`+"\n", w, h, w, h)
	fmt.Fprintf(d, "<title id=\"t\">%s</title>\n<desc id=\"d\">%s</desc>\n", html.EscapeString(title), html.EscapeString(about))
	fmt.Fprintf(d, "<rect width=\"%g\" height=\"%g\" fill=\"#fdfcf9\"/>\n", w, h)
}

func (d *drawing) end() string {
	d.WriteString("</svg>\n")
	return d.String()
}

// text writes at (x, y); style is further attributes, such as text-anchor.
func (d *drawing) text(x, y float64, style, s string) {
	fmt.Fprintf(d, "<text x=\"%s\" y=\"%s\" %s>%s</text>\n", px(x), px(y), style, html.EscapeString(s))
}

func (d *drawing) line(x1, y1, x2, y2 float64, style string) {
	fmt.Fprintf(d, "<path d=\"M%s %sL%s %s\" %s/>\n", px(x1), px(y1), px(x2), px(y2), style)
}

// path draws through points, leaving out those that a straight line hides.
func (d *drawing) path(points []spot, style string) {
	if len(points) < 2 {
		return
	}
	d.WriteString(`<path d="`)
	d.trace(points)
	fmt.Fprintf(d, "\" fill=\"none\" %s/>\n", style)
}

// band fills between two courses of equal length.
func (d *drawing) band(upper, lower []spot, style string) {
	if len(upper) < 2 || len(upper) != len(lower) {
		return
	}
	around := append([]spot(nil), straight(upper)...)
	below := straight(lower)
	for i := len(below) - 1; i >= 0; i-- {
		around = append(around, below[i])
	}
	d.WriteString(`<path d="`)
	d.through(around)
	fmt.Fprintf(d, "Z\" %s/>\n", style)
}

func (d *drawing) trace(points []spot) { d.through(straight(points)) }

func (d *drawing) through(points []spot) {
	for i, p := range points {
		lead := "L"
		if i == 0 {
			lead = "M"
		}
		fmt.Fprintf(d, "%s%s %s", lead, px(p.x), px(p.y))
	}
}

// spot is a place on the drawing, px.
type spot struct{ x, y float64 }

// straight thins a course to the points it needs to stay within a fifth of a pixel (Douglas and Peucker 1973).
func straight(p []spot) []spot {
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
		dx, dy := p[b].x-p[a].x, p[b].y-p[a].y
		long := math.Max(math.Hypot(dx, dy), 1e-9)
		for i := a + 1; i < b; i++ {
			if off := math.Abs(dx*(p[i].y-p[a].y)-dy*(p[i].x-p[a].x)) / long; off > far {
				far, at = off, i
			}
		}
		if at >= 0 {
			keep[at] = true
			todo = append(todo, [2]int{a, at}, [2]int{at, b})
		}
	}
	var out []spot
	for i := range p {
		if keep[i] {
			out = append(out, p[i])
		}
	}
	return out
}

// px spells a coordinate to a tenth of a pixel.
func px(v float64) string { return strings.TrimSuffix(fmt.Sprintf("%.1f", v), ".0") }

// axis maps values lo…hi to px from…to.
type axis struct{ lo, hi, from, to float64 }

func (a axis) at(v float64) float64 { return a.from + (v-a.lo)/(a.hi-a.lo)*(a.to-a.from) }

// ticks returns round values inside the axis, at most about n of them, each a multiple of 1, 2, 2.5 or 5 times a power of ten.
func (a axis) ticks(n int) []float64 {
	step := niceStep((a.hi - a.lo) / float64(max(1, n)))
	var out []float64
	for k := math.Ceil(a.lo/step - 1e-9); k*step <= a.hi+1e-9*step; k++ {
		out = append(out, k*step)
	}
	return out
}

// niceStep is the smallest round step that is not smaller than v; 1 for what is not above 0.
func niceStep(v float64) float64 {
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
