package iofault

import (
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"unsafe"

	"modernc.org/libc"
	_ "modernc.org/sqlite" // the driver sets up the library before we touch it
	sqlite3 "modernc.org/sqlite/lib"
)

// SQLite reaches files through a table of functions (https://sqlite.org/vfs.html). The layer is a copy of the table of the
// system with open and delete replaced; open then gives each file a copy of its own table of functions, with those that
// can fail replaced. Everything is passed on to the original unless a rule says otherwise.

// shim is what the replaced functions need to know. There is one per process, because SQLite has one list of tables.
type shim struct {
	base  sqlite3.Tsqlite3_vfs // what the system offers
	mu    sync.Mutex
	disks map[string]*Disk    // by directory
	files map[uintptr]*open   // by the address that SQLite knows a file by
	table map[uintptr]uintptr // our copy of a table of file functions, by the original
}

// open is an open file under a watched directory.
type open struct {
	disk *Disk
	path string
	orig *sqlite3.Tsqlite3_io_methods
}

// installed returns the layer, and makes it the default the first time.
var installed = sync.OnceValues(install)

// the one shim, for functions that SQLite calls and that can carry nothing with them.
var it = &shim{disks: map[string]*Disk{}, files: map[uintptr]*open{}, table: map[uintptr]uintptr{}}

func install() (*shim, error) {
	// Through the driver once, so that it has made its own settings, which must come before the library is set up.
	db, err := sql.Open("sqlite", ":memory:")
	if err != nil {
		return nil, err
	}
	if err := errors.Join(db.Ping(), db.Close()); err != nil {
		return nil, err
	}
	tls := libc.NewTLS()
	defer tls.Close()
	base := sqlite3.Xsqlite3_vfs_find(tls, 0)
	if base == 0 {
		return nil, errors.New("iofault: SQLite has no file system")
	}
	it.base = *at[sqlite3.Tsqlite3_vfs](base)
	name, err := libc.CString("iofault")
	if err != nil {
		return nil, err
	}
	addr := libc.Xmalloc(tls, libc.Tsize_t(unsafe.Sizeof(it.base))) // for as long as the process lives
	if addr == 0 {
		return nil, errors.New("iofault: no memory")
	}
	v := at[sqlite3.Tsqlite3_vfs](addr)
	*v = it.base
	v.FzName = name
	put(&v.FxOpen, xOpen)
	put(&v.FxDelete, xDelete)
	if rc := sqlite3.Xsqlite3_vfs_register(tls, addr, 1); rc != sqlite3.SQLITE_OK {
		return nil, fmt.Errorf("iofault: SQLite refused the layer with code %d", rc)
	}
	return it, nil
}

// at looks at memory that the library owns.
func at[T any](addr uintptr) *T { return *(**T)(unsafe.Pointer(&addr)) }

// put stores a function in a table of the library. f must be a function of this package, not a closure.
func put[F any](slot *uintptr, f F) { *(*F)(unsafe.Pointer(slot)) = f }

// get takes a function out of a table of the library.
func get[F any](slot uintptr) F { return *(*F)(unsafe.Pointer(&slot)) }

// diskOf finds who watches a file.
func (s *shim) diskOf(path string) *Disk {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.disks[filepath.Dir(path)]
}

func (s *shim) file(addr uintptr) *open {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.files[addr]
}

// code is what the library makes of an error of the system (os_unix.c, from memory): a full disk has a code of its own,
// everything else is an I/O error that names the call.
func code(e syscall.Errno, op Op) int32 {
	if e == syscall.ENOSPC && (op == Write || op == Map) {
		return sqlite3.SQLITE_FULL
	}
	return [ops]int32{
		Open: sqlite3.SQLITE_CANTOPEN, Read: sqlite3.SQLITE_IOERR_READ, Write: sqlite3.SQLITE_IOERR_WRITE, Truncate: sqlite3.SQLITE_IOERR_TRUNCATE,
		Sync: sqlite3.SQLITE_IOERR_FSYNC, Size: sqlite3.SQLITE_IOERR_FSTAT, Lock: sqlite3.SQLITE_IOERR_LOCK, Map: sqlite3.SQLITE_IOERR_SHMMAP, Delete: sqlite3.SQLITE_IOERR_DELETE,
	}[op]
}

type (
	openFunc     = func(tls *libc.TLS, vfs, name, file uintptr, flags int32, out uintptr) int32
	deleteFunc   = func(tls *libc.TLS, vfs, name uintptr, syncDir int32) int32
	closeFunc    = func(tls *libc.TLS, file uintptr) int32
	transferFunc = func(tls *libc.TLS, file, buf uintptr, n int32, offset int64) int32
	truncateFunc = func(tls *libc.TLS, file uintptr, size int64) int32
	intFunc      = func(tls *libc.TLS, file uintptr, v int32) int32
	sizeFunc     = func(tls *libc.TLS, file, out uintptr) int32
	mapFunc      = func(tls *libc.TLS, file uintptr, page, size, extend int32, out uintptr) int32
)

