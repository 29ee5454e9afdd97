//go:build linux

package gpiochip

import (
	"fmt"
	"sync"
	"unsafe"

	"golang.org/x/sys/unix"
)

// fakeKernel answers as Linux does for the few calls that the package makes. It reads arguments through the structures that
// golang.org/x/sys generates from the kernel's header: a second opinion about every layout.
type fakeKernel struct {
	mu    sync.Mutex
	chips []*fakeChip
	fds   map[int]any // *fakeChip or *fakeLine
	next  int
	calls []string // what was done to lines and chips, in order, without the questions
	last  []byte   // the last line request, as it came

	fail     map[uint32]error // by request: what it fails with
	noFilter bool             // a kernel that cannot debounce
	onOpen   func(path string)
}

type fakeChip struct {
	node, label string
	shut        error
	lines       []*fakeLine
}

type fakeLine struct {
	name, consumer string
	flags          uint64
	level          bool // logical
	offset         int
}

func lines(names ...string) []*fakeLine {
	var out []*fakeLine
	for i, n := range names {
		out = append(out, &fakeLine{name: n, offset: i})
	}
	return out
}

func newFake(chips ...*fakeChip) *fakeKernel {
	return &fakeKernel{chips: chips, fds: map[int]any{}, next: 3, fail: map[uint32]error{}}
}

func (k *fakeKernel) nodes() ([]string, error) {
	var out []string
	for _, c := range k.chips {
		out = append(out, c.node)
	}
	return out, nil
}

func (k *fakeKernel) open(path string) (int, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.onOpen != nil {
		k.onOpen(path)
	}
	for _, c := range k.chips {
		if c.node == path {
			if c.shut != nil {
				return -1, c.shut
			}
			return k.give(c), nil
		}
	}
	return -1, unix.ENOENT
}

func (k *fakeKernel) give(what any) int {
	k.next++
	k.fds[k.next] = what
	return k.next
}

func (k *fakeKernel) close(fd int) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	l, ok := k.fds[fd]
	if !ok {
		return unix.EBADF
	}
	if l, ok := l.(*fakeLine); ok {
		l.flags, l.consumer = 0, ""
		k.calls = append(k.calls, "release "+l.name)
	}
	delete(k.fds, fd)
	return nil
}

func (k *fakeKernel) ioctl(fd int, request uint32, arg *byte) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if err := k.fail[request]; err != nil {
		return err
	}
	switch on := k.fds[fd].(type) {
	case *fakeChip:
		return k.chip(on, request, unsafe.Pointer(arg))
	case *fakeLine:
		return k.line(on, request, unsafe.Pointer(arg))
	}
	return unix.EBADF
}

func (k *fakeKernel) chip(c *fakeChip, request uint32, arg unsafe.Pointer) error {
	switch request {
	case getChipInfo:
		i := (*unix.GPIOChipInfo)(arg)
		copy(i.Name[:], "gpiochip")
		copy(i.Label[:], c.label)
		i.Lines = uint32(len(c.lines))
	case unix.GPIO_V2_GET_LINEINFO_IOCTL:
		i := (*unix.GPIOV2LineInfo)(arg)
		if int(i.Offset) >= len(c.lines) {
			return unix.EINVAL
		}
		l := c.lines[i.Offset]
		copy(i.Name[:], l.name)
		copy(i.Consumer[:], l.consumer)
		i.Flags = l.flags
	case unix.GPIO_V2_GET_LINE_IOCTL:
		r := (*unix.GPIOV2LineRequest)(arg)
		k.last = append([]byte(nil), unsafe.Slice((*byte)(arg), unsafe.Sizeof(*r))...)
		return k.grant(c, r)
	default:
		return unix.ENOTTY
	}
	return nil
}

func (k *fakeKernel) grant(c *fakeChip, r *unix.GPIOV2LineRequest) error {
	if r.Num_lines != 1 || int(r.Offsets[0]) >= len(c.lines) {
		return unix.EINVAL
	}
	l := c.lines[r.Offsets[0]]
	if l.flags&flagUsed != 0 {
		return unix.EBUSY
	}
	initial, debounced := "none", ""
	for _, a := range r.Config.Attrs[:r.Config.Num_attrs] {
		switch a.Attr.Id {
		case unix.GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES:
			initial = fmt.Sprint(a.Attr.Flags & a.Mask & 1)
			l.level = a.Attr.Flags&a.Mask&1 != 0
		case unix.GPIO_V2_LINE_ATTR_ID_DEBOUNCE:
			if k.noFilter {
				return unix.ENXIO
			}
			debounced = fmt.Sprintf(" debounce %d", *(*uint32)(unsafe.Pointer(&a.Attr.Flags)))
		}
	}
	l.flags = r.Config.Flags | flagUsed
	l.consumer = unix.ByteSliceToString(r.Consumer[:])
	k.calls = append(k.calls, fmt.Sprintf("request %s %#x initial %s%s", l.name, r.Config.Flags, initial, debounced))
	r.Fd = int32(k.give(l))
	return nil
}

func (k *fakeKernel) line(l *fakeLine, request uint32, arg unsafe.Pointer) error {
	v := (*unix.GPIOV2LineValues)(arg)
	switch request {
	case unix.GPIO_V2_LINE_SET_VALUES_IOCTL:
		if l.flags&flagOutput == 0 {
			return unix.EPERM
		}
		if v.Mask&1 != 0 {
			l.level = v.Bits&1 != 0
			k.calls = append(k.calls, fmt.Sprintf("set %s %v", l.name, l.level))
		}
	case unix.GPIO_V2_LINE_GET_VALUES_IOCTL:
		v.Bits = 0
		if l.level {
			v.Bits = v.Mask & 1
		}
		k.calls = append(k.calls, "get "+l.name)
	default:
		return unix.ENOTTY
	}
	return nil
}
