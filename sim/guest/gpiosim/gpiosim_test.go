package gpiosim

import (
	"os"
	"path/filepath"
	"testing"
)

// pretended lays out the files as the kernel does when a bank of two lines goes live. What a kernel does on a write does not happen here.
func pretended(t *testing.T, label string) kernel {
	t.Helper()
	root := t.TempDir()
	k := kernel{filepath.Join(root, "config"), filepath.Join(root, "devices"), filepath.Join(root, "class")}
	put := func(what string, at ...string) {
		path := filepath.Join(at...)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(what), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	put("gpio-sim.3\n", k.configfs, label, "dev_name")
	put("gpiochip2\n", k.configfs, label, "bank0", "chip_name")
	put("other\n", k.class, "gpiochip0", "label")
	put("0\n", k.class, "gpiochip0", "base")
	put(label+"\n", k.class, "gpiochip500", "label")
	put("500\n", k.class, "gpiochip500", "base")
	for _, l := range []string{"sim_gpio0", "sim_gpio1"} {
		put("0\n", k.devices, "gpio-sim.3", "gpiochip2", l, "value")
		put("", k.devices, "gpio-sim.3", "gpiochip2", l, "pull")
	}
	return k
}

func TestABankIsAskedForAndItsLinesAreFound(t *testing.T) {
	k := pretended(t, "bench")
	b, err := k.bank("bench", []string{"HEAT", "DOOR"})
	if err != nil {
		t.Fatal(err)
	}
	for at, want := range map[string]string{"bank0/num_lines": "2", "bank0/label": "bench", "bank0/line1/name": "DOOR", "live": "1"} {
		if got, err := os.ReadFile(filepath.Join(k.configfs, "bench", at)); err != nil || string(got) != want {
			t.Errorf("%s holds %q, want %q: %v", at, got, want, err)
		}
	}
	if l := b.Line("DOOR"); l == nil || l.Number != 501 {
		t.Errorf("the second line is %+v; want number 501", l)
	}
	if l := b.Line("WINDOW"); l != nil {
		t.Errorf("a line that was not asked for: %+v", l)
	}
}

func TestALineIsPulledOnlyWhereTheWireHasGone(t *testing.T) {
	k := pretended(t, "bench")
	b, err := k.bank("bench", []string{"HEAT", "DOOR"})
	if err != nil {
		t.Fatal(err)
	}
	l, at := b.Line("DOOR"), filepath.Join(k.devices, "gpio-sim.3", "gpiochip2", "sim_gpio1")
	for _, step := range []struct {
		wire string
		pull bool
		want string
	}{{"0", false, ""}, {"0", true, "pull-up"}, {"1", true, ""}, {"1", false, "pull-down"}} {
		for name, what := range map[string]string{"value": step.wire, "pull": ""} {
			if err := os.WriteFile(filepath.Join(at, name), []byte(what), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		if high, err := l.Level(); err != nil || high != (step.wire == "1") {
			t.Errorf("level of %s is %v, %v", step.wire, high, err)
		}
		if err := l.Pull(step.pull); err != nil {
			t.Fatal(err)
		}
		if got, err := os.ReadFile(filepath.Join(at, "pull")); err != nil || string(got) != step.want {
			t.Errorf("wire %s, pull %v: %q was written, want %q", step.wire, step.pull, got, step.want)
		}
	}
}

func TestAChipThatTheKernelDoesNotHaveIsNamed(t *testing.T) {
	k := pretended(t, "bench")
	if _, err := k.base("another"); err == nil {
		t.Error("a chip was found that is not there")
	}
	if _, err := k.bank("another", []string{"HEAT"}); err == nil {
		t.Error("a bank went live that no kernel made")
	}
}
