package store

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

// fullDisk mounts a file system of 8 MiB in memory and fills it up but for 1 MiB with a file named ballast. It takes root.
func fullDisk(t *testing.T) (string, error) {
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=8m"); err != nil {
		return "", err
	}
	t.Cleanup(func() { _ = syscall.Unmount(dir, syscall.MNT_DETACH) }) // a mount that stays is seen by the removal of dir
	return dir, os.WriteFile(filepath.Join(dir, "ballast"), make([]byte, 7<<20), 0o600)
}
