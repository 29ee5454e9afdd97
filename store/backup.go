package store

import (
	"archive/tar"
	"bufio"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"net/url"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
)

// BackupFormat names the form of a backup: a tar archive, packed by gzip, whose first member is the manifest.
const BackupFormat = "trivet-backup-v1"

const manifestName = "manifest.json"

// mostManifest bounds what is read of a manifest, bytes.
const mostManifest = 64 << 20

// Manifest is what a backup says of itself.
type Manifest struct {
	Format string            `json:"format"`
	Files  []BackedFile      `json:"files"` // in the order of the archive
	Seals  map[string]string `json:"seals"` // newest link of each run and job, see Tested.Seals
}

// BackedFile is one file in a backup.
type BackedFile struct {
	Name   string `json:"name"` // below the data directory, with strokes
	Size   int64  `json:"size"`
	SHA256 string `json:"sha256"`
}

// leftOut reports whether a file of a data directory does not go into a backup: the databases, which are copied by other means, locks and what is
// half written, what was set aside as damaged, and pairings. Whoever restores a backup pairs anew, at the machine; an ended pairing must not come to life again.
func leftOut(name string) bool {
	base := path.Base(name)
	for _, tail := range []string{".db", ".db-wal", ".db-shm", ".tmp", ".new", ".next", ".reading"} {
		if strings.HasSuffix(base, tail) {
			return true
		}
	}
	return base == "lock" || strings.HasPrefix(base, "pairings.json") || strings.Contains(base, ".damaged-") || strings.HasPrefix(base, ".")
}

// Backup copies what is kept in the data directory dir into the new file out, while a station runs on it or not. What the station writes meanwhile is in the
// copy or not, but never half: of a run that is going on the backup has what was kept until then, and its restored record verifies.
//
// The copy is verified before it is named out. Faults of the record itself go into the backup as they are and are returned.
func Backup(ctx context.Context, dir, out string) (t Tested, err error) {
	work, err := os.MkdirTemp(filepath.Dir(out), ".trivet-backup-*")
	if err != nil {
		return t, fmt.Errorf("back up to %s: %w", out, cause(err))
	}
	defer func() { err = errors.Join(err, os.RemoveAll(work)) }()
	// state.db first: a run that ends in between is open in the copy, and all its samples are there. The other way round its end would
	// speak of samples that are not.
	for _, name := range []string{"state", "samples"} {
		if err := copyDatabase(ctx, dir, work, name); err != nil {
			return t, err
		}
	}
	if err := dropYounger(ctx, work); err != nil {
		return t, err
	}
	if err := copyRest(dir, work); err != nil {
		return t, err
	}
	r, err := OpenReader(ctx, work)
	if err != nil {
		return t, err
	}
	t, err = r.VerifyAll(ctx)
	if err := errors.Join(err, r.Close()); err != nil {
		return t, fmt.Errorf("look through the copy: %w", err)
	}
	return t, writeBackup(work, out, t.Seals)
}

// copyDatabase copies one database as of one moment into the directory to, through a connection that cannot write.
func copyDatabase(ctx context.Context, dir, to, name string) error {
	f, err := openToRead(ctx, dir, name)
	if err != nil {
		return err
	}
	defer f.read.Close()
	conn, err := f.read.Conn(ctx)
	if err != nil {
		return fmt.Errorf("copy %s: %w", f.path, err)
	}
	defer conn.Close()
	// The file itself is opened for reading only; this pragma would also forbid to write another one.
	if _, err := conn.ExecContext(ctx, "PRAGMA query_only(0)"); err != nil {
		return fmt.Errorf("copy %s: %w", f.path, err)
	}
	if _, err := conn.ExecContext(ctx, "VACUUM INTO ?", dbPath(to, name)); err != nil {
		return fmt.Errorf("copy %s: %w", f.path, err)
	}
	return nil
}

