package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"
)

// mount puts the kernel's file systems where everybody looks for them. configfs comes with a module and is mounted later.
func mount() error {
	for _, m := range []struct{ kind, at string }{
		{"devtmpfs", "/dev"}, {"proc", "/proc"}, {"sysfs", "/sys"}, {"tmpfs", "/tmp"}, {"tmpfs", "/run"}, {"tmpfs", "/var"}, {"tracefs", "/sys/kernel/tracing"},
	} {
		if err := unix.Mount(m.kind, m.at, m.kind, 0, ""); err != nil {
			return fmt.Errorf("mount %s on %s: %w", m.kind, m.at, err)
		}
	}
	return nil
}

// insert loads the modules of /lib/modules in the order of their names.
func insert() error {
	files, err := filepath.Glob("/lib/modules/*.ko")
	if err != nil {
		return err
	}
	for _, name := range files {
		f, err := os.Open(name)
		if err != nil {
			return err
		}
		err = unix.FinitModule(int(f.Fd()), "", 0)
		f.Close()
		if err != nil {
			return fmt.Errorf("insert %s: %w", name, err)
		}
	}
	return unix.Mount("configfs", "/sys/kernel/config", "configfs", 0, "")
}

// loopback brings the loopback interface up: the program under test serves its page on it.
func loopback() error {
	s, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return err
	}
	defer unix.Close(s)
	r, err := unix.NewIfreq("lo")
	if err != nil {
		return err
	}
	r.SetUint16(unix.IFF_UP | unix.IFF_RUNNING)
	return unix.IoctlIfreq(s, unix.SIOCSIFFLAGS, r)
}

// asked returns the words of the kernel's command line that are meant for us, KEY=VALUE with the prefix "rig.".
func asked() map[string]string {
	b, _ := os.ReadFile("/proc/cmdline") // without it nothing is asked for
	out := map[string]string{}
	for _, w := range strings.Fields(string(b)) {
		if k, v, ok := strings.Cut(strings.TrimPrefix(w, "rig."), "="); ok && strings.HasPrefix(w, "rig.") {
			out[k] = v
		}
	}
	return out
}

// restart ends the guest. Power-off does not work on every emulated machine; a reset always does, and the emulator takes it for the end.
func restart() {
	unix.Sync()
	_ = unix.Reboot(unix.LINUX_REBOOT_CMD_RESTART) // if it fails the host's limit ends the guest
	select {}
}
