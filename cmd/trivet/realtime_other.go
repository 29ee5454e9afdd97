//go:build !linux

package main

import (
	"errors"

	"trivet/station"
)

var errLinuxOnly = errors.New("known on Linux only")

// newPace leaves sleeping to the runtime's timers.
var newPace func() station.Pace

func realtimeThread(int) error { return errLinuxOnly }

func lockMemory() error { return errLinuxOnly }

func stepBack() {}

func hurry() error { return errLinuxOnly }
