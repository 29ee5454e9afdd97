package main

import (
	"fmt"
	"os/exec"
	"strconv"
	"strings"
	"syscall"
	"time"

	"trivet/sim/guest/witness"
)

// startLimit is how long the program may take until its page answers: it works out the loops of its machine first, on an emulated processor.
const startLimit = 180 * time.Second

// program lets the shipped program drive the machine through the nodes.
func (t *teller) program(s *stage) error {
	out, err := exec.Command("/bin/trivet", "probe", machineFile).CombinedOutput()
	for _, l := range strings.Split(strings.TrimSpace(string(out)), "\n") {
		fmt.Println("| probe:", l)
	}
	t.check(err == nil, "probe lists the computer's buses and lines and reads every sensor", fmt.Sprintf("%d lines; %v", strings.Count(string(out), "\n"), err))
	events, err := seen()
	if err != nil {
		return err
	}
	t.check(len(events) == 0, "probe touches no line", fmt.Sprintf("%d calls", len(events)))
	if err := configure(s.profile(), s.law(), false); err != nil {
		return err
	}
	if s.form() == formCommission {
		return t.uncommissioned(s)
	}
	if err := prepared(s.file); err != nil {
		return err
	}
	began := monotonic()
	d, err := begin(startLimit)
	if err != nil {
		return err
	}
	t.figure("guest time from the program's start to its page", (monotonic() - began).Round(time.Millisecond).String())
	if err := t.quiet(s, d); err != nil {
		return err
	}
	full := s.form() == formFull
	times, _ := strconv.Atoi(s.asked["times"]) // how often each act is played; once when nobody asks
	for range max(times, 1) {
		for _, a := range s.acts(d, full) {
			if err := t.play(s, d, a); err != nil {
				return err
			}
		}
	}
	if err := t.stopped(s, d); err != nil {
		return err
	}
	if d, err = t.killed(s, d); err != nil {
		return err
	}
	if full {
		if err := t.removal(s, d); err != nil {
			return err
		}
	}
	if err := t.vanished(s, d); err != nil {
		return err
	}
	if err := d.end(syscall.SIGTERM); err != nil {
		return err
	}
	t.reactions()
	t.spent(d)
	return t.lines(s, "the program, all in all")
}

// quiet waits until the station is at rest and asks whether anything moved meanwhile.
func (t *teller) quiet(s *stage, d *daemon) error {
	now, err := d.until("idle", 30*time.Second, func(s *status) bool { return s.State == "idle" && s.blocked() == "" })
	if err != nil {
		return err
	}
	time.Sleep(3 * time.Second)
	events, err := seen()
	if err != nil {
		return err
	}
	b := witness.Began(events, s.outputs())
	t.check(b.Taken == len(s.outputs()) && b.FirstHigh == 0, "the program starts and idles without a pulse on any output",
		fmt.Sprintf("%d outputs taken, %d calls, none high, %s; %q", b.Taken, len(events), now.State, now.Text))
	return nil
}

// removal lets a whole removal run.
func (t *teller) removal(s *stage, d *daemon) error {
	if err := s.heat(d); err != nil {
		return err
	}
	began, lifted, peak := time.Now(), false, 0.0
	var late float64
	now, err := d.until("the end of the run", 25*time.Minute, func(now *status) bool {
		peak, late = max(peak, float64(s.world.Look().Truth.ColdestJoint)), max(late, now.LateMS)
		if now.Lift.Open && !lifted {
			lifted = true
			time.Sleep(5 * time.Second)
			if err := d.post("/api/v1/confirm-lift", `{"by":"rig"}`); err != nil {
				fmt.Println("| confirm-lift:", err)
			}
		}
		if int(time.Since(began).Seconds())%30 == 0 && now.Joint != nil && now.Joint.Temp != nil {
			fmt.Printf("| %4.0f s  joint %.1f °C  %s\n", time.Since(began).Seconds(), *now.Joint.Temp, now.Text)
			time.Sleep(time.Second)
		}
		return now.State == "complete" || now.State == "aborted" || now.State == "stopped" || now.Ended != nil
	})
	if err != nil {
		return err
	}
	verdict, ended := "none", "not"
	if now.Run != nil {
		verdict = now.Run.Verdict
	}
	if now.Ended != nil {
		ended = now.Ended.Code + " " + now.Ended.Reason
	}
	t.check(now.State == "complete" && verdict == "pass", "a whole removal runs through the device nodes, verdict pass",
		fmt.Sprintf("law %s, state %s, verdict %s, ended %s, lifted %v, coldest joint in truth at most %.1f °C, %v of heat and cooling, latest tick %.1f ms", s.law(), now.State, verdict, ended, lifted, peak, time.Since(began).Round(time.Second), late))
	return s.calm(d)
}

// spent tells what the processor did: the program under test, and this one with the plant, the nodes and the trace.
func (t *teller) spent(d *daemon) {
	var self syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &self); err != nil {
		return
	}
	p := d.cmd.ProcessState
	t.figure("processor time of the emulated 500 MIPS", fmt.Sprintf("the program, last started, %v; machine and witness %v; of %v since the guest's start",
		(p.UserTime()+p.SystemTime()).Round(100*time.Millisecond), time.Duration(self.Utime.Nano()+self.Stime.Nano()).Round(100*time.Millisecond), monotonic().Round(100*time.Millisecond)))
	if r, ok := p.SysUsage().(*syscall.Rusage); ok {
		t.figure("greatest memory of the program", fmt.Sprintf("%.1f MiB resident", float64(r.Maxrss)/1024))
	}
}