func xOpen(tls *libc.TLS, vfs, name, file uintptr, flags int32, out uintptr) int32 {
	var d *Disk
	path := ""
	if name != 0 { // without a name it is a temporary file
		path = strings.Clone(libc.GoString(name))
		d = it.diskOf(path)
	}
	if d != nil {
		if v := d.ask(Open, path); v.errno != 0 {
			*at[uintptr](file) = 0 // no table of functions: the library must not close it
			return code(v.errno, Open)
		}
	}
	rc := get[openFunc](it.base.FxOpen)(tls, vfs, name, file, flags, out)
	methods := at[uintptr](file)
	if d == nil || rc != sqlite3.SQLITE_OK || *methods == 0 {
		return rc
	}
	it.mu.Lock()
	defer it.mu.Unlock()
	it.files[file] = &open{d, path, at[sqlite3.Tsqlite3_io_methods](*methods)}
	*methods = it.methods(tls, *methods)
	return rc
}

// methods returns our copy of a table of file functions. The caller holds the lock.
func (s *shim) methods(tls *libc.TLS, orig uintptr) uintptr {
	if addr, ok := s.table[orig]; ok {
		return addr
	}
	o := at[sqlite3.Tsqlite3_io_methods](orig)
	addr := libc.Xmalloc(tls, libc.Tsize_t(unsafe.Sizeof(*o))) // as many as there are kinds of file: a handful
	if addr == 0 {
		return orig // then this file does not fail; a test that waits for its failure says so
	}
	m := at[sqlite3.Tsqlite3_io_methods](addr)
	*m = *o
	put(&m.FxClose, xClose)
	put(&m.FxRead, xRead)
	put(&m.FxWrite, xWrite)
	put(&m.FxTruncate, xTruncate)
	put(&m.FxSync, xSync)
	put(&m.FxFileSize, xFileSize)
	put(&m.FxLock, xLock)
	if m.FiVersion >= 2 && m.FxShmMap != 0 {
		put(&m.FxShmMap, xShmMap)
	}
	s.table[orig] = addr
	return addr
}

func xDelete(tls *libc.TLS, vfs, name uintptr, syncDir int32) int32 {
	path := strings.Clone(libc.GoString(name))
	d := it.diskOf(path)
	if d != nil {
		if v := d.ask(Delete, path); v.errno != 0 {
			return code(v.errno, Delete)
		}
	}
	rc := get[deleteFunc](it.base.FxDelete)(tls, vfs, name, syncDir)
	if d != nil && rc == sqlite3.SQLITE_OK {
		d.note(Delete, path, 0, nil)
	}
	return rc
}

func xClose(tls *libc.TLS, file uintptr) int32 {
	f := it.file(file)
	it.mu.Lock()
	delete(it.files, file)
	it.mu.Unlock()
	return get[closeFunc](f.orig.FxClose)(tls, file)
}

func xRead(tls *libc.TLS, file, buf uintptr, n int32, offset int64) int32 {
	f := it.file(file)
	if v := f.disk.ask(Read, f.path); v.errno != 0 {
		return code(v.errno, Read)
	}
	return get[transferFunc](f.orig.FxRead)(tls, file, buf, n, offset)
}

func xWrite(tls *libc.TLS, file, buf uintptr, n int32, offset int64) int32 {
	f := it.file(file)
	v := f.disk.ask(Write, f.path)
	write := get[transferFunc](f.orig.FxWrite)
	if v.errno != 0 {
		if half := n / 2 / 512 * 512; v.torn && half > 0 {
			f.disk.note(Write, f.path, offset, unsafe.Slice(at[byte](buf), half))
			_ = write(tls, file, buf, half, offset) // the call fails in any case
		}
		return code(v.errno, Write)
	}
	f.disk.note(Write, f.path, offset, unsafe.Slice(at[byte](buf), n))
	return write(tls, file, buf, n, offset)
}

func xTruncate(tls *libc.TLS, file uintptr, size int64) int32 {
	f := it.file(file)
	if v := f.disk.ask(Truncate, f.path); v.errno != 0 {
		return code(v.errno, Truncate)
	}
	f.disk.note(Truncate, f.path, size, nil)
	return get[truncateFunc](f.orig.FxTruncate)(tls, file, size)
}

func xSync(tls *libc.TLS, file uintptr, flags int32) int32 {
	f := it.file(file)
	if v := f.disk.ask(Sync, f.path); v.errno != 0 {
		return code(v.errno, Sync)
	}
	rc := get[intFunc](f.orig.FxSync)(tls, file, flags)
	if rc == sqlite3.SQLITE_OK {
		f.disk.note(Sync, f.path, 0, nil)
	}
	return rc
}

func xFileSize(tls *libc.TLS, file, out uintptr) int32 {
	f := it.file(file)
	if v := f.disk.ask(Size, f.path); v.errno != 0 {
		return code(v.errno, Size)
	}
	return get[sizeFunc](f.orig.FxFileSize)(tls, file, out)
}

func xLock(tls *libc.TLS, file uintptr, level int32) int32 {
	f := it.file(file)
	if v := f.disk.ask(Lock, f.path); v.errno != 0 {
		return code(v.errno, Lock)
	}
	return get[intFunc](f.orig.FxLock)(tls, file, level)
}

func xShmMap(tls *libc.TLS, file uintptr, page, size, extend int32, out uintptr) int32 {
	f := it.file(file)
	if v := f.disk.ask(Map, f.path); v.errno != 0 {
		*at[uintptr](out) = 0
		return code(v.errno, Map)
	}
	return get[mapFunc](f.orig.FxShmMap)(tls, file, page, size, extend, out)
}
