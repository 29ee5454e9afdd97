//go:build !linux

package gpiochip

import "errors"

// system is no kernel with GPIO chips.
var system kernel = none{}

var errNone = errors.New("GPIO chips can be used on Linux only")

type none struct{}

func (none) nodes() ([]string, error)       { return nil, errNone }
func (none) open(string) (int, error)       { return -1, errNone }
func (none) close(int) error                { return errNone }
func (none) ioctl(int, uint32, *byte) error { return errNone }

func busy(error) bool        { return false }
func denied(error) bool      { return false }
func gone(error) bool        { return false }
func tooOld(error) bool      { return false }
func undebounced(error) bool { return false }
