package gpiochip

import (
	"os"
	"path/filepath"
	"slices"
	"unsafe"

	"golang.org/x/sys/unix"
)

// system is the kernel that the program runs on.
var system kernel = linux{}

type linux struct{}

// nodes skips everything that is not a character device of its own: some systems keep old numbers alive as symbolic links, and a chip that
// showed up twice would make every name on it ambiguous.
func (linux) nodes() ([]string, error) {
	all, err := filepath.Glob("/dev/gpiochip*")
	if err != nil {
		return nil, err
	}
	return slices.DeleteFunc(all, func(path string) bool {
		st, err := os.Lstat(path)
		return err != nil || st.Mode()&os.ModeCharDevice == 0
	}), nil
}

func (linux) open(path string) (int, error) {
	for {
		fd, err := unix.Open(path, unix.O_RDWR|unix.O_CLOEXEC, 0)
		if err != unix.EINTR {
			return fd, err
		}
	}
}

func (linux) close(fd int) error { return unix.Close(fd) }

func (linux) ioctl(fd int, request uint32, arg *byte) error {
	for {
		_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), uintptr(request), uintptr(unsafe.Pointer(arg)))
		switch errno {
		case 0:
			return nil
		case unix.EINTR: // a signal of the runtime came first
		default:
			return errno // small numbers do not allocate as an error
		}
	}
}

// What an errno means here.
func busy(err error) bool   { return err == unix.EBUSY }
func denied(err error) bool { return err == unix.EACCES || err == unix.EPERM }
func gone(err error) bool   { return err == unix.ENOENT || err == unix.ENODEV || err == unix.ENXIO }
func tooOld(err error) bool { return err == unix.ENOTTY }

// undebounced reports whether a request may have failed because the kernel cannot debounce this line: the chip has no filter, and
// there is no interrupt with which to do it in software. 524 is the kernel's own ENOTSUPP, which some drivers let out.
func undebounced(err error) bool {
	return err == unix.ENXIO || err == unix.EOPNOTSUPP || err == unix.EINVAL || err == unix.Errno(524)
}
