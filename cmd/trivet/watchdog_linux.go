package main

import (
	"os"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// setTimeout is WDIOC_SETTIMEOUT of linux/watchdog.h: _IOWR('W', 6, int). Its neighbours are in x/sys, it is not.
const setTimeout = 3<<30 | 4<<16 | 'W'<<8 | 6

// setWatch asks for a time-out and returns the one that the driver has chosen.
func setWatch(f *os.File, seconds int) (time.Duration, error) {
	v := int32(seconds)
	c, err := f.SyscallConn()
	if err != nil {
		return 0, err
	}
	var errno unix.Errno
	if err := c.Control(func(fd uintptr) {
		_, _, errno = unix.Syscall(unix.SYS_IOCTL, fd, setTimeout, uintptr(unsafe.Pointer(&v)))
	}); err != nil {
		return 0, err
	}
	if errno != 0 {
		return 0, errno
	}
	return time.Duration(v) * time.Second, nil
}
