package store

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"

	bolt "go.etcd.io/bbolt"
	"golang.org/x/mod/sumdb/tlog"

	"loadscribe/agent/evidence"
)

// VerifyEvidence makes the evidence log again from what the store holds: every
// block decoded, every event, groups, segments and texts, and compares it with
// the log, and that with its newest checkpoint and with one that was kept. It
// goes on after a break. An error means that it could not be done, or that Kept
// is no checkpoint. It may run beside recording.
func (s *Store) VerifyEvidence(ctx context.Context, o VerifyOptions) (Verdict, error) {
	v := verifier{s: s, ctx: ctx, o: o, gone: map[int64]bool{}, byRef: map[blockRef]int64{}, named: map[string]namedText{}}
	if err := v.run(); err != nil {
		return Verdict{}, fmt.Errorf("verify the evidence log: %w", err)
	}
	return v.Verdict, nil
}

type verifier struct {
	Verdict
	s     *Store
	ctx   context.Context
	o     VerifyOptions
	log   *LogReader
	dec   columnDecoder
	canon []byte // memory

	gone  map[int64]bool       // leaves that the log says were dropped
	byRef map[blockRef]int64   // leaf of each block
	named map[string]namedText // texts, by their hashes
	unmet []int64              // leaves of blocks that were not there
	key   ed25519.PublicKey
	last  SealLeaf

	// of the seal that is being read
	rows    uint64 // of its blocks
	counted bool   // all of them are known
}

func (v *verifier) run() error {
	var kept *evidence.Checkpoint
	if v.o.Kept != nil {
		c, err := evidence.ParseCheckpoint(evidence.FromMail(v.o.Kept))
		if err != nil {
			return fmt.Errorf("the kept checkpoint: %w", err)
		}
		kept = &c
	}
	var err error
	v.log, err = v.s.readLog()
	if errors.Is(err, ErrDamaged) {
		v.note(Break{What: BreakLog, Leaf: -1, Text: "the evidence log cannot be read: " + err.Error()})
		return nil
	}
	if err != nil {
		return err
	}
	v.dec = columnDecoder{dec: v.s.dec}
	v.s.mu.RLock()
	v.Unsealed = int64(len(v.s.tail) + len(v.s.events))
	v.s.mu.RUnlock()
	v.Leaves = v.log.Size()
	for _, step := range []func() error{v.structure, v.head, v.blocks, v.others, v.events, v.texts} {
		if err := step(); err != nil {
			return err
		}
	}
	if kept != nil {
		return v.kept(kept)
	}
	return nil
}

// broken notes a break of the log itself.
func (v *verifier) broken(leaf int64, format string, args ...any) {
	v.note(Break{What: BreakSeal, Leaf: leaf, Text: fmt.Sprintf("the evidence log contradicts itself at leaf %d: ", leaf) + fmt.Sprintf(format, args...)})
}

// structure reads the log from its first leaf on: what each seal says must be
// there, and nothing else.
func (v *verifier) structure() error {
	left := struct{ blocks, events, dropped uint64 }{}
	for i := range v.log.leaves {
		l := &v.log.leaves[i]
		at := int64(i)
		open := left.blocks + left.events + left.dropped
		switch {
		case (i == 0) != (l.kind == LeafBegin):
			v.broken(at, "it does not begin with the store's id")
		case l.kind == LeafDropped && left.blocks+left.events == 0 && left.dropped > 0:
			left.dropped--
			if err := v.dropped(at, l); err != nil {
				return err
			}
			continue
		case l.kind == LeafBlock && left.blocks > 0:
			left.blocks--
			v.byRef[l.ref] = at
			continue
		case l.kind == LeafEvent && left.blocks == 0 && left.events > 0:
			left.events--
			continue
		case open > 0 || l.kind > LeafSeal:
			v.broken(at, "a leaf of kind %d is not in its place", l.kind)
			left.blocks, left.events, left.dropped = 0, 0, 0
		}
		leaf, err := ReadLeaf(l.data)
		if err != nil {
			return err
		}
		switch l.kind {
		case LeafBegin:
			v.Began = *leaf.Begin
			if leaf.Begin.StoreID != v.log.id {
				v.broken(at, "it is that of another store, %x", leaf.Begin.StoreID)
			}
		case LeafKey:
			v.key = leaf.Key
			v.Keys = append(v.Keys, KeyUse{at, evidence.Fingerprint(leaf.Key)})
		case LeafSeal:
			v.sealed(at, leaf.Seal)
			left.blocks, left.events, left.dropped = leaf.Seal.Blocks, leaf.Seal.Events, leaf.Seal.Dropped
		}
	}
	if left.blocks+left.events+left.dropped > 0 {
		v.broken(v.Leaves-1, "it ends within a seal")
	}
	return nil
}

