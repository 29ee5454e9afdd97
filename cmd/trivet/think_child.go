package main

import (
	"bufio"
	"encoding/gob"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"runtime/debug"
	"syscall"
	"time"

	"go.uber.org/zap"

	"trivet/control/full"
)

// thinkChildCmd is the program as a child of itself: it takes work from its standard input and gives back results, at low priority, until
// its input ends. Nothing that it does or fails to do can hold up a tick, and it opens no device.
type thinkChildCmd struct{}

// Memory of the child: a fit needs a few megabytes.
const childMemory = 64 << 20

// Run works until the parent is done with it.
func (thinkChildCmd) Run(e *env) error {
	runtime.GOMAXPROCS(1)
	debug.SetMemoryLimit(childMemory)
	stepBack() // what is refused leaves it at normal priority
	return think(os.Stdin, e.out)
}

// think does one piece of work after another.
func think(in io.Reader, out io.Writer) error {
	from, to := gob.NewDecoder(bufio.NewReader(in)), gob.NewEncoder(out)
	for {
		var w full.Work
		if err := from.Decode(&w); err != nil {
			if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
				return nil // the parent has ended
			}
			return err
		}
		if err := to.Encode(full.Solve(w)); err != nil {
			return err
		}
	}
}

// brain does work in a child, and in this process where there can be no child. It is used by one goroutine.
type brain struct {
	log   *zap.Logger
	child *child
	again time.Time     // no new child before
	pause time.Duration // the next time a child fails
	alone bool          // said that there is no child
	begin func() (*child, error)
}

// A child that dies is begun again after a second, then after longer and longer.
const (
	firstPause   = time.Second
	longestPause = time.Minute
	// patienceWithChild is how long a piece of work may take, some hundred times what it needs on a small computer.
	patienceWithChild = 30 * time.Second
)

func newBrain(log *zap.Logger) *brain { return &brain{log: log, pause: firstPause, begin: beget} }

// solve does a piece of work. A piece that a child has died of is not tried in this process.
func (b *brain) solve(w full.Work) full.Result {
	if b.child == nil && !time.Now().Before(b.again) {
		c, err := b.begin()
		if err != nil {
			b.fail("the child for fits and plans cannot begin; they are made in this process", err)
		} else {
			b.child = c
		}
	}
	if b.child == nil {
		return full.Solve(w)
	}
	r, err := b.child.solve(w)
	if err == nil {
		if b.alone {
			b.log.Info("fits and plans are made by a child again")
		}
		b.alone, b.pause = false, firstPause
		return r
	}
	b.child.end()
	b.child = nil
	b.fail("the child for fits and plans has died; another one begins later", err)
	return w.Failed(err)
}

func (b *brain) fail(what string, err error) {
	if !b.alone {
		b.log.Error(what, zap.Error(err))
	}
	b.alone, b.again = true, time.Now().Add(b.pause)
	b.pause = min(2*b.pause, longestPause)
}

// end lets the child go.
func (b *brain) end() {
	if b.child != nil {
		b.child.end()
		b.child = nil
	}
}

// child is a process that thinks.
type child struct {
	cmd *exec.Cmd
	in  io.WriteCloser
	to  *gob.Encoder
	out *gob.Decoder
}

// childProgram is how the program calls itself; tests, whose program is another one, put theirs in its place. The child gets no environment:
// what the parent was told by it is not meant for the child.
var childProgram = func() (*exec.Cmd, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	c := exec.Command(self, "think-child")
	c.Env = []string{}
	return c, nil
}

func beget() (*child, error) {
	cmd, err := childProgram()
	if err != nil {
		return nil, err
	}
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // Ctrl-C is for the parent, which lets the child go
	in, err := cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	return &child{cmd: cmd, in: in, to: gob.NewEncoder(in), out: gob.NewDecoder(bufio.NewReader(out))}, nil
}

// solve waits for the child, but not for ever.
func (c *child) solve(w full.Work) (r full.Result, err error) {
	late := time.AfterFunc(patienceWithChild, func() { _ = c.cmd.Process.Kill() })
	defer late.Stop()
	if err := c.to.Encode(w); err != nil {
		return r, fmt.Errorf("give work to the child: %w", err)
	}
	if err := c.out.Decode(&r); err != nil {
		return r, fmt.Errorf("take the result from the child: %w", err)
	}
	return r, nil
}

// end closes the child's input, which ends it, and kills it when it does not.
func (c *child) end() {
	_ = c.in.Close()
	late := time.AfterFunc(firstPause, func() { _ = c.cmd.Process.Kill() })
	defer late.Stop()
	_ = c.cmd.Wait() // how it ended is of no interest any more
}
