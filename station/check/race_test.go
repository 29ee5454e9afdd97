//go:build race

package check

// raced: the detector costs a factor of ten, and nothing here has a second goroutine to race with.
const raced = true
