package newsite

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// Write checks the draft once more and writes its maps, then the site file, which
// is there from then on. It writes no file that exists, but for a map with the very
// same bytes, and leaves none where it fails. The names are as the draft has them.
// Its error wraps ErrProblems or ErrExists where it is the caller's.
func (m *Maker) Write(d *Draft) (names []string, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	checked, err := m.Check(d)
	if err != nil {
		return nil, err
	}
	if n := len(checked.Problems); n > 0 {
		return nil, fmt.Errorf("%w: %d to be mended, first %s", ErrProblems, n, checked.Problems[0].Message)
	}
	if err := vacant(m.path); err != nil {
		return nil, err
	}
	folder := filepath.Dir(m.path)
	made := []string{}
	defer func() {
		if err == nil {
			return
		}
		for _, file := range made {
			err = errors.Join(err, os.Remove(file))
		}
	}()
	maps, err := m.mapsToWrite(d)
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(filepath.Join(folder, "maps"), 0o755); err != nil {
		return nil, fmt.Errorf("make the folder for the maps: %w", err)
	}
	for _, t := range maps {
		if err := createFile(filepath.Join(folder, filepath.FromSlash(t.name)), t.data, &made); err != nil {
			return nil, err
		}
		names = append(names, t.name)
	}
	if err := createFile(m.path, []byte(checked.Text), &made); err != nil {
		return nil, err
	}
	return append([]string{filepath.Base(m.path)}, names...), nil
}

// toWrite is a map that is not there yet.
type toWrite struct {
	name string
	data []byte
}

// mapsToWrite are the maps that the draft brings or its devices name and that are
// not in the folder.
func (m *Maker) mapsToWrite(d *Draft) (all []toWrite, err error) {
	var wanted []string
	for i := range d.Maps {
		wanted = append(wanted, "maps/"+d.Maps[i].Name+".toml")
	}
	for i := range d.Device {
		wanted = append(wanted, strings.TrimSpace(d.Device[i].Map))
	}
	seen := map[string]bool{}
	for _, name := range wanted {
		if seen[name] {
			continue
		}
		seen[name] = true
		data, missing, err := m.mapText(name, d)
		if err != nil {
			return nil, fmt.Errorf("read the map %s: %w", name, err)
		}
		if !missing {
			continue
		}
		there, err := os.ReadFile(filepath.Join(filepath.Dir(m.path), filepath.FromSlash(name)))
		switch {
		case err == nil && bytes.Equal(there, data):
		case err == nil:
			return nil, fmt.Errorf("%s with another text: %w; give the map another name", name, ErrExists)
		case errors.Is(err, os.ErrNotExist):
			all = append(all, toWrite{name, data})
		default:
			return nil, fmt.Errorf("look for the map %s: %w", name, err)
		}
	}
	return all, nil
}

// createFile writes a new file to the disk, and its name to made once it exists.
func createFile(file string, data []byte, made *[]string) (err error) {
	f, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		if errors.Is(err, os.ErrExist) {
			return fmt.Errorf("%s: %w", filepath.Base(file), ErrExists)
		}
		return fmt.Errorf("write %s: %w", filepath.Base(file), err)
	}
	*made = append(*made, file)
	_, err = f.Write(data)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("write %s: %w", filepath.Base(file), err)
	}
	return nil
}
