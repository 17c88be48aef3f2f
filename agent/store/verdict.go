package store

import (
	"cmp"
	"slices"

	"loadscribe/agent/evidence"
)

// VerifyOptions are what VerifyEvidence can be given.
type VerifyOptions struct {
	// Kept is a checkpoint that was kept outside the machine; nil: none.
	Kept []byte
	// Progress may be nil. It is told how many of the leaves are looked at.
	Progress func(done, total int64)
}

// Verdict is what VerifyEvidence found.
type Verdict struct {
	Checkpoint evidence.Checkpoint // the newest one
	Text       []byte
	Keys       []KeyUse
	Began      BeginLeaf
	Leaves     int64
	Seals      int64
	Blocks     int64 // whose readings are here and were checked
	Dropped    int64 // whose hashes alone are here
	Readings   int64 // rows of the blocks that are here
	Events     int64
	// Unsealed is how many readings and events are not in the log yet.
	Unsealed int64
	// BreakCount is how many breaks there are, Breaks the first of them by
	// time, at most 100.
	BreakCount int64
	Breaks     []Break
	Kept       *KeptVerdict // nil where no checkpoint was given
}

// KeyUse is a key that signs from a leaf on.
type KeyUse struct {
	Leaf        int64
	Fingerprint string
}

// Sound reports whether nothing was found.
func (v *Verdict) Sound() bool { return v.BreakCount == 0 }

// KeptVerdict is what became of the log since a checkpoint that was kept.
type KeptVerdict struct {
	Checkpoint evidence.Checkpoint
	Holds      bool   // the log still begins with what it names
	Text       string // one sentence for people
}

// What a Break says is wrong.
const (
	BreakBlockChanged = "block_changed"   // not what was logged
	BreakBlockDamaged = "block_damaged"   // cannot be read
	BreakBlockMissing = "block_missing"   // gone, and the log does not say that it was dropped
	BreakBlockAdded   = "block_added"     // not in the log, or dropped and there again
	BreakLeafMissing  = "hashes_missing"  // of a dropped block
	BreakEventChanged = "event_changed"   //
	BreakEventMissing = "event_missing"   //
	BreakEventAdded   = "event_added"     //
	BreakEventMoved   = "event_moved"     // not where its time is looked for
	BreakEvents       = "events_damaged"  // a list of events that cannot be read
	BreakState        = "settings"        // groups or segments are not as the last seal has them
	BreakText         = "text_changed"    // a site file or map
	BreakTextMissing  = "text_missing"    // one that a logged event names
	BreakSeal         = "seal"            // the log contradicts itself
	BreakRoot         = "root"            // the leaves are not those of the newest checkpoint
	BreakCheckpoint   = "checkpoint"      // the newest one is not valid
	BreakKept         = "kept_checkpoint" // the log does not begin with the one that was kept
	BreakLog          = "log_damaged"     // the log itself cannot be read
)

// Break is one thing that is not as the log has it.
type Break struct {
	What         string
	Leaf         int64  // -1: none
	Device       string // empty: no one device
	FromMS, ToMS int64  // wall time, labels put right; both 0: of no certain time
	Text         string // one sentence for people
}

const maxBreaks = 100

// note keeps a break, the first by time.
func (v *Verdict) note(b Break) {
	v.BreakCount++
	timeless := func(b Break) int {
		if b.FromMS == 0 && b.ToMS == 0 {
			return 1
		}
		return 0
	}
	i, _ := slices.BinarySearchFunc(v.Breaks, b, func(have, b Break) int {
		c := cmp.Or(cmp.Compare(timeless(have), timeless(b)), cmp.Compare(have.FromMS, b.FromMS), cmp.Compare(have.Leaf, b.Leaf))
		if c == 0 {
			return -1 // behind those that are equal
		}
		return c
	})
	v.Breaks = slices.Insert(v.Breaks, i, b)
	v.Breaks = v.Breaks[:min(len(v.Breaks), maxBreaks)]
}
