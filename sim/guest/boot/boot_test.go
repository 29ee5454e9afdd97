package main

import (
	"bytes"
	"encoding/binary"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// image composes a bzImage with so many setup sectors and a payload, by the fields of the boot protocol.
func image(setup byte, packed []byte) []byte {
	const offset = 40
	b := make([]byte, (int(setup)+1)*sector+offset)
	b[atSetupSects] = setup
	copy(b[atMagic:], magic)
	binary.LittleEndian.PutUint32(b[atPayload:], offset)
	binary.LittleEndian.PutUint32(b[atPayloadLength:], uint32(len(packed)+4))
	return append(append(b, packed...), 1, 2, 3, 4, 0xEE) // the unpacked size, and what follows the payload
}

func TestThePayloadIsFoundBehindTheSetup(t *testing.T) {
	want := []byte("packed kernel")
	got, err := payload(image(3, want))
	if err != nil || !bytes.Equal(got, want) {
		t.Errorf("%q, %v", got, err)
	}
}

func TestWhatIsNoKernelIsRefused(t *testing.T) {
	good := image(1, []byte("x"))
	long := bytes.Clone(good)
	binary.LittleEndian.PutUint32(long[atPayloadLength:], 1<<20)
	for name, b := range map[string][]byte{"nothing": nil, "short": good[:100], "no magic": make([]byte, 4096), "payload beyond the end": long} {
		if _, err := payload(b); err == nil {
			t.Errorf("%s was taken", name)
		}
	}
}

func TestAKernelIsUnpackedOnce(t *testing.T) {
	if _, err := exec.LookPath("xz"); err != nil {
		t.Skip("no xz on this computer")
	}
	cmd := exec.Command("xz", "--stdout")
	cmd.Stdin = strings.NewReader("\x7fELF and so on")
	packed, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	kernel := filepath.Join(t.TempDir(), "vmlinuz")
	if err := os.WriteFile(kernel, image(2, packed), 0o644); err != nil {
		t.Fatal(err)
	}
	out, err := unpacked(kernel)
	if err != nil {
		t.Fatal(err)
	}
	if b, err := os.ReadFile(out); err != nil || string(b) != "\x7fELF and so on" {
		t.Errorf("%q, %v", b, err)
	}
	if err := os.Remove(kernel); err != nil {
		t.Fatal(err)
	}
	if again, err := unpacked(kernel); err != nil || again != out {
		t.Errorf("the second time: %q, %v", again, err)
	}
}

func TestTheFirstFileSystemHasWhatIsAdded(t *testing.T) {
	dir := t.TempDir()
	from, to := filepath.Join(dir, "program"), filepath.Join(dir, "rd.cpio")
	if err := os.WriteFile(from, []byte("what it does"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := archive(to, list{"bin/program=" + from}); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(to)
	if err != nil || !bytes.Contains(b, []byte("bin/program\x00")) || !bytes.Contains(b, []byte("what it does")) || !bytes.Contains(b, []byte("TRAILER!!!")) {
		t.Errorf("%d bytes, %v", len(b), err)
	}
	for _, wrong := range []string{"no equals sign", "bin/x=" + filepath.Join(dir, "missing")} {
		if err := archive(to, list{wrong}); err == nil {
			t.Errorf("%q was taken", wrong)
		}
	}
}
