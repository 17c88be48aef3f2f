package dashboard

import (
	"bytes"
	"context"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/fstest"
)

func TestHostCheck(t *testing.T) {
	s := newTestServer(t, newShop(), Options{Listen: "Shop-PC:8477", Hosts: []string{"box.lan"}, Origins: []string{"https://air.example"}})
	tests := []struct {
		host string
		want int
	}{
		{"127.0.0.1:8477", 200}, {"127.0.0.1", 200}, {"127.9.9.9:1", 200}, {"[::1]:8477", 200}, {"[::1]", 200},
		{"localhost:8477", 200}, {"LOCALHOST", 200}, {"localhost.:8477", 200},
		{"shop-pc:8477", 200}, {"box.lan", 200}, {"air.example", 200},
		{"192.0.2.9:8477", 200}, // the connection's own address, below
		{"192.0.2.10:8477", 403},
		{"evil.example:8477", 403}, {"127.0.0.1.evil.example", 403}, {"localhost.evil.example", 403},
		{"evil.example#127.0.0.1", 403}, {"", 403}, {"2130706433", 403}, {"[::ffff:192.0.2.1]", 403},
	}
	for _, tt := range tests {
		r := httptest.NewRequest(http.MethodGet, "/api/v1/state", nil)
		r.Host = tt.host
		r = r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, net.Addr(&net.TCPAddr{IP: net.ParseIP("192.0.2.9"), Port: 8477})))
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		if w.Code != tt.want {
			t.Errorf("host %q: %d, want %d", tt.host, w.Code, tt.want)
		}
		if w.Code == 403 {
			readDocument(t).mustFit(t, "Error", w.Body.Bytes())
		}
	}
}

// Pages and metrics are behind the same check as the API.
func TestHostCheckHoldsEverywhere(t *testing.T) {
	s := newTestServer(t, newShop(), Options{})
	for _, target := range append([]string{"/", "/assets/index-9f8e7d.js", "/nothing"}, s.routes...) {
		if w := get(s, target, "Host", "evil.example"); w.Code != 403 {
			t.Errorf("%s under a foreign host: %d", target, w.Code)
		}
	}
}

func TestForeignPages(t *testing.T) {
	s := newTestServer(t, newShop(), Options{Origins: []string{"https://air.example"}})
	tests := []struct {
		name   string
		header []string
		want   int
	}{
		{"no browser", nil, 200},
		{"own page", []string{"Sec-Fetch-Site", "same-origin", "Sec-Fetch-Mode", "cors"}, 200},
		{"typed in", []string{"Sec-Fetch-Site", "none", "Sec-Fetch-Mode", "navigate"}, 200},
		{"followed link", []string{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "navigate"}, 200},
		{"foreign image", []string{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "no-cors"}, 403},
		{"foreign script", []string{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "cors", "Origin", "https://evil.example"}, 403},
		{"allowed origin", []string{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "cors", "Origin", "https://air.example"}, 200},
	}
	for _, tt := range tests {
		if w := get(s, "/api/v1/figures", tt.header...); w.Code != tt.want {
			t.Errorf("%s: %d, want %d", tt.name, w.Code, tt.want)
		}
	}
}

func TestHeaders(t *testing.T) {
	s := newTestServer(t, newShop(), Options{})
	for _, target := range []string{"/", "/api/v1/state", "/api/v1/nothing", "/healthz", "/metrics"} {
		h := get(s, target, "Origin", "https://evil.example").Header()
		for name, want := range map[string]string{
			"Content-Security-Policy": contentPolicy, "X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer",
			"Access-Control-Allow-Origin": "", "Access-Control-Allow-Credentials": "",
		} {
			if h.Get(name) != want {
				t.Errorf("%s: %s is %q, want %q", target, name, h.Get(name), want)
			}
		}
	}
	for _, word := range []string{"unsafe-inline", "unsafe-eval", "http:", "https:", "*"} {
		if strings.Contains(contentPolicy, word) {
			t.Errorf("the content policy allows %s", word)
		}
	}
}

