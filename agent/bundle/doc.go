// Package bundle writes and checks evidence bundles: readings of a window as
// CSV, with all that a stranger needs to see that they are what the machine
// recorded. docs/verify/BUNDLE.md has every byte.
//
// Write makes a bundle from a Log in one pass over it; memory does not grow
// with the window's length. Verify needs nothing but the bundle: it computes
// the log's root from what is revealed and from the proof, holds it to the
// signed checkpoint, holds each block to the hashes in its leaf, and derives
// the CSV again, byte for byte. A checkpoint kept elsewhere, given to it, shows
// replay and truncation, which nothing in the bundle can.
//
// The package opens no file and prints nothing.
package bundle

import "errors"

var (
	// ErrContainer: the zip is damaged, or not in the one form that a bundle
	// has.
	ErrContainer = errors.New("not an intact evidence bundle")
	// ErrBroken: the container is whole, but what it holds does not fit
	// together: it was altered, or badly made.
	ErrBroken = errors.New("the evidence does not hold")
	// ErrKept: the bundle's log is not a continuation of the one that the kept
	// checkpoint names.
	ErrKept = errors.New("the kept checkpoint does not fit")
	// ErrNotReached: the bundle has no proof that reaches the kept checkpoint.
	ErrNotReached = errors.New("the bundle has no proof that reaches the kept checkpoint")
	// ErrEmpty: the log has no readings in the window.
	ErrEmpty = errors.New("no sealed readings in that window")
	// ErrTooLarge: more than a container can hold.
	ErrTooLarge = errors.New("too large for one bundle: take a shorter window or fewer channels")
)

// Names of the parts, in their order.
const (
	nameManifest    = "manifest.json"
	nameCheckpoint  = "checkpoint.txt"
	nameKept        = "kept.txt"
	nameConsistency = "consistency.bin"
	nameLeaves      = "leaves.bin"
	nameProof       = "proof.bin"
	nameGroups      = "groups.bin"
	nameSegments    = "segments.bin"
	prefixTexts     = "texts/"
	prefixBlocks    = "blocks/"
	suffixBlock     = ".bin"
	nameReadings    = "readings.csv"
)
