package web

import (
	"compress/gzip"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/fstest"
)

func page(t *testing.T, files map[string]string) *Handler {
	t.Helper()
	m := fstest.MapFS{}
	for name, text := range files {
		m[name] = &fstest.MapFile{Data: []byte(text)}
	}
	h, err := load(m)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func get(h http.Handler, path string, headers ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest("GET", path, nil)
	for i := 0; i < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func built(t *testing.T) *Handler {
	return page(t, map[string]string{"index.html": "<p>the page</p>", "placeholder.html": "<p>not built</p>",
		"assets/index-abc.js": strings.Repeat("let x = 1;", 500), "assets/index-abc.css": "p{}", "mark.svg": "<svg/>"})
}

func TestWithoutABuildThePlaceholderSaysHowToGetOne(t *testing.T) {
	h, err := New()
	if err != nil {
		t.Fatal(err)
	}
	placeholder := get(h, "/placeholder.html").Body.String()
	for _, want := range []string{"make web", `action="/api/v1/stop"`, "not built"} {
		if !strings.Contains(placeholder, want) {
			t.Errorf("the placeholder does not say %q", want)
		}
	}
	if strings.Contains(placeholder, "style=") || strings.Contains(placeholder, "<script") || strings.Contains(placeholder, "<style") {
		t.Error("the placeholder needs what the content security policy forbids")
	}
	bare := page(t, map[string]string{"placeholder.html": "<p>not built</p>"})
	if bare.Built() {
		t.Error("claims to be built")
	}
	if w := get(bare, "/"); w.Code != 200 || !strings.Contains(w.Body.String(), "not built") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

func TestThePageIsServedAtItsAddressesAndNowhereElse(t *testing.T) {
	h := built(t)
	if !h.Built() {
		t.Error("claims not to be built")
	}
	for _, at := range []string{"/", "/now", "/runs", "/runs/5"} {
		if w := get(h, at); w.Code != 200 || !strings.Contains(w.Body.String(), "the page") {
			t.Errorf("%s: %d %s", at, w.Code, w.Body)
		}
	}
	for _, at := range []string{"/assets/other.js", "/runsx", "/etc/passwd", "/../web.go", "/assets/", "/favicon.ico"} {
		if w := get(h, at); w.Code != 404 {
			t.Errorf("%s: %d", at, w.Code)
		}
	}
}

func TestFilesHaveTheTypeThatBrowsersInsistOn(t *testing.T) {
	h := built(t)
	for at, want := range map[string]string{"/assets/index-abc.js": "text/javascript; charset=utf-8", "/assets/index-abc.css": "text/css; charset=utf-8",
		"/mark.svg": "image/svg+xml", "/": "text/html; charset=utf-8"} {
		if got := get(h, at).Header().Get("Content-Type"); got != want {
			t.Errorf("%s: %q; want %q", at, got, want)
		}
	}
}

func TestHashedFilesAreKeptForGoodAndThePageIsAskedForAgain(t *testing.T) {
	h := built(t)
	if c := get(h, "/assets/index-abc.js").Header().Get("Cache-Control"); !strings.Contains(c, "immutable") {
		t.Errorf("asset: %q", c)
	}
	first := get(h, "/")
	if c := first.Header().Get("Cache-Control"); c != "no-cache" {
		t.Errorf("page: %q", c)
	}
	tag := first.Header().Get("ETag")
	if w := get(h, "/", "If-None-Match", `"x", `+tag); w.Code != http.StatusNotModified || w.Body.Len() != 0 {
		t.Errorf("asked again: %d, %d bytes", w.Code, w.Body.Len())
	}
	if w := get(h, "/", "If-None-Match", `"x"`); w.Code != http.StatusOK {
		t.Errorf("another tag: %d", w.Code)
	}
}

func TestTextIsPackedForThoseWhoCanUnpack(t *testing.T) {
	h := built(t)
	plain, packed := get(h, "/assets/index-abc.js"), get(h, "/assets/index-abc.js", "Accept-Encoding", "gzip, br")
	if packed.Header().Get("Content-Encoding") != "gzip" || packed.Body.Len() >= plain.Body.Len()/5 || packed.Header().Get("ETag") == plain.Header().Get("ETag") {
		t.Errorf("%d bytes packed, %d plain, %v", packed.Body.Len(), plain.Body.Len(), packed.Header())
	}
	z, err := gzip.NewReader(packed.Body)
	if err != nil {
		t.Fatal(err)
	}
	if text, err := io.ReadAll(z); err != nil || string(text) != plain.Body.String() {
		t.Error("unpacked it is something else")
	}
}

func TestOnlyReadingIsPossible(t *testing.T) {
	for _, m := range []string{"POST", "PUT", "DELETE"} {
		w := httptest.NewRecorder()
		built(t).ServeHTTP(w, httptest.NewRequest(m, "/", nil))
		if w.Code != http.StatusMethodNotAllowed {
			t.Errorf("%s: %d", m, w.Code)
		}
	}
	w := httptest.NewRecorder()
	built(t).ServeHTTP(w, httptest.NewRequest("HEAD", "/", nil))
	if w.Code != 200 || w.Body.Len() != 0 || w.Header().Get("Content-Length") == "" {
		t.Errorf("HEAD: %d, %d bytes, %v", w.Code, w.Body.Len(), w.Header())
	}
}

func TestAnEmptyBuildIsAnError(t *testing.T) {
	if _, err := load(fstest.MapFS{"x.txt": &fstest.MapFile{}}); err == nil {
		t.Error("accepted")
	}
}
