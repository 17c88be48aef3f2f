package bundle

import (
	"crypto/ed25519"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"loadscribe/agent/store"
)

// shown is what the revealed leaves say, once it is clear that they are a whole
// stretch of the log and its end.
type shown struct {
	begin   *store.BeginLeaf
	seals   []sealed
	blocks  []*block // of the stretch, in the log's order
	state   [32]byte // of the last seal
	dropped map[int64]bool
	texts   []string // hashes that events name, each once
	files   []SiteFile
	imports []store.Event
	missing uint64
	last    uint64 // last scan of the seals so far; 0: none had one
	begins  bool   // the stretch begins with the log's first seal
	ends    bool   // it ends with the log
}

// sealed is one transaction of the log.
type sealed struct {
	leaf   *leaf
	blocks []*block
}

// eventConfig tells of a version of a file.
const eventConfig = "config_changed"

// configFile is the file whose version an event names; empty: it names none.
func configFile(e *store.Event) string {
	if e.Kind != eventConfig {
		return ""
	}
	return e.Data["file"]
}

// checkShown checks that the revealed leaves are those that a bundle has: the
// log's begin and keys, a stretch of whole seals, the last seal to the log's
// end, and of other leaves only the versions of files before the stretch, and the
// imports and deletions of blocks in it.
func (v *verifier) checkShown() error {
	s := &shown{dropped: map[int64]bool{}}
	v.shown = s
	m := v.manifest
	if m.EndLeaf > v.checkpoint.Size {
		return broken("%s: the log has only %d leaves", nameManifest, v.checkpoint.Size)
	}
	if err := v.checkStretch(); err != nil {
		return err
	}
	tail, err := v.checkTail()
	if err != nil {
		return err
	}
	inside := map[int64]bool{}
	for _, b := range s.blocks {
		inside[b.leaf] = true
	}
	var key ed25519.PublicKey
	files := map[string]bool{}
	for i := range v.leaves.all {
		l := &v.leaves.all[i]
		within := l.index >= m.FirstLeaf && l.index < m.EndLeaf || l.index >= tail
		switch l.Kind {
		case store.LeafKey:
			key, within = l.Key, true
		case store.LeafBegin:
			if l.index != 0 {
				return broken("leaf %d: a log begins once", l.index)
			}
			s.begin, within = l.Begin, true
		case store.LeafEvent:
			name := configFile(l.Event)
			if !within && name != "" && l.index < m.FirstLeaf && !files[name] {
				files[name], within = true, true
			}
			within = within || s.tellsOf(l.Event)
			s.note(l.Event)
		case store.LeafDropped:
			for _, n := range l.Dropped.Leaves {
				within = within || inside[n]
				s.dropped[n] = true
			}
		}
		if !within {
			return broken("leaf %d is none that a bundle shows", l.index)
		}
	}
	if s.begin == nil {
		return broken("the log's begin is not shown")
	}
	if signed, err := v.checkpoint.PublicKey(); err != nil || !signed.Equal(key) {
		return broken("the checkpoint is not signed by the key that the log names last")
	}
	d := v.verdict
	d.FirstLeaf, d.EndLeaf, d.Begins, d.Ends, d.Missing = m.FirstLeaf, m.EndLeaf, s.begins, s.ends, s.missing
	d.Adopted = Adopted{Blocks: s.begin.Blocks, Events: s.begin.Events, Earlier: s.begin.Old}
	return nil
}

// importedSegments are the segments that an event tells to have come from files.
func importedSegments(e *store.Event) map[uint32]bool {
	if e.Kind != store.KindImport {
		return nil
	}
	all := map[uint32]bool{}
	for _, text := range strings.Split(e.Data["segments"], ",") {
		if n, err := strconv.ParseUint(text, 10, 32); err == nil {
			all[uint32(n)] = true
		}
	}
	return all
}

// tellsOf reports whether an event tells of the import of a block that is shown.
func (s *shown) tellsOf(e *store.Event) bool {
	imported := importedSegments(e)
	return slices.ContainsFunc(s.blocks, func(b *block) bool { return imported[b.Segment] })
}

// note takes an event of the log into account.
func (s *shown) note(e *store.Event) {
	if e.Kind == store.KindImport {
		s.imports = append(s.imports, *e)
	}
	hash := e.Data["after"]
	if name := configFile(e); name == "" || hash == "" {
		return
	} else {
		s.files = append(s.files, SiteFile{Name: name, SHA256: hash, FromMS: e.WallMS})
	}
	if !slices.Contains(s.texts, hash) {
		s.texts = append(s.texts, hash)
	}
}

// checkStretch checks the leaves from the first to before the end leaf: all are
// there, and they are whole seals, with keys between them.
func (v *verifier) checkStretch() error {
	s, m := v.shown, v.manifest
	for n := m.FirstLeaf; n < m.EndLeaf; {
		l := v.leaves.at(n)
		switch {
		case l != nil && l.Kind == store.LeafKey && n > m.FirstLeaf:
			n++
			continue
		case l == nil || l.Kind != store.LeafSeal:
			return broken("leaf %d is not shown, or not the seal that belongs there", n)
		case l.end() <= n || l.end() > m.EndLeaf:
			return broken("leaf %d: the seal is cut off", n)
		}
		blocks, err := v.sealBlocks(l)
		if err != nil {
			return err
		}
		s.seals = append(s.seals, sealed{l, blocks})
		s.blocks = append(s.blocks, blocks...)
		if err := s.checkSeal(&s.seals[len(s.seals)-1]); err != nil {
			return err
		}
		n = l.end()
	}
	s.ends = m.EndLeaf == v.checkpoint.Size
	s.begins = true
	for n := range m.FirstLeaf {
		if l := v.leaves.at(n); l == nil || l.Kind != store.LeafBegin && l.Kind != store.LeafKey {
			s.begins = false
			break
		}
	}
	return nil
}