// sealed checks that a seal goes on behind the one before. Numbers may be
// missing: a power cut can take readings and events that were not safe yet.
func (v *verifier) sealed(at int64, l *SealLeaf) {
	v.Seals++
	scans, events := l.LastScan >= l.FirstScan, l.LastEvent >= l.FirstEvent
	if scans && l.FirstScan <= v.last.LastScan {
		v.broken(at, "readings %d to %d are sealed twice", l.FirstScan, v.last.LastScan)
	}
	if events && l.FirstEvent <= v.last.LastEvent {
		v.broken(at, "events %d to %d are sealed twice", l.FirstEvent, v.last.LastEvent)
	}
	if !scans && l.Scans > 0 || scans && l.Scans > l.LastScan-l.FirstScan+1 {
		v.broken(at, "readings %d to %d are %d", l.FirstScan, l.LastScan, l.Scans)
	}
	if !events && l.Events > 0 || events && l.Events > l.LastEvent-l.FirstEvent+1 {
		v.broken(at, "events %d to %d are %d", l.FirstEvent, l.LastEvent, l.Events)
	}
	last := *l
	last.LastScan, last.LastEvent = max(l.LastScan, v.last.LastScan), max(l.LastEvent, v.last.LastEvent)
	v.last = last
}

func (v *verifier) dropped(at int64, l *logLeaf) error {
	leaf, err := ReadLeaf(l.data)
	if err != nil {
		return err
	}
	for _, i := range leaf.Dropped.Leaves {
		if i < 0 || i >= at || v.log.leaves[i].kind != LeafBlock || v.gone[i] {
			v.broken(at, "it drops leaf %d, which is no block that was kept", i)
			continue
		}
		v.gone[i] = true
	}
	return nil
}

// head compares the tree with the newest checkpoint.
func (v *verifier) head() error {
	v.Text = v.log.Checkpoint()
	c, err := evidence.ParseCheckpoint(v.Text)
	if err != nil {
		v.note(Break{What: BreakCheckpoint, Leaf: -1, Text: "the newest checkpoint: " + err.Error()})
		return nil
	}
	v.Checkpoint = c
	root, err := tlog.TreeHash(v.Leaves, v.log)
	if err != nil {
		return err
	}
	if c.Size != v.Leaves || c.Root != root {
		v.note(Break{What: BreakRoot, Leaf: -1, Text: fmt.Sprintf("the %d leaves of the log are not the %d of its newest checkpoint", v.Leaves, c.Size)})
	}
	if public, err := c.PublicKey(); err != nil || !bytes.Equal(public, v.key) {
		v.note(Break{What: BreakCheckpoint, Leaf: -1, Text: "the newest checkpoint is signed by a key that the log does not name"})
	}
	if c.Origin != originOf(v.log.id) {
		v.note(Break{What: BreakCheckpoint, Leaf: -1, Text: "the newest checkpoint is that of another store, " + c.Origin})
	}
	if state := StateHash(v.log.groups, v.log.segments); state != v.last.State || !v.log.usesLogged() {
		v.note(Break{What: BreakState, Leaf: -1,
			Text: "the devices' settings (scales, units, roles) or the recording segments with their corrections of the clock are not as the last seal has them"})
	}
	return nil
}

