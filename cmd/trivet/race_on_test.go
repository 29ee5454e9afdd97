//go:build race

package main

const raceEnabled = true // the race detector makes everything about ten times slower
