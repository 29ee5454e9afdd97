// Command boot builds the guest's first file system, runs the guest in software emulation and judges what it tells on its
// serial line. It ends with 0 only if the guest's closing line came, named at least one check, and no failure.
package main

import (
	"bufio"
	"context"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"time"

	"trivet/sim/guest"
	"trivet/sim/guest/cpio"
)

// list is a flag that may be given several times.
type list []string

func (l *list) String() string     { return strings.Join(*l, " ") }
func (l *list) Set(s string) error { *l = append(*l, s); return nil }

type options struct {
	kernel, initrd, log, trace, appended string
	add                                  list
	limit                                time.Duration
	shift                                int
	watchdog                             bool
}

func main() {
	var o options
	flag.StringVar(&o.kernel, "kernel", "", "kernel as shipped (bzImage); it is unpacked once, beside itself")
	flag.StringVar(&o.initrd, "initrd", "rd.cpio", "where the first file system is written")
	flag.StringVar(&o.log, "log", "serial.log", "where everything the guest says is kept")
	flag.StringVar(&o.trace, "trace", "trace.log", "where the kernel's trace is kept")
	flag.StringVar(&o.appended, "append", "", "more for the kernel's command line; words with a dot or = reach the guest's first program")
	flag.Var(&o.add, "add", "DESTINATION=SOURCE: a file for the guest; may be repeated")
	flag.DurationVar(&o.limit, "limit", 5*time.Minute, "wall time after which the guest is stopped and the run has failed")
	flag.IntVar(&o.shift, "shift", 1, "guest time per instruction is 2^shift ns; -1 lets the guest run on the host's clock")
	flag.BoolVar(&o.watchdog, "watchdog", false, "the guest must end by its watchdog")
	flag.Parse()
	if err := run(&o); err != nil {
		fmt.Fprintln(os.Stderr, "rig:", err)
		os.Exit(1)
	}
}

func run(o *options) error {
	vmlinux, err := unpacked(o.kernel)
	if err != nil {
		return err
	}
	if err := archive(o.initrd, o.add); err != nil {
		return err
	}
	log, err := os.Create(o.log)
	if err != nil {
		return err
	}
	defer log.Close()
	ctx, cancel := context.WithTimeout(context.Background(), o.limit)
	defer cancel()
	began := time.Now()
	report, err := boot(ctx, o, vmlinux, log)
	took := time.Since(began).Round(100 * time.Millisecond)
	if err != nil {
		return fmt.Errorf("after %v: %w", took, err)
	}
	if ctx.Err() != nil {
		fmt.Printf("rig: stopped after %v of wall time; the whole serial log is %s\n", took, o.log)
	}
	if err := report.Err(o.watchdog); err != nil {
		return fmt.Errorf("after %v: %w; the whole serial log is %s", took, err, o.log)
	}
	fmt.Printf("rig: %d checks, none failed, %v of wall time in the guest\n", report.Checks, took)
	return nil
}

// boot runs the guest to its end. An emulated PC has a clock of microseconds; microvm has one of 4 ms. The guest's clock counts
// its instructions (icount), so that latencies do not depend on what else the host does, and waiting takes no wall time. At 2 ns each the
// guest is as fast as a small single-board computer, give or take (judgement): its latencies are those of such a processor on a bus that
// takes no time.
func boot(ctx context.Context, o *options, vmlinux string, log io.Writer) (*guest.Report, error) {
	args := []string{"-machine", "pc", "-accel", "tcg", "-cpu", "qemu64", "-m", "512", "-nodefaults", "-no-reboot", "-display", "none",
		"-serial", "stdio", "-serial", "file:" + o.trace, "-kernel", vmlinux, "-initrd", o.initrd,
		"-append", strings.TrimSpace("console=ttyS0 quiet panic=-1 reboot=t " + o.appended)}
	if o.shift >= 0 {
		args = append(args, "-icount", fmt.Sprintf("shift=%d,sleep=off", o.shift), "-rtc", "clock=vm")
	}
	cmd := exec.CommandContext(ctx, "qemu-system-x86_64", args...)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	report := &guest.Report{}
	lines := bufio.NewScanner(out)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		fmt.Fprintln(log, lines.Text())
		if report.Take(lines.Text()) || strings.HasPrefix(lines.Text(), "| ") {
			fmt.Println(strings.TrimRight(lines.Text(), "\r"))
		}
	}
	_ = cmd.Wait() // the exit code says nothing about the guest; its closing line does
	return report, lines.Err()
}

// archive writes the first file system: what is added, and the empty directories that the first program mounts on.
func archive(path string, add []string) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer f.Close()
	w := bufio.NewWriterSize(f, 1<<20)
	a := cpio.NewWriter(w)
	for _, d := range []string{"dev", "proc", "sys", "tmp", "run", "var", "etc"} {
		if err := a.Dir(d); err != nil {
			return err
		}
	}
	for _, s := range add {
		to, from, ok := strings.Cut(s, "=")
		if !ok {
			return fmt.Errorf("-add is %q; DESTINATION=SOURCE is allowed", s)
		}
		data, err := os.ReadFile(from)
		if err != nil {
			return err
		}
		if err := a.File(to, 0o755, data); err != nil {
			return err
		}
	}
	if err := a.Close(); err != nil {
		return err
	}
	if err := w.Flush(); err != nil {
		return err
	}
	return f.Close()
}
