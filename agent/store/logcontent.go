package store

import (
	"errors"
	"fmt"
	"math"

	"loadscribe/agent/evidence"
)

// blocks compares each block with its leaf.
func (v *verifier) blocks() error {
	const often = 64
	seal := int64(-1)
	for i := range v.log.leaves {
		at := int64(i)
		if v.o.Progress != nil && i%often == 0 {
			v.o.Progress(at, v.Leaves)
		}
		switch l := &v.log.leaves[i]; l.kind {
		case LeafSeal:
			v.sealRows(seal)
			seal, v.rows, v.counted = at, 0, true
		case LeafBlock:
			if err := v.ctx.Err(); err != nil {
				return err
			}
			if err := v.block(at, l); err != nil {
				return err
			}
		}
	}
	v.sealRows(seal)
	if err := v.droppedSince(); err != nil {
		return err
	}
	if v.o.Progress != nil {
		v.o.Progress(v.Leaves, v.Leaves)
	}
	return nil
}

// sealRows compares how many readings a seal's blocks have with what it says.
func (v *verifier) sealRows(at int64) {
	if at < 0 || !v.counted {
		return
	}
	leaf, err := ReadLeaf(v.log.leaves[at].data)
	if err == nil && leaf.Seal.Scans != v.rows {
		v.broken(at, "it sealed %d readings, and its blocks have %d", leaf.Seal.Scans, v.rows)
	}
}

func (v *verifier) block(at int64, l *logLeaf) error {
	value, err := v.log.block(l.ref)
	if err != nil {
		return err
	}
	if value == nil {
		return v.absent(at, l)
	}
	data, leaf, err := v.decode(l.ref, value)
	switch {
	case errors.Is(err, ErrDamaged):
		v.counted = false
		b := v.breakAt(BreakBlockDamaged, at, l.ref)
		b.Text = v.say(b, "cannot be read as they were kept: "+err.Error())
		v.note(b)
		return nil
	case err != nil:
		return err
	}
	v.Blocks++
	v.Readings += int64(leaf.rows())
	v.rows += leaf.rows()
	if evidence.LeafHash(data) != l.hash {
		v.counted = false
		b := v.breakAt(BreakBlockChanged, at, l.ref)
		b.Text = v.say(b, "are not those that were logged")
		v.note(b)
	}
	return nil
}

// decode reads a block and compares its readings with the hashes in its head.
func (v *verifier) decode(ref blockRef, value []byte) ([]byte, *BlockLeaf, error) {
	h, err := openBlock(value)
	if err == nil {
		err = checkRef(ref, h)
	}
	if err != nil {
		return nil, nil, err
	}
	data, canonical, err := decodeLeaf(h, &v.dec, v.canon)
	if err != nil {
		return nil, nil, err
	}
	v.canon = canonical
	leaf, err := ReadLeaf(data)
	return data, leaf.Block, err
}

// absent judges a block that is not there.
func (v *verifier) absent(at int64, l *logLeaf) error {
	if !v.gone[at] {
		v.counted = false
		v.unmet = append(v.unmet, at)
		return nil
	}
	data, err := v.log.droppedLeaf(l.ref)
	if err != nil && !errors.Is(err, ErrDamaged) {
		return err
	}
	leaf, rerr := ReadLeaf(data)
	if err != nil || data == nil || rerr != nil || evidence.LeafHash(data) != l.hash {
		v.counted = false
		b := v.breakAt(BreakLeafMissing, at, l.ref)
		b.Text = v.say(b, "were dropped, and their hashes are not there as they were logged")
		v.note(b)
		return nil
	}
	v.Dropped++
	v.rows += leaf.Block.rows()
	return nil
}

// droppedSince looks for what was missing in the log as it stands now: an agent
// that records may have dropped a day meanwhile.
func (v *verifier) droppedSince() error {
	if len(v.unmet) == 0 {
		return nil
	}
	now, err := v.s.readLog()
	if err != nil {
		return err
	}
	since := map[int64]bool{}
	for i := len(v.log.leaves); i < len(now.leaves); i++ {
		if l := &now.leaves[i]; l.kind == LeafDropped {
			leaf, err := ReadLeaf(l.data)
			if err != nil {
				return err
			}
			for _, gone := range leaf.Dropped.Leaves {
				since[gone] = true
			}
		}
	}
	for _, at := range v.unmet {
		if since[at] {
			v.Dropped++
			continue
		}
		b := v.breakAt(BreakBlockMissing, at, v.log.leaves[at].ref)
		b.Text = v.say(b, "are gone, and the log does not say that they were dropped")
		v.note(b)
	}
	return nil
}

