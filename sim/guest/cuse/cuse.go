// Package cuse serves character devices from user space through /dev/cuse, so that the emulated chips can be reached by the nodes that
// real ones have: /dev/spidev* and /dev/i2c-*. It speaks the kernel's protocol itself, without cgo. It knows ioctls, not chips.
//
// What a program does on such a node passes the kernel's generic device code and this server; the kernel's own spidev and i2c-dev drivers
// and a bus controller's driver are not involved.
package cuse

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"

	"golang.org/x/sys/unix"
)

// Handler answers the ioctls of one node. It is called by one goroutine.
type Handler interface {
	Ioctl(c Call) Result
}

// Node is a device that is being served.
type Node struct {
	name string
	f    *os.File
	done chan struct{}
	err  error
}

// Serve makes /dev/NAME and answers it until Remove. It needs root, the cuse module and devtmpfs on /dev.
func Serve(name string, h Handler) (*Node, error) {
	fd, err := unix.Open("/dev/cuse", unix.O_RDWR|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, fmt.Errorf("cuse: open /dev/cuse: %w", err)
	}
	n := &Node{name: name, f: os.NewFile(uintptr(fd), "/dev/cuse"), done: make(chan struct{})}
	ready := make(chan error, 1)
	go n.serve(h, ready)
	if err := <-ready; err != nil {
		n.f.Close()
		return nil, fmt.Errorf("cuse: %s: %w", name, err)
	}
	return n, nil
}

// Path returns where the node is.
func (n *Node) Path() string { return "/dev/" + n.name }

// Remove takes the device away from under whoever has it open, as if the chip's bus were unplugged.
func (n *Node) Remove() error {
	n.f.Close()
	<-n.done
	return n.err
}

func (n *Node) serve(h Handler, ready chan<- error) {
	defer close(n.done)
	buf := make([]byte, maxData+8192)
	var open uint64
	for first := true; ; {
		size, err := n.f.Read(buf)
		switch {
		case errors.Is(err, unix.EINTR), errors.Is(err, unix.ENOENT): // the request was taken back
			continue
		case errors.Is(err, os.ErrClosed), errors.Is(err, unix.ENODEV), errors.Is(err, io.EOF):
			return
		case err != nil:
			n.fail(err, first, ready)
			return
		}
		r, err := parse(buf[:size])
		if err != nil {
			n.fail(err, first, ready)
			return
		}
		reply := n.reply(r, h, &open)
		if reply == nil {
			continue
		}
		if _, err := n.f.Write(reply); err != nil && !errors.Is(err, unix.ENOENT) { // ENOENT: the caller has been killed
			if !errors.Is(err, os.ErrClosed) {
				n.fail(err, first, ready)
			}
			return
		}
		if r.op == opInit {
			first = false
			ready <- nil
		}
	}
}

func (n *Node) fail(err error, first bool, ready chan<- error) {
	n.err = err
	if first {
		ready <- err
	}
}

// reply composes the answer to one request; nil for one that wants none.
func (n *Node) reply(r request, h Handler, open *uint64) []byte {
	switch r.op {
	case opInit:
		return answer(r.unique, 0, initBody(n.name))
	case opOpen:
		*open++
		body := make([]byte, 16) // file handle, flags, padding
		binary.LittleEndian.PutUint64(body, *open)
		return answer(r.unique, 0, body)
	case opRelease, opFlush, opFsync:
		return answer(r.unique, 0, nil)
	case opInterrupt:
		return nil
	case opIoctl:
		c, err := ioctlCall(r.body)
		if err != nil {
			return answer(r.unique, unix.EIO, nil)
		}
		res := h.Ioctl(c)
		if len(res.Reads) > maxPieces || len(res.Writes) > maxPieces {
			res = Result{Errno: unix.EINVAL}
		}
		return answer(r.unique, res.Errno, ioctlBody(res))
	}
	return answer(r.unique, unix.ENOSYS, nil) // plain reads and writes are not what these chips are driven by
}
