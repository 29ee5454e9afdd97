// Command first is the first and only program of the guest: it mounts, loads modules, makes the machine, lets the program under test
// drive it through device nodes, and tells what the kernel has seen. It never touches a line that the program owns.
package main

import (
	"fmt"
	"os"
	"time"

	"trivet/sim/guest"
	"trivet/sim/guest/gpiosim"
)

func main() {
	defer restart()
	t := &teller{}
	if err := all(t); err != nil {
		t.check(false, "the rig comes to its end", err.Error())
	}
	fmt.Println(guest.Done(t.checks, t.failed))
}

type teller struct{ checks, failed int }

func (t *teller) check(ok bool, promise, seen string) {
	t.checks++
	if !ok {
		t.failed++
	}
	fmt.Println(guest.Check(ok, promise, seen))
}

func all(t *teller) error {
	if err := mount(); err != nil {
		return err
	}
	if err := insert(); err != nil {
		return err
	}
	if err := loopback(); err != nil {
		return err
	}
	b, err := gpiosim.New("rig", []string{"a", "b"})
	if err != nil {
		return err
	}
	up, _ := os.ReadFile("/proc/uptime")
	t.check(true, "bank", fmt.Sprint(b.Base, " ", string(up)))
	for i := 0; i < 5; i++ {
		t0 := time.Now()
		time.Sleep(100 * time.Millisecond)
		fmt.Println("slept", time.Since(t0))
	}
	time.Sleep(30 * time.Second)
	return nil
}
