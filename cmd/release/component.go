package main

import (
	"bytes"
	"context"
	"debug/buildinfo"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"
)

// Component is something of others that is in a binary.
type Component struct {
	Kind    string // one of the kinds below
	Name    string // as its home names it: a module's path, a package of npm
	Version string
	Sum     string // as go.sum or package-lock.json has it; empty: none
	Part    string // what of it is in the binary, where that is not plain
	Notices []Notice
}

// Kinds of components.
const (
	kindGo     = "Go"        // the standard library and runtime
	kindModule = "Go module" // linked
	kindPage   = "npm"       // in the pages
)

// String is a component in a sentence.
func (c *Component) String() string { return c.Name + " " + c.Version }

// components are all of a binary: what it says of itself, with texts looked up where it
// was built from, and what the pages in it were bundled of.
func components(ctx context.Context, source *Source, t Target, binary *Binary) ([]Component, error) {
	info, err := buildinfo.Read(bytes.NewReader(binary.Content))
	if err != nil {
		return nil, err
	}
	standard, err := goItself(ctx, source, info.GoVersion)
	if err != nil {
		return nil, err
	}
	modules, err := modulesOf(ctx, source, t, info)
	if err != nil {
		return nil, err
	}
	pages, err := pageParts(source)
	if err != nil {
		return nil, err
	}
	all := slices.Concat([]Component{standard}, modules, pages)
	for i := range all {
		if err := judge(&all[i], &source.texts); err != nil {
			return nil, err
		}
	}
	return all, nil
}

// goItself is Go's standard library. What it holds of golang.org/x has the same texts.
func goItself(ctx context.Context, source *Source, version string) (Component, error) {
	c := Component{Kind: kindGo, Name: "stdlib", Version: strings.TrimPrefix(version, "go")}
	out, err := run(ctx, source.Root, nil, "go", "env", "GOROOT", "GOVERSION")
	if err != nil {
		return c, err
	}
	root, now, _ := strings.Cut(strings.TrimSpace(out), "\n")
	if now != version {
		return c, fmt.Errorf("the binary is of %s, the texts at hand are of %s", version, now)
	}
	c.Notices, err = noticesIn(root)
	return c, err
}

// modulesOf are the modules that a binary names, with the texts that lie beside the
// packages which are linked, and above these.
func modulesOf(ctx context.Context, source *Source, t Target, info *debug.BuildInfo) ([]Component, error) {
	out, err := run(ctx, source.Root, t.environment(), "go", "list", "-deps", "-f",
		"{{with .Module}}{{if not .Main}}{{.Path}}\t{{.Version}}\t{{.Dir}}\t{{$.Dir}}{{end}}{{end}}", "./cmd/loadscribe")
	if err != nil {
		return nil, err
	}
	roots, folders := map[string]string{}, map[string]map[string]bool{}
	for line := range strings.Lines(out) {
		f := strings.Split(strings.TrimSpace(line), "\t")
		if len(f) != 4 {
			continue // the standard library, and our own
		}
		module := f[0] + " " + f[1]
		if roots[module] == "" {
			roots[module], folders[module] = f[2], map[string]bool{}
		}
		for dir := f[3]; ; dir = filepath.Dir(dir) {
			folders[module][dir] = true
			if dir == f[2] {
				break
			}
		}
	}
	var all []Component
	for _, dep := range info.Deps {
		if dep.Replace != nil {
			return nil, fmt.Errorf("%s is replaced by %s: say in cmd/release what that means for its licence", dep.Path, dep.Replace.Path)
		}
		c := Component{Kind: kindModule, Name: dep.Path, Version: dep.Version, Sum: dep.Sum}
		module := c.String()
		if roots[module] == "" {
			return nil, fmt.Errorf("the binary holds %s, of which go list knows nothing", module)
		}
		if c.Notices, err = moduleNotices(dep.Path, roots[module], folders[module]); err != nil {
			return nil, err
		}
		all = append(all, c)
		delete(roots, module)
	}
	if len(roots) > 0 {
		return nil, fmt.Errorf("go list links %v, of which the binary says nothing", slices.Sorted(maps.Keys(roots)))
	}
	return all, nil
}

// besides are texts that hold for linked files and lie beside none of them.
var besides = map[string]string{
	"golang.org/x/image": "font/gofont/ttfs/README", // of the fonts, which are linked as Go packages
}

func moduleNotices(module, root string, folders map[string]bool) ([]Notice, error) {
	var all []Notice
	for _, dir := range slices.Sorted(maps.Keys(folders)) {
		found, err := noticesIn(dir)
		if err != nil {
			return nil, err
		}
		inside, err := filepath.Rel(root, dir)
		if err != nil {
			return nil, err
		}
		for _, n := range found {
			n.Name = filepath.ToSlash(filepath.Join(inside, n.Name))
			all = append(all, n)
		}
	}
	if name := besides[module]; name != "" {
		text, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(name)))
		if err != nil {
			return nil, err
		}
		all = append(all, Notice{Name: name, Text: string(text)})
	}
	return all, nil
}

const (
	pagesFolder = "dashboard/web"
	pagesList   = pagesFolder + "/dist/.vite/license.json" // the bundler's list of what it put in
	lockFile    = pagesFolder + "/package-lock.json"
)

// pageParts are the packages in the pages, as the bundler found them, held to the lock file.
func pageParts(source *Source) ([]Component, error) {
	list, err := source.read(pagesList)
	if err != nil {
		return nil, fmt.Errorf("the pages are not built (make web): %w", err)
	}
	var bundled []struct{ Name, Version, Identifier, Text string }
	if err := json.Unmarshal(list, &bundled); err != nil {
		return nil, fmt.Errorf("%s: %w", pagesList, err)
	}
	text, err := source.read(lockFile)
	if err != nil {
		return nil, err
	}
	var lock struct {
		Packages map[string]struct {
			Version, Integrity string
			Dev                bool
		}
	}
	if err := json.Unmarshal(text, &lock); err != nil {
		return nil, fmt.Errorf("%s: %w", lockFile, err)
	}
	const installed = "node_modules/"
	var all []Component
	for _, b := range bundled {
		locked := lock.Packages[installed+b.Name]
		if locked.Version != b.Version || locked.Dev {
			return nil, fmt.Errorf("the pages hold %s %s, which package-lock.json has not for them", b.Name, b.Version)
		}
		all = append(all, Component{Kind: kindPage, Name: b.Name, Version: b.Version, Sum: locked.Integrity, Notices: []Notice{{Name: "LICENSE", Text: b.Text}}})
	}
	vite := lock.Packages[installed+"vite"]
	own, err := source.read(pagesFolder + "/" + installed + "vite/LICENSE.md")
	if err != nil {
		return nil, err
	}
	core, _, _ := strings.Cut(string(own), "# Licenses of bundled dependencies") // of the bundler itself, of which nothing is in the pages
	all = append(all, Component{Kind: kindPage, Name: "vite", Version: vite.Version, Sum: vite.Integrity, Part: "the few lines by which a page loads its parts",
		Notices: []Notice{{Name: "LICENSE.md", Text: core}}})
	slices.SortFunc(all, func(a, b Component) int { return strings.Compare(a.Name, b.Name) })
	return all, nil
}
