package main

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
)

// Fields of a bzImage's header (Linux, Documentation/x86/boot.rst, protocol 2.08 and later).
const (
	atSetupSects    = 0x1f1
	atMagic         = 0x202
	magic           = "HdrS"
	atPayload       = 0x248
	atPayloadLength = 0x24c
	sector          = 512
)

// unpacked returns the kernel's ELF image, which an emulator starts directly: two thirds of an emulated boot would be the guest unpacking
// its own kernel. It is written beside the packed one, once.
func unpacked(kernel string) (string, error) {
	out := kernel + ".elf"
	if _, err := os.Stat(out); err == nil {
		return out, nil
	}
	image, err := os.ReadFile(kernel)
	if err != nil {
		return "", err
	}
	p, err := payload(image)
	if err != nil {
		return "", fmt.Errorf("%s: %w", kernel, err)
	}
	cmd := exec.Command("xz", "--decompress", "--stdout", "--single-stream")
	cmd.Stdin = bytes.NewReader(p)
	elf, err := cmd.Output()
	if !bytes.HasPrefix(elf, []byte("\x7fELF")) {
		return "", fmt.Errorf("%s: its payload is no packed ELF image: %w", kernel, err)
	}
	if err := os.WriteFile(out+".part", elf, 0o644); err != nil {
		return "", err
	}
	return out, os.Rename(out+".part", out)
}

// payload finds the XZ stream in a bzImage. The four bytes behind it are the unpacked size and not part of the stream.
func payload(image []byte) ([]byte, error) {
	if len(image) < atPayloadLength+4 || string(image[atMagic:atMagic+4]) != magic {
		return nil, fmt.Errorf("it is no bzImage")
	}
	le := binary.LittleEndian
	from := (int(image[atSetupSects])+1)*sector + int(le.Uint32(image[atPayload:]))
	n := int(le.Uint32(image[atPayloadLength:]))
	if n < 4 || from+n > len(image) {
		return nil, fmt.Errorf("its payload of %d bytes at %d does not fit into %d bytes", n, from, len(image))
	}
	return image[from : from+n-4], nil
}
