// Package cpio writes archives that a Linux kernel takes as its first file system ("newc" format, the kernel's
// driver-api/early-userspace/buffer-format). It writes directories and regular files and reads nothing.
package cpio

import (
	"fmt"
	"io"
	"path"
	"strings"
)

// Kinds of entries, as in the mode of a file (POSIX sys/stat.h).
const (
	regular   = 0o100000
	directory = 0o040000
)

// Writer writes one archive. The zero value is not usable.
type Writer struct {
	w    io.Writer
	n    int64 // bytes so far: entries are aligned to four
	ino  int
	made map[string]bool
}

// NewWriter returns a writer of an archive to w. The archive is complete only after Close.
func NewWriter(w io.Writer) *Writer { return &Writer{w: w, made: map[string]bool{"": true, ".": true}} }

// Dir makes a directory with all its parents. The name is relative to the root; a directory that is there already is no error.
func (a *Writer) Dir(name string) error {
	name = strings.Trim(path.Clean("/"+name), "/")
	if a.made[name] {
		return nil
	}
	if err := a.Dir(path.Dir(name)); err != nil {
		return err
	}
	a.made[name] = true
	return a.entry(name, directory|0o755, nil)
}

// File writes a regular file with its permissions, and the directories above it.
func (a *Writer) File(name string, perm uint32, data []byte) error {
	name = strings.Trim(path.Clean("/"+name), "/")
	switch {
	case name == "":
		return fmt.Errorf("cpio: a file needs a name")
	case a.made[name]:
		return fmt.Errorf("cpio: %s is in the archive already", name)
	case int64(len(data)) > 1<<32-1:
		return fmt.Errorf("cpio: %s has %d bytes; less than 4 GiB is allowed", name, len(data))
	}
	if err := a.Dir(path.Dir(name)); err != nil {
		return err
	}
	a.made[name] = true
	return a.entry(name, regular|perm&0o7777, data)
}

// Close writes the end of the archive. It does not close what it wrote to.
func (a *Writer) Close() error { return a.entry("TRAILER!!!", 0, nil) }

// entry writes header, name and data, each padded to four bytes. All numbers are eight hexadecimal digits.
func (a *Writer) entry(name string, mode uint32, data []byte) error {
	a.ino++
	links := 1
	if mode&directory != 0 {
		links = 2
	}
	// magic, inode, mode, uid, gid, links, time, size, device (2), device of a node (2), length of the name with its zero, checksum
	h := fmt.Sprintf("070701%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X", a.ino, mode, 0, 0, links, 0, len(data), 0, 0, 0, 0, len(name)+1, 0)
	if err := a.write([]byte(h + name + "\x00")); err != nil {
		return err
	}
	return a.write(data)
}

func (a *Writer) write(b []byte) error {
	n, err := a.w.Write(b)
	a.n += int64(n)
	if err != nil {
		return fmt.Errorf("cpio: %w", err)
	}
	if pad := -a.n & 3; pad != 0 {
		n, err = a.w.Write(make([]byte, pad))
		a.n += int64(n)
		if err != nil {
			return fmt.Errorf("cpio: %w", err)
		}
	}
	return nil
}
