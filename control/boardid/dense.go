package boardid

import "math"

// factor replaces the lower triangle of the symmetric n×n matrix a by its Cholesky factor; false if a is not positive
// definite.
func factor(a []float64, n int) bool {
	for j := range n {
		s := a[j*n+j]
		for k := range j {
			s -= a[j*n+k] * a[j*n+k]
		}
		if !(s > 1e-12) {
			return false
		}
		d := math.Sqrt(s)
		a[j*n+j] = d
		for i := j + 1; i < n; i++ {
			s := a[i*n+j]
			for k := range j {
				s -= a[i*n+k] * a[j*n+k]
			}
			a[i*n+j] = s / d
		}
	}
	return true
}

// Solve replaces b by the solution of a·x = b for a symmetric positive definite a of n×n, by rows; a is destroyed. It
// returns false, and leaves b undefined, when a is not positive definite.
func Solve(a, b []float64, n int) bool {
	if !factor(a, n) {
		return false
	}
	back(a, b, n)
	return true
}

// back solves with the factor in a.
func back(a, b []float64, n int) {
	for i := range n {
		s := b[i]
		for k := range i {
			s -= a[i*n+k] * b[k]
		}
		b[i] = s / a[i*n+i]
	}
	for i := n - 1; i >= 0; i-- {
		s := b[i]
		for k := i + 1; k < n; k++ {
			s -= a[k*n+i] * b[k]
		}
		b[i] = s / a[i*n+i]
	}
}

// Invert sets out to the inverse of the symmetric positive definite a; a is destroyed. False as for Solve.
func Invert(a, out []float64, n int) bool {
	if !factor(a, n) {
		return false
	}
	col := make([]float64, n)
	for c := range n {
		clear(col)
		col[c] = 1
		back(a, col, n)
		for r := range n {
			out[r*n+c] = col[r]
		}
	}
	return true
}
