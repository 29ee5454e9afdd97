//go:build !race

package store

// thin is how many states there are for each that is looked at.
const thin = 1
