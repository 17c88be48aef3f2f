package dashboard

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"
)

// asset is one file of the pages.
type asset struct {
	data  []byte
	kind  string // media type
	etag  string
	cache string
}

// assets are the pages, read once.
type assets struct {
	files map[string]asset // by path below the root, without a leading slash
	built bool             // there is an index.html
}

// noPages is served where the pages were not built in.
const noPages = `<!doctype html>
<html lang="en">
<head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><title>loadscribe</title></head>
<body>
<main>
<h1>This binary was built without its pages</h1>
<p>The agent works: it polls, stores and answers. Only the pages are missing, because they were not built before the program was.</p>
<p>To have them, run <code>make build</code> in the source tree (it needs Node 20 or newer) and start the agent from <code>bin/loadscribe</code>.</p>
<p>Meanwhile: <a href="/api/v1/state">state</a>, <a href="/api/v1/figures">figures</a>, <a href="/api/v1/openapi.json">the API's description</a>.</p>
</main>
</body>
</html>
`

// readAssets reads every file below pages. Names under assets/ carry a hash of
// their content, so they never change; all else is asked for anew each time.
func readAssets(pages fs.FS) (*assets, error) {
	a := &assets{files: map[string]asset{}}
	err := fs.WalkDir(pages, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := fs.ReadFile(pages, name)
		if err != nil {
			return err
		}
		cache := "no-cache"
		if strings.HasPrefix(name, "assets/") {
			cache = "public, max-age=31536000, immutable"
		}
		a.add(name, data, cache)
		return nil
	})
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("read pages: %w", err)
	}
	if _, a.built = a.files["index.html"]; !a.built {
		a.add("index.html", []byte(noPages), "no-cache")
	}
	return a, nil
}

func (a *assets) add(name string, data []byte, cache string) {
	sum := sha256.Sum256(data)
	a.files[name] = asset{data, mediaType(name), `"` + hex.EncodeToString(sum[:16]) + `"`, cache}
}

// mediaType is our own table: the system's depends on the machine, and on some
// a script is text/plain.
func mediaType(name string) string {
	switch path.Ext(name) {
	case ".html":
		return "text/html; charset=utf-8"
	case ".js", ".mjs":
		return "text/javascript; charset=utf-8"
	case ".css":
		return "text/css; charset=utf-8"
	case ".json", ".map":
		return "application/json"
	case ".webmanifest":
		return "application/manifest+json"
	case ".svg":
		return "image/svg+xml"
	case ".png":
		return "image/png"
	case ".ico":
		return "image/x-icon"
	case ".woff2":
		return "font/woff2"
	case ".txt":
		return "text/plain; charset=utf-8"
	}
	return "application/octet-stream"
}

// has reports whether there is a page at a URL's path.
func (a *assets) has(urlPath string) bool {
	_, ok := a.files[assetName(urlPath)]
	return ok
}

func assetName(urlPath string) string {
	if name := strings.TrimPrefix(urlPath, "/"); name != "" {
		return name
	}
	return "index.html"
}

// ServeHTTP implements http.Handler. The path is looked up, never opened.
func (a *assets) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	name := assetName(r.URL.Path)
	f, ok := a.files[name]
	if !ok {
		http.Error(w, "no such page: start at /", http.StatusNotFound)
		return
	}
	allowWrite(w)
	h := w.Header()
	h.Set("Content-Type", f.kind)
	h.Set("Cache-Control", f.cache)
	h.Set("ETag", f.etag)
	http.ServeContent(w, r, name, time.Time{}, bytes.NewReader(f.data))
}
