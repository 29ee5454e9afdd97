package cpio

import (
	"bytes"
	"errors"
	"strconv"
	"testing"
)

// entries reads an archive back, by the field widths of the format's description: 6 for the magic, 13 fields of 8.
func entries(t *testing.T, b []byte) map[string]string {
	t.Helper()
	out := map[string]string{}
	for at := 0; ; {
		if at%4 != 0 || at+110 > len(b) || string(b[at:at+6]) != "070701" {
			t.Fatalf("no header at %d of %d", at, len(b))
		}
		field := func(i int) int {
			v, err := strconv.ParseUint(string(b[at+6+8*i:at+14+8*i]), 16, 32)
			if err != nil {
				t.Fatal(err)
			}
			return int(v)
		}
		mode, size, length := field(1), field(6), field(11)
		name := string(b[at+110 : at+110+length-1])
		data := (at + 110 + length + 3) &^ 3
		if name == "TRAILER!!!" {
			return out
		}
		out[name] = strconv.FormatInt(int64(mode), 8) + " " + string(b[data:data+size])
		at = (data + size + 3) &^ 3
	}
}

func TestWhatIsWrittenIsFoundAgainWithItsParents(t *testing.T) {
	var b bytes.Buffer
	a := NewWriter(&b)
	for i, n := range []string{"init", "lib/modules/a.ko", "lib/modules/bb.ko"} {
		if err := a.File(n, 0o755, bytes.Repeat([]byte{'x'}, i+1)); err != nil {
			t.Fatal(err)
		}
	}
	if err := a.Dir("/proc"); err != nil {
		t.Fatal(err)
	}
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	want := map[string]string{"init": "100755 x", "lib": "40755 ", "lib/modules": "40755 ", "lib/modules/a.ko": "100755 xx", "lib/modules/bb.ko": "100755 xxx", "proc": "40755 "}
	got := entries(t, b.Bytes())
	if len(got) != len(want) {
		t.Errorf("%d entries; want %d: %v", len(got), len(want), got)
	}
	for n, w := range want {
		if got[n] != w {
			t.Errorf("%s is %q; want %q", n, got[n], w)
		}
	}
}

func TestAFileTwiceOrWithoutNameIsRefused(t *testing.T) {
	a := NewWriter(&bytes.Buffer{})
	if err := a.File("/", 0o644, nil); err == nil {
		t.Error("a file without name was taken")
	}
	if err := a.File("a", 0o644, nil); err != nil {
		t.Fatal(err)
	}
	if err := a.File("./a", 0o644, nil); err == nil {
		t.Error("a file was taken twice")
	}
}

type full struct{}

func (full) Write([]byte) (int, error) { return 0, errors.New("full") }

func TestAFullDiskIsTold(t *testing.T) {
	a := NewWriter(full{})
	if a.File("a/b", 0o644, nil) == nil || a.Dir("c/d") == nil || a.Close() == nil {
		t.Error("an error was swallowed")
	}
}