// dropYounger takes out of the copy the samples of runs that were begun after state.db had been copied: the backup does not know these runs.
func dropYounger(ctx context.Context, work string) error {
	db, err := sql.Open("sqlite", (&url.URL{Scheme: "file", Path: dbPath(work, "samples")}).String())
	if err != nil {
		return err
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	if _, err := db.ExecContext(ctx, "ATTACH ? AS heads", dbPath(work, "state")); err != nil {
		return fmt.Errorf("tidy the copy: %w", err)
	}
	if _, err := db.ExecContext(ctx, "DELETE FROM chunks WHERE run > (SELECT coalesce(max(seq), 0) FROM heads.sqlite_sequence WHERE name='runs')"); err != nil {
		return fmt.Errorf("tidy the copy: %w", err)
	}
	return nil
}

// copyRest copies the small files: trips, commissioning, whatever else is kept there.
func copyRest(dir, work string) error {
	return filepath.WalkDir(dir, func(p string, e fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil // renamed while we looked; its new name comes later or is in place already
		}
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(dir, p)
		if err != nil || rel == "." {
			return err
		}
		switch {
		case leftOut(filepath.ToSlash(rel)) && e.IsDir():
			return fs.SkipDir
		case e.IsDir():
			return os.MkdirAll(filepath.Join(work, rel), 0o750)
		case leftOut(filepath.ToSlash(rel)) || !e.Type().IsRegular():
			return nil
		}
		data, err := os.ReadFile(p) // such files are written anew and renamed, so that one read sees one of them whole
		if err != nil {
			return err
		}
		return os.WriteFile(filepath.Join(work, rel), data, 0o640)
	})
}

// writeBackup packs the directory work into out, which appears under its name only when it is complete.
func writeBackup(work, out string, seals map[string]string) (err error) {
	m := Manifest{Format: BackupFormat, Seals: seals}
	err = filepath.WalkDir(work, func(p string, e fs.DirEntry, err error) error {
		if err != nil || !e.Type().IsRegular() {
			return err
		}
		rel, err := filepath.Rel(work, p)
		if err != nil {
			return err
		}
		sum, size, err := digestOf(p)
		m.Files = append(m.Files, BackedFile{filepath.ToSlash(rel), size, sum})
		return err
	})
	if err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(out), ".trivet-backup-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // does nothing after the rename
	zip := gzip.NewWriter(f)
	w := tar.NewWriter(zip)
	text, err := json.MarshalIndent(m, "", " ")
	if err != nil {
		return errors.Join(err, f.Close())
	}
	err = w.WriteHeader(&tar.Header{Name: manifestName, Mode: 0o640, Size: int64(len(text))})
	if err == nil {
		_, err = w.Write(text)
	}
	for _, b := range m.Files {
		if err != nil {
			break
		}
		err = addTo(w, work, b)
	}
	if err := errors.Join(err, w.Close(), zip.Close(), f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("write %s: %w", out, err)
	}
	if err := os.Rename(f.Name(), out); err != nil {
		return err
	}
	return syncDir(filepath.Dir(out))
}

// addTo adds one file to the archive.
func addTo(w *tar.Writer, work string, b BackedFile) error {
	f, err := os.Open(filepath.Join(work, filepath.FromSlash(b.Name)))
	if err != nil {
		return err
	}
	defer f.Close()
	if err := w.WriteHeader(&tar.Header{Name: b.Name, Mode: 0o640, Size: b.Size}); err != nil {
		return err
	}
	_, err = io.Copy(w, f)
	return err
}

// digestOf is the SHA-256 of a file, in hexadecimal, and its size.
func digestOf(name string) (sum string, size int64, err error) {
	f, err := os.Open(name)
	if err != nil {
		return "", 0, err
	}
	defer f.Close()
	h := sha256.New()
	size, err = io.Copy(h, f)
	return hex.EncodeToString(h.Sum(nil)), size, err
}

// Restore unpacks a backup into the data directory dir, which must not hold records yet, and verifies it there: every file by its digest, every run
// and job by its chain. Nothing is left in dir when it fails.
func Restore(ctx context.Context, from, dir string) (t Tested, err error) {
	for _, name := range []string{"state", "samples"} {
		if _, err := os.Lstat(dbPath(dir, name)); err == nil {
			return t, fmt.Errorf("data directory %s: holds records already; choose a new one, or move %s.db, its companions and the other files away", dir, name)
		}
	}
	lock, err := lockDir(dir) // no station may begin there meanwhile
	if err != nil {
		return t, err
	}
	defer lock.Close()
	work, err := os.MkdirTemp(dir, ".restoring-*")
	if err != nil {
		return t, fmt.Errorf("data directory %s: %w", dir, cause(err))
	}
	defer func() { err = errors.Join(err, os.RemoveAll(work)) }()
	m, err := Unpack(from, work)
	if err != nil {
		return t, err
	}
	if t, err = verifyUnpacked(ctx, work, m); err != nil {
		return t, err
	}
	// The databases last: a directory without them can be restored into again.
	slices.SortStableFunc(m.Files, func(a, b BackedFile) int {
		return strings.Compare(map[bool]string{true: "b", false: "a"}[strings.HasSuffix(a.Name, ".db")], map[bool]string{true: "b", false: "a"}[strings.HasSuffix(b.Name, ".db")])
	})
	for _, b := range m.Files {
		to := filepath.Join(dir, filepath.FromSlash(b.Name))
		if err := os.MkdirAll(filepath.Dir(to), 0o750); err != nil {
			return t, err
		}
		if err := os.Rename(filepath.Join(work, filepath.FromSlash(b.Name)), to); err != nil {
			return t, err
		}
	}
	return t, syncDir(dir)
}

