package gpiochip

// kernel is the little of the operating system that this package uses; tests put their own in its place.
type kernel interface {
	// nodes lists the device nodes of GPIO chips, each chip once.
	nodes() ([]string, error)
	open(path string) (fd int, err error)
	close(fd int) error
	// ioctl gives the kernel an argument to read and fill in. It must not keep arg, and must not allocate.
	ioctl(fd int, request uint32, arg *byte) error
}
