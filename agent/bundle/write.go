package bundle

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"

	"golang.org/x/mod/sumdb/tlog"

	"loadscribe/agent/evidence"
	"loadscribe/agent/scan"
	"loadscribe/agent/store"
	"loadscribe/agent/transfer"
)

// Log is a log that stands still while it is read: *store.LogReader.
type Log interface {
	// Size is the number of leaves.
	Size() int64
	// Checkpoint is the text of the newest checkpoint, which is of that size.
	Checkpoint() []byte
	// Leaf returns a leaf's bytes.
	Leaf(i int64) ([]byte, error)
	// Prove returns what evidence.Root needs beside the revealed leaves.
	Prove(revealed []int64) ([]tlog.Hash, error)
	// ProveSince is the consistency proof from an older size.
	ProveSince(older int64) ([]tlog.Hash, error)
	// Canonical writes the canonical bytes of a block, by its leaf.
	Canonical(i int64, w io.Writer) error
	// State returns the records of groups, all versions, and of segments.
	State() (groups, segments [][]byte)
	// Text returns the text of a SHA-256, or an error that wraps
	// store.ErrNoText.
	Text(hash string) ([]byte, error)
}

// Options say what a bundle shows.
type Options struct {
	// FromMS and ToMS are the window, half open.
	FromMS, ToMS int64
	// Layout and Channels are the CSV's; no channels means all.
	Layout   transfer.Layout
	Channels []string
	// Kept is the text of a checkpoint that was kept elsewhere, which the bundle
	// is to be checked against.
	Kept []byte
	// Progress, where set, is told the share that is done, from 0 to 1.
	Progress func(share float64)
}

// Write writes a bundle into an empty file and returns what it shows. Its
// errors are the log's, the file's, or say what cannot be shown: ErrEmpty,
// ErrTooLarge, ErrKept.
func Write(ctx context.Context, f File, log Log, o Options) (*Verdict, error) {
	w := &writer{ctx: ctx, log: log, o: o, zip: newZipWriter(f), file: f}
	var size int64
	for _, step := range []func() error{w.begin, w.survey, w.choose, w.reveal, w.texts, w.head, w.blocks, w.readings,
		func() (err error) { size, err = w.zip.finish(); return err }} {
		err := ctx.Err()
		if err == nil {
			err = step()
		}
		if err != nil {
			return nil, fmt.Errorf("make an evidence bundle: %w", err)
		}
	}
	d := w.v.verdict
	d.SHA256, d.Bytes, d.CSVBytes = w.zip.sum, size, w.zip.entries[len(w.zip.entries)-1].size
	return d, nil
}

// writer is one run of Write.
type writer struct {
	ctx  context.Context
	log  Log
	o    Options
	zip  *zipWriter
	file File

	kept             *evidence.Checkpoint
	groups, segments []byte
	found            survey
	show             []int64 // leaves to reveal, ascending
	leaves           []byte
	text             map[string][]byte
	// v has what verifying would find: the same rules choose and check.
	v *verifier
}

// begin reads what the log says of itself.
func (w *writer) begin() error {
	checkpoint, err := evidence.ParseCheckpoint(w.log.Checkpoint())
	if err != nil {
		return fmt.Errorf("the log's own checkpoint: %w", err)
	}
	if checkpoint.Size != w.log.Size() {
		return fmt.Errorf("%w: the log has %d leaves, its checkpoint names %d", ErrBroken, w.log.Size(), checkpoint.Size)
	}
	if w.o.Layout == "" {
		w.o.Layout = transfer.Long
	}
	if w.o.Channels == nil {
		w.o.Channels = []string{}
	}
	w.v = &verifier{checkpoint: checkpoint, verdict: &Verdict{},
		manifest: &manifest{Format: formatName, Version: formatVersion, FromMS: w.o.FromMS, ToMS: w.o.ToMS, Layout: w.o.Layout, Channels: w.o.Channels, LostTexts: []string{}}}
	groups, segments := w.log.State()
	w.groups, w.segments = appendRecords(nil, groups), appendRecords(nil, segments)
	if w.v.state, err = readState(w.groups, w.segments); err != nil {
		return err
	}
	for _, id := range w.o.Channels {
		if !w.v.state.hasChannel(id) {
			return fmt.Errorf("channel %q is not stored", id)
		}
	}
	return w.readKept()
}

