package network

import (
	"fmt"
	"math"
	"sort"
)

// maxRows is the most steps Simulate will take.
const maxRows = 10_000_000

// Simulate calls emit with the temperatures of all nodes, in °C and in the order of n.Nodes, at 0, step, 2·step …, the last
// not after until, in seconds. The slice is reused; copy what must stay. A source acts from its step's time on,
// wherever that lies between two outputs.
func Simulate(n *Network, until, step float64, emit func(t float64, temps []float64)) error {
	if !(until >= 0 && until <= 1e9) {
		return fmt.Errorf("until is %g s; allowed: 0…1e9 s", until)
	}
	if !(step > 0 && step <= 1e9) {
		return fmt.Errorf("step is %g s; allowed: above 0, at most 1e9 s", step)
	}
	if until/step > maxRows {
		return fmt.Errorf("%g s in steps of %g s are more than %d rows; allowed: a longer step", until, step, maxRows)
	}
	m, err := newModes(n)
	if err != nil {
		return err
	}
	changes := m.changes(n)
	temps := make([]float64, len(n.Nodes))
	rows := int(math.Floor(until/step + 1e-9))
	for k := 0; k <= rows; k++ {
		t := float64(k) * step
		for len(changes) > 0 && changes[0] <= t {
			m.moveTo(changes[0])
			m.drive(n, changes[0])
			changes = changes[1:]
		}
		m.temperatures(t, temps)
		emit(t, temps)
	}
	return nil
}

// modes is the network in its eigenvectors. With S = diag(√C), u = S·(T − ambient) obeys u' = −S⁻¹GS⁻¹u + S⁻¹P. The
// matrix is symmetric, so its eigenvalues λ are real, and each mode y decays on its own: y' = −λy + b.
type modes struct {
	ambient float64
	root    []float64 // √C
	index   map[string]int
	lambda  []float64   // 1/s, 0 for a part of the network that has no way to the ambient
	v       [][]float64 // v[i][k]: node i in mode k
	since   float64     // when y was
	y, b    []float64
	now     []float64 // scratch
}

func newModes(n *Network) (*modes, error) {
	size := len(n.Nodes)
	m := &modes{ambient: n.Ambient, index: map[string]int{}, y: make([]float64, size), b: make([]float64, size), now: make([]float64, size)}
	for i, node := range n.Nodes {
		if !(node.C > 0) {
			return nil, fmt.Errorf("node %q has a heat capacity of %g J/K; allowed: above 0", node.Name, node.C)
		}
		m.index[node.Name] = i
		m.root = append(m.root, math.Sqrt(node.C))
	}
	a := make([][]float64, size)
	for i := range a {
		a[i] = make([]float64, size)
	}
	for _, r := range n.Resistors {
		i, iNode := m.index[r.A]
		j, jNode := m.index[r.B]
		g := 1 / r.R
		if iNode {
			a[i][i] += g / (m.root[i] * m.root[i])
		}
		if jNode {
			a[j][j] += g / (m.root[j] * m.root[j])
		}
		if iNode && jNode {
			a[i][j] -= g / (m.root[i] * m.root[j])
			a[j][i] = a[i][j]
		}
	}
	m.lambda, m.v = eigen(a)
	largest := 0.0
	for _, l := range m.lambda {
		largest = max(largest, l)
	}
	for k, l := range m.lambda {
		if l < largest*1e-15 { // rounding of a mode that cannot decay; none can grow
			m.lambda[k] = 0
		}
	}
	for k := range m.y {
		for i, node := range n.Nodes {
			m.y[k] += m.v[i][k] * m.root[i] * (node.T0 - n.Ambient)
		}
	}
	return m, nil
}

// changes returns the times at which any source steps, in order, each once.
func (m *modes) changes(n *Network) []float64 {
	set := map[float64]bool{}
	for _, s := range n.Sources {
		for _, step := range s.Steps {
			set[step[0]] = true
		}
	}
	var out []float64
	for t := range set {
		out = append(out, t)
	}
	sort.Float64s(out)
	return out
}

// drive sets the input of the modes to the powers that hold from time t on.
func (m *modes) drive(n *Network, t float64) {
	clear(m.b)
	for _, s := range n.Sources {
		power := 0.0
		for _, step := range s.Steps {
			if step[0] <= t {
				power = step[1]
			}
		}
		i := m.index[s.Node]
		for k := range m.b {
			m.b[k] += m.v[i][k] * power / m.root[i]
		}
	}
}

// at writes the modes at time t ≥ since into y.
func (m *modes) at(t float64, y []float64) {
	h := t - m.since
	for k, l := range m.lambda {
		decay, gain := math.Exp(-l*h), h
		if l*h > 1e-12 {
			gain = -math.Expm1(-l*h) / l
		}
		y[k] = m.y[k]*decay + m.b[k]*gain
	}
}

// moveTo makes t the time from which the modes are reckoned.
func (m *modes) moveTo(t float64) {
	m.at(t, m.now)
	copy(m.y, m.now)
	m.since = t
}

func (m *modes) temperatures(t float64, out []float64) {
	m.at(t, m.now)
	for i := range out {
		u := 0.0
		for k, y := range m.now {
			u += m.v[i][k] * y
		}
		out[i] = m.ambient + u/m.root[i]
	}
}
