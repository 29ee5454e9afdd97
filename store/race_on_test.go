//go:build race

package store

// thin is how many states there are for each that is looked at. The race detector makes each of them ten times as dear,
// and most of them have one goroutine.
const thin = 12
