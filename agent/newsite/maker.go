package newsite

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"loadscribe/agent/sitefile"
)

// Errors of Write.
var (
	// ErrExists is a file that stands where one is to be written.
	ErrExists = errors.New("there is a file already")
	// ErrProblems is a draft that a start would refuse.
	ErrProblems = errors.New("the site file would be refused")
)

// mostMapBytes bounds what is read as a register map.
const mostMapBytes = 1 << 20

// Options are what a Maker needs of its surroundings.
type Options struct {
	// Listen is where the pages are served; the site file says so where it is not
	// the default. Empty: it says nothing.
	Listen string
	// Examples holds register maps as "maps/NAME.toml" that the program carries.
	Examples fs.FS
	// Warnings finds what is likely not meant in a site that can be loaded.
	Warnings func(*sitefile.Site) ([]sitefile.Problem, error)
}

// Maker makes one site file. Its methods may be called from several goroutines.
type Maker struct {
	path string
	o    Options
	mu   sync.Mutex // Write: one at a time
}

// New makes a Maker of the site file at path. An error that wraps ErrExists is of
// one that stands there.
func New(file string, o Options) (*Maker, error) {
	m := &Maker{path: file, o: o}
	if err := vacant(file); err != nil {
		return nil, err
	}
	return m, nil
}

// vacant reports whether nothing has this name.
func vacant(file string) error {
	_, err := os.Lstat(file)
	switch {
	case err == nil:
		return fmt.Errorf("%s: %w", file, ErrExists)
	case errors.Is(err, fs.ErrNotExist):
		return nil
	}
	return fmt.Errorf("look for %s: %w", file, err)
}

// Path is the site file to be, as it was given.
func (m *Maker) Path() string { return m.path }

func (m *Maker) listen() string {
	if m.o.Listen == sitefile.DefaultListen {
		return ""
	}
	return m.o.Listen
}

// MapFound is a register map that a device may name.
type MapFound struct {
	File  string `json:"file"`  // "maps/meter.toml"
	Title string `json:"title"` // the map's own name; empty where it cannot be read
	// Example is true of one that this program carries for a try: no real device
	// is like it. It is written beside the site file if it is used.
	Example bool `json:"example"`
}

// Maps are those in the folder beside the site file, then the examples.
func (m *Maker) Maps() []MapFound {
	all := []MapFound{}
	add := func(file string, example bool) {
		if !mapPath.MatchString(file) || slices.ContainsFunc(all, func(f MapFound) bool { return f.File == file }) {
			return
		}
		found := MapFound{File: file, Example: example}
		if data, _, err := m.mapText(file, &Draft{}); err == nil {
			if of, err := sitefile.ParseMap(file, data); err == nil {
				found.Title = of.Name
			}
		}
		all = append(all, found)
	}
	own, err := os.ReadDir(filepath.Join(filepath.Dir(m.path), "maps"))
	if err == nil { // else there is none yet
		for _, e := range own {
			if e.Type().IsRegular() {
				add(path.Join("maps", e.Name()), false)
			}
		}
	}
	examples, err := fs.Glob(m.o.Examples, "maps/*.toml")
	if err == nil { // a pattern of ours
		for _, file := range examples {
			add(file, true)
		}
	}
	return all
}

// mapText is the text of maps/NAME.toml: of the draft, else of the folder, else of
// the examples. missing tells that it is to be written.
func (m *Maker) mapText(file string, d *Draft) (data []byte, missing bool, err error) {
	if !mapPath.MatchString(file) {
		return nil, false, fmt.Errorf("%q: %w", file, fs.ErrNotExist)
	}
	for i := range d.Maps {
		if file == path.Join("maps", d.Maps[i].Name+".toml") {
			return []byte(strings.ReplaceAll(d.Maps[i].Text, "\r\n", "\n")), true, nil
		}
	}
	own := filepath.Join(filepath.Dir(m.path), filepath.FromSlash(file))
	if info, err := os.Lstat(own); err == nil && info.Mode().IsRegular() && info.Size() <= mostMapBytes {
		data, err := os.ReadFile(own)
		return data, false, err
	}
	data, err = fs.ReadFile(m.o.Examples, file)
	return data, true, err
}