// readKept refuses a kept checkpoint that no proof can lead to.
func (w *writer) readKept() error {
	if w.o.Kept == nil {
		return nil
	}
	w.o.Kept = evidence.FromMail(w.o.Kept)
	kept, err := evidence.ParseCheckpoint(w.o.Kept)
	switch {
	case err != nil:
		return fmt.Errorf("%w: %w", ErrKept, err)
	case kept.Origin != w.v.checkpoint.Origin:
		return fmt.Errorf("%w: it is of the log %s, this is %s", ErrKept, kept.Origin, w.v.checkpoint.Origin)
	case kept.Size > w.v.checkpoint.Size:
		return fmt.Errorf("%w: it names %d leaves, the log has %d: the log was cut off or begun anew", ErrKept, kept.Size, w.v.checkpoint.Size)
	}
	w.kept = &kept
	return nil
}

// head writes all parts but blocks and readings.
func (w *writer) head() error {
	m, err := w.v.manifest.bytes()
	if err != nil {
		return err
	}
	proof, err := w.log.Prove(w.show)
	if err != nil {
		return err
	}
	parts := []part{{nameManifest, m}, {nameCheckpoint, w.log.Checkpoint()}}
	if w.kept != nil {
		since, err := w.log.ProveSince(w.kept.Size)
		if err != nil {
			return err
		}
		if err := evidence.CheckTree(w.v.checkpoint.Size, w.v.checkpoint.Root, w.kept.Size, w.kept.Root, since); err != nil {
			return fmt.Errorf("%w: what was logged before it was rewritten: %w", ErrKept, err)
		}
		parts = append(parts, part{nameKept, w.o.Kept}, part{nameConsistency, appendHashes(nil, since)})
	}
	parts = append(parts, part{nameLeaves, w.leaves}, part{nameProof, appendHashes(nil, proof)},
		part{nameGroups, w.groups}, part{nameSegments, w.segments})
	for _, hash := range slices.Sorted(maps.Keys(w.text)) {
		parts = append(parts, part{prefixTexts + hash, w.text[hash]})
	}
	for _, p := range parts {
		if err := w.zip.add(p.name, p.content); err != nil {
			return err
		}
	}
	w.v.leaves.hashes, w.leaves = nil, nil // all that is needed was read
	return nil
}

func appendHashes(b []byte, hashes []tlog.Hash) []byte {
	for i := range hashes {
		b = append(b, hashes[i][:]...)
	}
	return b
}

// texts reads the versions of files that events name.
func (w *writer) texts() error {
	w.text = map[string][]byte{}
	for _, hash := range w.v.shown.texts {
		text, err := w.log.Text(hash)
		if errors.Is(err, store.ErrNoText) {
			w.v.manifest.LostTexts = append(w.v.manifest.LostTexts, hash)
			continue
		}
		if err != nil {
			return err
		}
		w.text[hash] = text
	}
	w.v.verdict.Files, w.v.verdict.LostTexts = w.v.shown.files, w.v.manifest.LostTexts
	return nil
}

// blocksShare is the part of the work that writing the blocks is.
const blocksShare = 0.3

// blocks writes the canonical bytes of the window's blocks.
func (w *writer) blocks() error {
	v := w.v
	var places []int
	for _, b := range v.shown.blocks {
		if !v.state.inWindow(b, w.o.FromMS, w.o.ToMS) {
			continue
		}
		if v.shown.dropped[b.leaf] {
			v.verdict.Dropped++
			continue
		}
		v.readings = append(v.readings, b)
		places = append(places, len(w.zip.entries))
		err := w.ctx.Err()
		if err == nil {
			err = w.zip.begin(blockName(b.leaf))
		}
		if err == nil {
			err = w.log.Canonical(b.leaf, w.zip)
		}
		if err != nil {
			return fmt.Errorf("the block of %s from %s (leaf %d): %w", b.Device, stamp(b.MinWallMS), b.leaf, err)
		}
		w.tell(blocksShare * float64(len(places)) / float64(len(v.shown.blocks)))
	}
	if err := w.zip.begin(nameReadings); err != nil { // which ends the last block
		return err
	}
	for i, b := range v.readings {
		b.place = &w.zip.entries[places[i]]
	}
	v.verdict.Blocks = len(v.readings)
	return nil
}

// readings writes the CSV that follows from the blocks as they were written.
func (w *writer) readings() error {
	v := w.v
	v.box = &container{file: w.file, entries: w.zip.entries}
	rows, done := 0, 0
	for _, b := range v.readings {
		for i := range b.Groups {
			rows += b.Groups[i].Rows
		}
	}
	tick := func(*scan.Scan) {
		if done++; done%4096 == 0 {
			w.tell(blocksShare + (1-blocksShare)*float64(done)/float64(rows))
		}
	}
	return v.derive(w.ctx, w.zip, tick)
}

func (w *writer) tell(share float64) {
	if w.o.Progress != nil {
		w.o.Progress(share)
	}
}
