//go:build !linux

package main

import (
	"os"
	"time"
)

func setWatch(*os.File, int) (time.Duration, error) { return 0, errLinuxOnly }