// syncDir brings the names in a directory to the disk.
func syncDir(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// verifyUnpacked looks through what came out of a backup and compares its seals with those of the manifest.
func verifyUnpacked(ctx context.Context, work string, m Manifest) (Tested, error) {
	r, err := OpenReader(ctx, work)
	if err != nil {
		return Tested{}, err
	}
	t, err := r.VerifyAll(ctx)
	if err := errors.Join(err, r.Close()); err != nil {
		return t, err
	}
	if !maps.Equal(t.Seals, m.Seals) {
		return t, errors.New("the runs and jobs in the backup are not those that its manifest names")
	}
	return t, nil
}

// VerifyBackup unpacks a backup beside it, looks through it and takes it away again.
func VerifyBackup(ctx context.Context, from string) (t Tested, err error) {
	work, err := os.MkdirTemp("", "trivet-verify-*")
	if err != nil {
		return t, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(work)) }()
	m, err := Unpack(from, work)
	if err != nil {
		return t, err
	}
	return verifyUnpacked(ctx, work, m)
}

// Unpack unpacks a backup into the directory to. Every file must be the one that the manifest names, by its name, size and digest.
func Unpack(from, to string) (m Manifest, err error) {
	f, err := os.Open(from)
	if err != nil {
		return m, err
	}
	defer f.Close()
	wrong := func(err error) error { return fmt.Errorf("%s is no whole backup: %w", from, err) }
	in := bufio.NewReader(f)
	zip, err := gzip.NewReader(in)
	if err != nil {
		return m, wrong(err)
	}
	zip.Multistream(false)
	r := tar.NewReader(zip)
	h, err := r.Next()
	if err != nil {
		return m, wrong(err)
	}
	text, err := io.ReadAll(io.LimitReader(r, mostManifest))
	if err != nil {
		return m, wrong(err)
	}
	if err := json.Unmarshal(text, &m); h.Name != manifestName || err != nil || m.Format != BackupFormat {
		return m, wrong(fmt.Errorf("it does not begin with a manifest of the format %q", BackupFormat))
	}
	for _, b := range m.Files {
		if err := unpackOne(r, to, b); err != nil {
			return m, wrong(err)
		}
	}
	if _, err := r.Next(); err != io.EOF {
		return m, wrong(errors.Join(err, errors.New("there is more in it than its manifest names")))
	}
	if _, err := io.Copy(io.Discard, zip); err != nil { // the sum at the end
		return m, wrong(err)
	}
	if _, err := in.ReadByte(); err != io.EOF {
		return m, wrong(errors.Join(err, errors.New("something follows its end")))
	}
	return m, nil
}

// unpackOne writes the next member, which must be b.
func unpackOne(r *tar.Reader, to string, b BackedFile) error {
	h, err := r.Next()
	if err != nil {
		return err
	}
	if h.Name != b.Name || h.Size != b.Size || !filepath.IsLocal(filepath.FromSlash(b.Name)) || h.Typeflag != tar.TypeReg {
		return fmt.Errorf("%.80q is not what its manifest names there, %.80q", h.Name, b.Name)
	}
	name := filepath.Join(to, filepath.FromSlash(b.Name))
	if err := os.MkdirAll(filepath.Dir(name), 0o750); err != nil {
		return err
	}
	f, err := os.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o640)
	if err != nil {
		return err
	}
	sum := sha256.New()
	_, err = io.Copy(io.MultiWriter(f, sum), r)
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if hex.EncodeToString(sum.Sum(nil)) != b.SHA256 {
		return fmt.Errorf("%s is not as it was written", b.Name)
	}
	return nil
}
