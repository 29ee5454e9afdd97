// Package web holds the browser page and serves its files. It knows nothing of the station: what the page shows it fetches
// from the API like anybody else.
package web

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"fmt"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strings"
)

// dist is what the page's build leaves behind. Only the placeholder is in version control, so that a plain go build works.
//
//go:embed all:dist
var dist embed.FS

// pages are the addresses at which the page itself is served; it finds out by itself what to show there. Any other unknown
// address is not found, so that a mistyped file does not come back as a page.
var pages = [...]string{"/", "/now", "/runs"}

// Handler serves the embedded files from memory.
type Handler struct {
	files map[string]file
	built bool
}

type file struct {
	plain, packed []byte // packed is empty when packing gains nothing
	kind, tag     string
	immutable     bool
}

// New reads the embedded files.
func New() (*Handler, error) {
	sub, err := fs.Sub(dist, "dist")
	if err != nil {
		return nil, err
	}
	return load(sub)
}

// Built reports whether the page is there, and not only its placeholder.
func (h *Handler) Built() bool { return h.built }

func load(from fs.FS) (*Handler, error) {
	h := &Handler{files: map[string]file{}}
	err := fs.WalkDir(from, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := fs.ReadFile(from, name)
		if err != nil {
			return err
		}
		h.files["/"+name] = newFile(name, data)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("read the embedded page: %w", err)
	}
	_, h.built = h.files["/index.html"]
	// Neither can only happen if somebody deleted the placeholder from the source.
	if _, ok := h.files["/placeholder.html"]; !ok && !h.built {
		return nil, fmt.Errorf("neither the page nor its placeholder is embedded")
	}
	return h, nil
}

// kinds are the content types of a page's files. The system's table differs from machine to machine, and with nosniff a
// script of the wrong type does not run.
var kinds = map[string]string{
	".html": "text/html; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8",
	".svg": "image/svg+xml", ".json": "application/json", ".webmanifest": "application/manifest+json", ".png": "image/png",
	".ico": "image/x-icon", ".woff2": "font/woff2", ".txt": "text/plain; charset=utf-8", ".map": "application/json",
}

func newFile(name string, data []byte) file {
	f := file{plain: data, kind: kinds[path.Ext(name)], immutable: strings.HasPrefix(name, "assets/")}
	if f.kind == "" {
		if f.kind = mime.TypeByExtension(path.Ext(name)); f.kind == "" {
			f.kind = "application/octet-stream"
		}
	}
	// 96 bits of a hash of the content: no dates are involved, so the tag is the same for every build of the same page.
	sum := sha256.Sum256(data)
	f.tag = base64.RawURLEncoding.EncodeToString(sum[:12])
	var b bytes.Buffer
	// Packed once, here, as well as it goes. What gains less than a tenth (pictures, fonts) is sent as it is.
	z, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err == nil {
		_, err = z.Write(data)
	}
	if err == nil && z.Close() == nil && b.Len() < len(data)*9/10 {
		f.packed = b.Bytes()
	}
	return f
}

// ServeHTTP serves one file. Names of files under assets/ contain a hash of their content, so browsers may keep them for
// good; everything else is asked for again each time, which costs one empty answer.
func (h *Handler) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		w.Header().Set("Allow", "GET, HEAD")
		http.Error(w, "This is a page: GET it.", http.StatusMethodNotAllowed)
		return
	}
	f, ok := h.find(r.URL.Path)
	if !ok {
		http.Error(w, "There is no such page.", http.StatusNotFound)
		return
	}
	head := w.Header()
	head.Set("Content-Type", f.kind)
	head.Set("Cache-Control", "no-cache")
	if f.immutable {
		head.Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	head.Set("Vary", "Accept-Encoding")
	// Packed and plain are two representations, so they need two tags.
	data, tag := f.plain, `"`+f.tag+`"`
	if len(f.packed) > 0 && strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		head.Set("Content-Encoding", "gzip")
		data, tag = f.packed, `"`+f.tag+`-gz"`
	}
	head.Set("ETag", tag)
	for _, t := range strings.Split(r.Header.Get("If-None-Match"), ",") {
		if strings.TrimPrefix(strings.TrimSpace(t), "W/") == tag {
			w.WriteHeader(http.StatusNotModified)
			return
		}
	}
	head.Set("Content-Length", fmt.Sprint(len(data)))
	if r.Method == http.MethodHead {
		return
	}
	_, _ = w.Write(data)
}

// find returns the file for an address: a file of that name, or the page for one of its addresses.
func (h *Handler) find(at string) (file, bool) {
	if f, ok := h.files[at]; ok {
		return f, true
	}
	for _, p := range pages {
		if at == p || p != "/" && strings.HasPrefix(at, p+"/") {
			if h.built {
				return h.files["/index.html"], true
			}
			return h.files["/placeholder.html"], true
		}
	}
	return file{}, false
}