// sealBlocks returns the blocks of a seal, all of whose leaves must be shown and
// be what it says that follows.
func (v *verifier) sealBlocks(seal *leaf) ([]*block, error) {
	var blocks []*block
	events, dropped := seal.index+1+int64(seal.Seal.Blocks), seal.end()-int64(seal.Seal.Dropped)
	for n := seal.index + 1; n < seal.end(); n++ {
		kind := byte(store.LeafBlock)
		if n >= dropped {
			kind = store.LeafDropped
		} else if n >= events {
			kind = store.LeafEvent
		}
		l := v.leaves.at(n)
		if l == nil || l.Kind != kind {
			return nil, broken("leaf %d is not shown, or not what the seal before it says", n)
		}
		if l.block != nil {
			blocks = append(blocks, l.block)
		}
	}
	return blocks, nil
}

// checkSeal holds blocks to their seal: its numbers are theirs, and follow those
// of the seal before.
func (s *shown) checkSeal(seal *sealed) error {
	first, last := seal.leaf.Seal.FirstScan, seal.leaf.Seal.LastScan
	rows := uint64(0)
	for _, b := range seal.blocks {
		if b.FirstSeq < first || b.LastSeq > last {
			return broken("leaf %d: a block with the scans %d to %d in a seal of %d to %d", b.leaf, b.FirstSeq, b.LastSeq, first, last)
		}
		for j := range b.Groups {
			rows += uint64(b.Groups[j].Rows)
		}
	}
	if rows != seal.leaf.Seal.Scans {
		return broken("leaf %d: %d scans in the blocks of a seal of %d", seal.leaf.index, rows, seal.leaf.Seal.Scans)
	}
	if last < first {
		return nil // of events alone
	}
	n := last - first + 1
	if rows > n {
		return broken("leaf %d: %d scans with %d numbers", seal.leaf.index, rows, n)
	}
	s.missing += n - rows
	if s.last > 0 {
		if first <= s.last {
			return broken("leaf %d: a seal from scan %d on after one up to %d", seal.leaf.index, first, s.last)
		}
		s.missing += first - s.last - 1
	}
	s.last = last
	return nil
}

// checkTail finds the last seal that is shown, which pins the state, and checks
// that the log ends with it, so that there is no later one.
func (v *verifier) checkTail() (int64, error) {
	for i := len(v.leaves.all) - 1; i >= 0; i-- {
		l := &v.leaves.all[i]
		if l.Kind != store.LeafSeal {
			continue
		}
		if l.end() != v.checkpoint.Size {
			return 0, broken("leaf %d: the last seal that is shown is not the last of the log", l.index)
		}
		if _, err := v.sealBlocks(l); err != nil {
			return 0, err
		}
		v.shown.state = l.Seal.State
		return l.index, nil
	}
	return 0, broken("no seal is shown")
}

// chooseBlocks finds the blocks of the window: their readings are there, and
// only theirs; at both edges of the stretch lies a seal with none of them.
func (v *verifier) chooseBlocks() error {
	s, m := v.shown, v.manifest
	for _, b := range s.blocks {
		if _, ok := v.state.segments[b.Segment]; !ok {
			return broken("leaf %d: a block of segment %d, which is not in %s", b.leaf, b.Segment, nameSegments)
		}
		place := v.blocks[b.leaf]
		delete(v.blocks, b.leaf)
		name := fmt.Sprintf("%s (%s from %s)", blockName(b.leaf), b.Device, stamp(b.MinWallMS))
		switch wanted := v.state.inWindow(b, m.FromMS, m.ToMS); {
		case !wanted && place != nil:
			return broken("%s is not of the window", name)
		case !wanted:
		case s.dropped[b.leaf]:
			if place != nil {
				return broken("%s was deleted, says the log, and is there", name)
			}
			v.verdict.Dropped++
		case place == nil:
			return broken("%s is missing", name)
		case place.size != b.size():
			return broken("%s has %d bytes where its leaf has %d", name, place.size, b.size())
		default:
			b.place = place
			v.readings = append(v.readings, b)
		}
	}
	for n := range v.blocks {
		return broken("%s is of no leaf that is shown", blockName(n))
	}
	if !s.begins && !v.outside(&s.seals[0]) {
		return broken("leaf %d: what is shown begins within the window: readings before it may be left out", m.FirstLeaf)
	}
	if !s.ends && !v.outside(&s.seals[len(s.seals)-1]) {
		return broken("leaf %d: what is shown ends within the window: readings after it may be left out", m.EndLeaf)
	}
	v.verdict.Blocks = len(v.readings)
	return nil
}

// outside reports whether a seal has readings, and all of them lie outside the
// window.
func (v *verifier) outside(s *sealed) bool {
	for _, b := range s.blocks {
		if v.state.inWindow(b, v.manifest.FromMS, v.manifest.ToMS) {
			return false
		}
	}
	return len(s.blocks) > 0
}
