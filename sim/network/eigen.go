package network

import "math"

// eigen returns the eigenvalues and eigenvectors (as columns) of a symmetric matrix, which it destroys. It turns the
// matrix by plane rotations until nothing is left beside the diagonal: the cyclic method of Jacobi (Golub and Van Loan,
// Matrix Computations, section 8.5). Slower than others for large matrices, but each eigenvector comes out orthogonal
// to rounding, also where time constants lie decades apart.
func eigen(a [][]float64) (values []float64, vectors [][]float64) {
	n := len(a)
	v := make([][]float64, n)
	for i := range v {
		v[i] = make([]float64, n)
		v[i][i] = 1
	}
	for range 60 { // converges quadratically; ten sweeps are many
		off, diag := 0.0, 0.0
		for i := range a {
			diag += a[i][i] * a[i][i]
			for j := range i {
				off += 2 * a[i][j] * a[i][j]
			}
		}
		if off <= 1e-34*diag {
			break
		}
		for p := range n {
			for q := p + 1; q < n; q++ {
				rotate(a, v, p, q)
			}
		}
	}
	values = make([]float64, n)
	for i := range values {
		values[i] = a[i][i]
	}
	return values, v
}

// rotate makes a[p][q] zero by turning the plane of axes p and q.
func rotate(a, v [][]float64, p, q int) {
	if a[p][q] == 0 {
		return
	}
	theta := (a[q][q] - a[p][p]) / (2 * a[p][q])
	t := 1 / (math.Abs(theta) + math.Hypot(theta, 1)) // the smaller of the two angles
	if theta < 0 {
		t = -t
	}
	c := 1 / math.Sqrt(t*t+1)
	s := t * c
	for k := range a {
		akp, akq := a[k][p], a[k][q]
		a[k][p], a[k][q] = c*akp-s*akq, s*akp+c*akq
	}
	for k := range a {
		apk, aqk := a[p][k], a[q][k]
		a[p][k], a[q][k] = c*apk-s*aqk, s*apk+c*aqk
	}
	a[p][q], a[q][p] = 0, 0
	for k := range v {
		vkp, vkq := v[k][p], v[k][q]
		v[k][p], v[k][q] = c*vkp-s*vkq, s*vkp+c*vkq
	}
}
