package bundle

import (
	"errors"
	"fmt"
	"maps"
	"slices"

	"loadscribe/agent/store"
)

// survey is what one pass over the whole log finds.
type survey struct {
	seals []surveyed
	keys  []int64
	files []fileVersion
	drops []deletion
	// imports are the segments that events tell to have come from files.
	imports map[int64]map[uint32]bool
	// segments are those of the blocks of each seal.
	segments map[int64]map[uint32]bool
}

// surveyed is a seal: where it is, how many blocks it has, and whether one of
// them may hold readings of the window.
type surveyed struct {
	leaf   int64
	end    int64 // the first leaf behind it
	blocks int
	within bool
}

// fileVersion is an event that names a version of a file.
type fileVersion struct {
	leaf       int64
	name, hash string
}

// deletion is a leaf that tells of deleted blocks.
type deletion struct {
	leaf  int64
	drops []int64
}

// survey reads each leaf once. A leaf that is damaged in the store is passed
// over here: where it belongs to what is to be shown, reveal meets it again.
func (w *writer) survey() error {
	f := &w.found
	f.imports, f.segments = map[int64]map[uint32]bool{}, map[int64]map[uint32]bool{}
	for n := range w.v.checkpoint.Size {
		if n%256 == 0 {
			if err := w.ctx.Err(); err != nil {
				return err
			}
		}
		data, err := w.log.Leaf(n)
		if errors.Is(err, store.ErrDamaged) {
			continue
		}
		if err != nil {
			return err
		}
		l, err := readLeaf(n, data)
		if err != nil {
			return fmt.Errorf("leaf %d: %w", n, err)
		}
		switch l.Kind {
		case store.LeafSeal:
			f.seals = append(f.seals, surveyed{leaf: n, end: l.end()})
		case store.LeafKey:
			f.keys = append(f.keys, n)
		case store.LeafBlock:
			if len(f.seals) == 0 {
				return fmt.Errorf("%w: leaf %d is a block before the first seal", ErrBroken, n)
			}
			seal := &f.seals[len(f.seals)-1]
			seal.blocks++
			if f.segments[seal.leaf] == nil {
				f.segments[seal.leaf] = map[uint32]bool{}
			}
			f.segments[seal.leaf][l.block.Segment] = true
			seal.within = seal.within || w.v.state.inWindow(l.block, w.o.FromMS, w.o.ToMS)
		case store.LeafEvent:
			if name := configFile(l.Event); name != "" {
				f.files = append(f.files, fileVersion{n, name, l.Event.Data["after"]})
			}
			if imported := importedSegments(l.Event); len(imported) > 0 {
				f.imports[n] = imported
			}
		case store.LeafDropped:
			f.drops = append(f.drops, deletion{n, l.Dropped.Leaves})
		}
	}
	return nil
}

// choose finds the stretch to show: all seals with readings of the window, and
// on each side one more that has readings, none of them of the window.
func (w *writer) choose() error {
	seals := w.found.seals
	within := func(s surveyed) bool { return s.within }
	first := slices.IndexFunc(seals, within)
	if first < 0 {
		return fmt.Errorf("%w: from %s to %s", ErrEmpty, stamp(w.o.FromMS), stamp(w.o.ToMS))
	}
	last := first
	for i := first; i < len(seals); i++ {
		if seals[i].within {
			last = i
		}
	}
	for first--; first > 0 && seals[first].blocks == 0; {
		first--
	}
	for last++; last < len(seals)-1 && seals[last].blocks == 0; {
		last++
	}
	m := w.v.manifest
	m.FirstLeaf, m.EndLeaf = seals[max(first, 0)].leaf, seals[min(last, len(seals)-1)].end
	return nil
}

// reveal lists the leaves to show, reads them, and checks them as a verifier
// will.
func (w *writer) reveal() error {
	m, size := w.v.manifest, w.v.checkpoint.Size
	show := map[int64]bool{0: true}
	span := func(from, to int64) {
		for n := from; n < to; n++ {
			show[n] = true
		}
	}
	span(m.FirstLeaf, m.EndLeaf)
	span(w.found.seals[len(w.found.seals)-1].leaf, size)
	for _, n := range w.found.keys {
		show[n] = true
	}
	last := map[string]fileVersion{}
	for _, f := range w.found.files {
		if f.leaf < m.FirstLeaf {
			last[f.name] = f
		}
	}
	for _, f := range last {
		if f.hash != "" { // else it was no longer used
			show[f.leaf] = true
		}
	}
	for _, d := range w.found.drops {
		for _, n := range d.drops {
			if n >= m.FirstLeaf && n < m.EndLeaf {
				show[d.leaf] = true
			}
		}
	}
	for _, n := range w.importsShown() {
		show[n] = true
	}
	w.show = slices.Sorted(maps.Keys(show))
	for _, n := range w.show {
		data, err := w.log.Leaf(n)
		if err != nil {
			return fmt.Errorf("what is to be shown cannot be: %w", err)
		}
		w.leaves = appendLeaf(w.leaves, n, data)
	}
	if len(w.leaves) > maxLeaves {
		return fmt.Errorf("%w: %d MB of leaves", ErrTooLarge, len(w.leaves)>>20)
	}
	var err error
	if w.v.leaves, err = readLeaves(w.leaves, size); err != nil {
		return err
	}
	if err := w.v.checkShown(); err != nil {
		return err
	}
	return w.v.nameLog()
}

// importsShown are the events that tell of the import of a block of the stretch.
func (w *writer) importsShown() []int64 {
	here := map[uint32]bool{}
	for _, seal := range w.found.seals {
		if seal.leaf >= w.v.manifest.FirstLeaf && seal.leaf < w.v.manifest.EndLeaf {
			maps.Copy(here, w.found.segments[seal.leaf])
		}
	}
	var leaves []int64
	for n, imported := range w.found.imports {
		for segment := range imported {
			if here[segment] {
				leaves = append(leaves, n)
				break
			}
		}
	}
	return leaves
}