// breakAt is a break at a block's place.
func (v *verifier) breakAt(what string, leaf int64, r blockRef) Break {
	v.s.mu.RLock()
	device, shift := v.s.deviceName(r.deviceNo), segmentOf(v.s.segments, r.firstSeq).ShiftMS
	v.s.mu.RUnlock()
	return Break{What: what, Leaf: leaf, Device: device, FromMS: r.hour*hourMS + shift, ToMS: (r.hour+1)*hourMS + shift}
}

func (v *verifier) say(b Break, what string) string {
	return fmt.Sprintf("the readings of %s from %s to %s UTC %s", b.Device, plainTime(b.FromMS), plainTime(b.ToMS), what)
}

// events compares each event with its leaf.
func (v *verifier) events() error {
	type kept struct {
		event Event
		met   bool
	}
	all := map[uint64]*kept{}
	for _, list := range v.log.lists {
		err := v.s.eachEvent(list.value, func(e Event) {
			switch {
			case all[e.Seq] != nil:
				v.event(BreakEventAdded, -1, &e, "has the number of another one: it was added past the evidence log")
				return
			case hourOf(e.WallMS) != list.hour:
				v.event(BreakEventMoved, -1, &e, "is kept where those of another hour belong, so that who asks for its time is not shown it")
			}
			all[e.Seq] = &kept{event: e}
		})
		if errors.Is(err, ErrDamaged) {
			v.note(Break{What: BreakEvents, Leaf: -1, Text: "a list of events cannot be read: " + err.Error()})
		} else if err != nil {
			return err
		}
	}
	for i := range v.log.leaves {
		l := &v.log.leaves[i]
		if l.kind != LeafEvent {
			continue
		}
		e := all[l.seq]
		if e == nil {
			v.note(Break{What: BreakEventMissing, Leaf: int64(i), Text: fmt.Sprintf("event %d is gone", l.seq)})
			continue
		}
		e.met = true
		v.Events++
		v.names(int64(i), &e.event)
		if evidence.LeafHash(eventLeaf(&e.event)) != l.hash {
			v.event(BreakEventChanged, int64(i), &e.event, "is not the one that was logged")
		}
	}
	for _, e := range all {
		if !e.met {
			v.event(BreakEventAdded, -1, &e.event, "is not in the evidence log: it was added past it")
		}
	}
	return nil
}

// namedText is a text that an event names.
type namedText struct {
	file string
	by   *Event
}

// names notes the version of a site file, map or column mapping that an event
// names. What was
// there before the log began may have been lost by then.
func (v *verifier) names(leaf int64, e *Event) {
	const began = 3 // the first leaf behind those of the begin, the key and the first seal
	if adopted := int64(v.Began.Blocks + v.Began.Events); adopted > 0 && leaf < began+adopted {
		return
	}
	file, hash := e.Data["file"], ""
	switch {
	case e.Kind == "config_changed" && file != "":
		hash = e.Data["after"]
	case e.Kind == KindImport:
		file, hash = e.Data["mapping_file"], e.Data["mapping"]
	}
	if hash != "" {
		v.named[hash] = namedText{file, e}
	}
}

func (v *verifier) event(what string, leaf int64, e *Event, says string) {
	v.note(Break{What: what, Leaf: leaf, Device: e.Subject, FromMS: e.WallMS, ToMS: e.WallMS,
		Text: fmt.Sprintf("event %d (%s, %s) %s", e.Seq, e.Kind, stamp(e.WallMS), says)})
}

// eventList is a value of events.
type eventList struct {
	hour  int64 // that it is found under; noHour: under none
	value []byte
}

const noHour = math.MinInt64

// keyHour is the hour whose events readers look for in the bucket of a day
// under a key.
func keyHour(day, key []byte) int64 {
	if len(day) != 8 || len(key) < 8 || get64(day) != dayOf(get64(key)) {
		return noHour
	}
	return get64(key)
}

// usesLogged reports whether each group and segment is read as one of the
// records that the last seal pins. Where a record is damaged reading turns to
// the copies, and these may have others.
func (r *LogReader) usesLogged() bool {
	pinned := map[string]bool{}
	newest := map[uint32]uint32{} // version of each group
	for _, b := range r.groups {
		if g, err := decodeGroup(b); err == nil {
			pinned[string(b)] = true
			newest[g.group.ID] = max(newest[g.group.ID], g.version)
		}
	}
	segments := map[string]bool{}
	for _, b := range r.segments {
		segments[string(b)] = true
	}
	for id, g := range r.used.groups {
		if !pinned[string(appendGroup(nil, g.groupRecord))] || g.version != newest[id] {
			return false
		}
	}
	for _, seg := range r.used.segments {
		if !segments[string(appendSegment(nil, &seg.Segment))] {
			return false
		}
	}
	return true
}