func TestRefusalsAreLoggedOnceAMinute(t *testing.T) {
	var text bytes.Buffer
	s := newTestServer(t, newShop(), Options{Log: slog.New(slog.NewTextHandler(&text, nil))})
	for range 50 {
		get(s, "/", "Host", "evil.example"+strings.Repeat("x", 1000))
	}
	if n := strings.Count(text.String(), "\n"); n != 1 {
		t.Errorf("%d lines for 50 refusals, want 1", n)
	}
	if !strings.Contains(text.String(), "evil.example") || len(text.String()) > 600 {
		t.Errorf("log: %s", text.String())
	}
}

func TestPages(t *testing.T) {
	s := newTestServer(t, newShop(), Options{})
	tests := []struct {
		target, kind, cache string
		status              int
	}{
		{"/", "text/html; charset=utf-8", "no-cache", 200},
		{"/index.html", "text/html; charset=utf-8", "no-cache", 200},
		{"/assets/index-9f8e7d.js", "text/javascript; charset=utf-8", "public, max-age=31536000, immutable", 200},
		{"/assets/index-9f8e7d.css", "text/css; charset=utf-8", "public, max-age=31536000, immutable", 200},
		{"/assets/", "", "", 404},
		{"/favicon.ico", "", "", 404},
		{"/../go.mod", "", "", 404},
		{"/assets/../../go.mod", "", "", 404},
		{"/%2e%2e/go.mod", "", "", 404},
	}
	for _, tt := range tests {
		w := get(s, tt.target)
		// The router sends unclean paths to their clean form first.
		if w.Code == http.StatusMovedPermanently || w.Code == http.StatusTemporaryRedirect {
			w = get(s, w.Header().Get("Location"))
		}
		if w.Code != tt.status {
			t.Errorf("%s: %d, want %d", tt.target, w.Code, tt.status)
			continue
		}
		if tt.status != 200 {
			continue
		}
		h := w.Header()
		if h.Get("Content-Type") != tt.kind || h.Get("Cache-Control") != tt.cache {
			t.Errorf("%s: %q, %q", tt.target, h.Get("Content-Type"), h.Get("Cache-Control"))
		}
		etag := h.Get("ETag")
		again := get(s, tt.target, "If-None-Match", etag)
		if etag == "" || again.Code != http.StatusNotModified || again.Body.Len() != 0 {
			t.Errorf("%s with its ETag %s: %d, %d bytes", tt.target, etag, again.Code, again.Body.Len())
		}
		if other := get(s, tt.target, "If-None-Match", `"0"`); other.Code != 200 {
			t.Errorf("%s with another ETag: %d", tt.target, other.Code)
		}
	}
}

// An ETag is its content's: it changes with it, and only with it.
func TestETagFollowsContent(t *testing.T) {
	tag := func(page string) string {
		return get(newTestServer(t, newShop(), Options{Pages: fstest.MapFS{"index.html": {Data: []byte(page)}}}), "/").Header().Get("ETag")
	}
	first, same, other := tag("a"), tag("a"), tag("b")
	if first != same || first == other {
		t.Errorf("tags %s and %s of the same page, %s of another", first, same, other)
	}
}

func TestBinaryWithoutPages(t *testing.T) {
	s := newTestServer(t, newShop(), Options{Pages: fstest.MapFS{"placeholder.txt": {Data: []byte("x")}}})
	w := get(s, "/")
	if w.Code != 200 || !strings.Contains(w.Body.String(), "make build") || strings.Contains(w.Body.String(), "<script") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if get(s, "/api/v1/state").Code != 200 {
		t.Error("the API does not answer without pages")
	}
}

// The built-in pages are readable, built or not.
func TestBuiltInPages(t *testing.T) {
	s, err := New(newShop(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if w := get(s, "/"); w.Code != 200 || !strings.Contains(w.Body.String(), "<title>") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := get(s, "/placeholder.txt"); w.Code != 200 {
		t.Errorf("placeholder: %d", w.Code)
	}
}
