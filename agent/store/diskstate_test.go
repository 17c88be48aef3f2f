package store

import (
	"bytes"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
)

// lies are promises that a bad disk breaks. They must be found out.
type lies struct {
	fileSync bool // a file's sync does nothing
	dirSync  bool // a directory's sync does nothing
	pageSync bool // the database's first sync does nothing
}

// diskFile is a file of the disk: what is safe, and what was written behind it.
type diskFile struct{ safe, rest []byte }

// diskDir is a directory: the names that are safe, and what happened since.
type diskDir struct {
	names map[string]int
	since []step
}

// stateAt writes into dir what the disk may hold if the power goes in step k.
func (d *cutDisk) stateAt(k int, r *rand.Rand, lie lies, dir string) error {
	files := map[int]*diskFile{}
	dirs := map[string]*diskDir{".": {names: map[string]int{}}, journalDir: {names: map[string]int{}}}
	dirOf := func(name string) *diskDir { return dirs[filepath.Dir(name)] }
	for i, name := range slices.Sorted(maps.Keys(d.base)) { // as newCutDisk numbers them
		files[i+1] = &diskFile{safe: d.base[name]}
		dirOf(name).names[name] = i + 1
	}
	if d.hadJournal {
		dirs["."].names[journalDir] = -1
	}
	apply := func(s step, whole bool) {
		switch s.kind {
		case stepMake, stepRemove, stepRename, stepMkdir:
			if s.kind == stepMake {
				files[s.inode] = &diskFile{}
			}
			dd := dirOf(s.name)
			dd.since = append(dd.since, s)
		case stepWrite:
			f := files[s.inode]
			f.rest = append(f.rest, s.data...)
		case stepSync:
			if f := files[s.inode]; whole && !lie.fileSync {
				f.safe, f.rest = append(bytes.Clone(f.safe), f.rest...), nil
			}
		case stepSyncDir:
			if dd := dirs[s.name]; whole && dd != nil && !lie.dirSync {
				dd.names, dd.since = dd.after(func() bool { return true }), nil
			}
		case stepCommit:
			files[s.inode] = &diskFile{safe: tornCommit(s, whole, lie.pageSync, r)}
		}
	}
	last := map[int]int{} // inode: its last commit before the cut
	for i, s := range d.steps[:k] {
		if s.kind == stepCommit {
			last[s.inode] = i
		}
	}
	for i, s := range d.steps[:k] {
		if s.kind == stepCommit && last[s.inode] != i {
			continue // a later one stands on it
		}
		apply(s, true)
	}
	apply(d.steps[k], false)

	top := dirs["."].kept(r)
	if top[journalDir] != 0 {
		if err := os.Mkdir(filepath.Join(dir, journalDir), 0o755); err != nil {
			return err
		}
	}
	var stale []byte
	for _, name := range slices.Sorted(maps.Keys(d.base)) {
		stale = append(stale, d.base[name]...)
	}
	for _, names := range []map[string]int{top, dirs[journalDir].kept(r)} {
		for _, name := range slices.Sorted(maps.Keys(names)) {
			if f := files[names[name]]; f != nil {
				_ = os.WriteFile(filepath.Join(dir, name), f.kept(r, stale), 0o644) // fails where the directory is lost
			}
		}
	}
	return nil
}

// after is the directory with those of its changes that keep says.
func (dd *diskDir) after(keep func() bool) map[string]int {
	names := maps.Clone(dd.names)
	for _, s := range dd.since {
		if !keep() {
			continue
		}
		switch s.kind {
		case stepMkdir:
			names[s.name] = -1
		case stepMake:
			names[s.name] = s.inode
		case stepRemove:
			if names[s.name] == s.inode {
				delete(names, s.name)
			}
		case stepRename:
			if names[s.name] == s.inode {
				delete(names, s.name)
			}
			names[s.to] = s.inode
		}
	}
	return names
}

// kept is the directory after the cut: all changes, none, or any of them.
func (dd *diskDir) kept(r *rand.Rand) map[string]int {
	switch r.IntN(3) {
	case 0:
		return dd.after(func() bool { return true })
	case 1:
		return dd.after(func() bool { return false })
	}
	return dd.after(func() bool { return r.IntN(2) == 0 })
}

// kept is the file after the cut.
func (f *diskFile) kept(r *rand.Rand, stale []byte) []byte {
	whole := append(bytes.Clone(f.safe), f.rest...)
	if len(f.rest) == 0 {
		return whole
	}
	length := len(f.safe) + r.IntN(len(f.rest)+1)
	switch r.IntN(4) {
	case 0:
		return f.safe
	case 1:
		return whole
	case 2:
		return whole[:length] // cut off
	}
	if r.IntN(2) == 0 {
		length = len(whole)
	}
	out := whole[:length]
	fill := r.IntN(2) == 0 && len(stale) > length
	for at := len(f.safe) / sector * sector; at < length; at += sector {
		if r.IntN(2) == 0 {
			continue
		}
		from, to := max(at, len(f.safe)), min(at+sector, length)
		clear(out[from:to])
		if fill {
			copy(out[from:to], stale[r.IntN(len(stale)-sector):])
		}
	}
	return out
}

// tornCommit is the database's file after a commit, or in the midst of one.
func tornCommit(s step, whole, lie bool, r *rand.Rand) []byte {
	before, after := s.before, bytes.Clone(s.after)
	if whole && !lie {
		return after
	}
	page := os.Getpagesize()
	grown := append(bytes.Clone(before), make([]byte, max(0, len(after)-len(before)))...)
	phase := r.IntN(4)
	if lie {
		phase = 1
	}
	switch phase {
	case 0: // the file is about to grow, or has
		if r.IntN(2) == 0 {
			return before
		}
		return grown
	case 1: // data pages on their way
		var changed []int
		for at := 2 * page; at < len(after); at += sector {
			if !bytes.Equal(grown[at:at+sector], after[at:at+sector]) {
				changed = append(changed, at)
			}
		}
		lose := r.IntN(4)
		one := r.IntN(len(changed) + 1)
		for i, at := range changed {
			var there bool
			switch lose {
			case 0:
				there = r.IntN(2) == 0
			case 1:
				there = rand.New(rand.NewPCG(uint64(at/page), uint64(one))).IntN(2) == 0 // whole pages, any order
			case 2:
				there = i < one // as far as it came
			default:
				there = i != one // one torn page
			}
			if there {
				copy(grown[at:at+sector], after[at:at+sector])
			}
		}
		if lie { // and yet the meta page is there
			copy(grown[:2*page], after)
		}
		return grown
	default: // all data is safe, the meta page is on its way
		copy(grown[2*page:], after[2*page:])
		if phase == 2 {
			return grown
		}
		for at := 0; at < 2*page; at += 8 {
			if r.IntN(2) == 0 {
				copy(grown[at:at+8], after[at:at+8])
			}
		}
		return grown
	}
}

func (s step) String() string {
	return fmt.Sprintf("%s %s%d", s.kind, s.name, s.inode)
}