// others finds what is stored and not in the log.
func (v *verifier) others() error {
	seen := make(map[blockRef]bool, len(v.log.refs))
	for _, r := range v.log.refs {
		leaf, known := v.byRef[r]
		switch {
		case seen[r]:
			b := v.breakAt(BreakBlockAdded, leaf, r)
			b.Text = v.say(b, "are there twice: they were added past the evidence log")
			v.note(b)
		case !known:
			if err := v.stranger(r); err != nil {
				return err
			}
		case v.gone[leaf]:
			b := v.breakAt(BreakBlockAdded, leaf, r)
			b.Text = v.say(b, "are there, and the log says that they were dropped")
			v.note(b)
		}
		seen[r] = true
	}
	return nil
}

// stranger tells of a block that the log does not have. One whose bytes fail
// their own checksum may have been damaged before the log began, which then
// could not take it.
func (v *verifier) stranger(r blockRef) error {
	value, err := v.log.block(r)
	if err != nil {
		return err
	}
	what, text := BreakBlockAdded, "are not in the evidence log: they were added past it"
	if _, err := openBlock(value); value != nil && errors.Is(err, ErrDamaged) {
		what, text = BreakBlockDamaged, "cannot be read and are not in the evidence log: they may have been damaged before it began"
	}
	b := v.breakAt(what, -1, r)
	b.Text = v.say(b, text)
	v.note(b)
	return nil
}

// texts checks that site files and maps are those of their hashes, by which
// events name them.
func (v *verifier) texts() error {
	var names [][]byte
	err := v.s.view(func(tx *bolt.Tx) error {
		b := tx.Bucket([]byte(bucketTexts))
		if b == nil {
			return nil
		}
		return b.ForEach(func(k, _ []byte) error {
			names = append(names, bytes.Clone(k))
			return nil
		})
	})
	if err != nil {
		return err
	}
	for _, name := range names {
		hash := fmt.Sprintf("%x", name)
		delete(v.named, hash)
		_, err := v.s.Text(hash)
		if errors.Is(err, ErrDamaged) || len(name) != sha256.Size {
			v.note(Break{What: BreakText, Leaf: -1, Text: fmt.Sprintf("the site file or map %x is not the one of its hash", name)})
		} else if err != nil {
			return err
		}
	}
	for hash, n := range v.named {
		v.event(BreakTextMissing, -1, n.by, fmt.Sprintf("names the version %.12s… of %s, which is gone", hash, n.file))
	}
	return nil
}

// kept compares the log with a checkpoint that lay elsewhere.
func (v *verifier) kept(c *evidence.Checkpoint) error {
	k := &KeptVerdict{Checkpoint: *c}
	v.Kept = k
	when := stamp(c.MadeMS)
	old, oldErr := evidence.ParseCheckpoint([]byte(v.Began.Old))
	switch {
	case c.Origin != originOf(v.log.id):
		k.Text = fmt.Sprintf("the kept checkpoint is of another store: %s, this is %s", c.Origin, originOf(v.log.id))
	case c.Size > v.Leaves:
		k.Text = fmt.Sprintf("the kept checkpoint of %s names %d leaves and the log has %d: it was cut back, or this is an older copy", when, c.Size, v.Leaves)
	default:
		root, err := tlog.TreeHash(c.Size, v.log)
		if err != nil {
			return err
		}
		k.Holds = root == c.Root
		k.Text = fmt.Sprintf("the log still begins with the %d leaves of the kept checkpoint of %s: none of them was altered, dropped or put in between since", c.Size, when)
		if !k.Holds {
			k.Text = fmt.Sprintf("the first %d leaves of the log are not those of the kept checkpoint of %s: the log was written anew", c.Size, when)
		}
	}
	if k.Holds {
		return nil
	}
	if oldErr == nil && c.Origin == old.Origin && c.Size <= old.Size {
		k.Text += fmt.Sprintf("; this log was begun by a salvage of a damaged file on %s, and the file that was set aside has the log before, of %d leaves",
			stamp(v.Began.WallMS), old.Size)
	}
	v.note(Break{What: BreakKept, Leaf: -1, Text: k.Text})
	return nil
}
