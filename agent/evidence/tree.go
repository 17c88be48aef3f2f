package evidence

import (
	"errors"
	"fmt"
	"maps"
	"math/bits"
	"slices"

	"golang.org/x/mod/sumdb/tlog"
)

var (
	// ErrProof: the hashes given do not make up a tree of that size with these
	// leaves, or not the tree of that root.
	ErrProof = errors.New("the proof does not fit")
	// ErrNotReached: what is revealed does not determine the root of the older
	// tree. A consistency proof would.
	ErrNotReached = errors.New("what is revealed does not reach back to that size")
)

// LeafHash is the hash of a leaf with these bytes.
func LeafHash(data []byte) tlog.Hash { return tlog.RecordHash(data) }

// split is the largest power of two below n, n at least 2: where RFC 6962
// divides n leaves.
func split(n int64) int64 { return 1 << (bits.Len64(uint64(n-1)) - 1) }

// Prove returns what Root needs beside the revealed leaves to find the root of
// the tree of that size: the hashes of the largest subtrees without a revealed
// leaf, from left to right. With one leaf revealed these are the hashes of the
// RFC's audit path, in the order of their places instead of from below. The
// numbers may be in any order.
func Prove(size int64, revealed []int64, r tlog.HashReader) ([]tlog.Hash, error) {
	known, err := sorted(size, revealed)
	if err != nil {
		return nil, err
	}
	var need []int64 // stored hashes of all subtrees, one after the other
	var counts []int // how many of them each subtree has
	var walk func(lo, hi int64, known []int64)
	walk = func(lo, hi int64, known []int64) {
		switch {
		case len(known) == 0 && lo < hi:
			n := len(need)
			need = complete(need, lo, hi)
			counts = append(counts, len(need)-n)
		case hi-lo > 1:
			mid := lo + split(hi-lo)
			i, _ := slices.BinarySearch(known, mid)
			walk(lo, mid, known[:i])
			walk(mid, hi, known[i:])
		}
	}
	walk(0, size, known)
	hashes, err := r.ReadHashes(need)
	if err != nil {
		return nil, fmt.Errorf("prove %d of %d leaves: %w", len(known), size, err)
	}
	if len(hashes) != len(need) {
		return nil, fmt.Errorf("prove %d of %d leaves: %d hashes read of %d", len(known), size, len(hashes), len(need))
	}
	proof := make([]tlog.Hash, 0, len(counts))
	for _, n := range counts {
		proof = append(proof, join(hashes[:n]))
		hashes = hashes[n:]
	}
	return proof, nil
}

// complete appends where the hashes of the complete subtrees are stored that
// the leaves from lo up to hi consist of, the largest first. lo is a multiple
// of each of their sizes, as it is in any subtree of RFC 6962.
func complete(need []int64, lo, hi int64) []int64 {
	for lo < hi {
		level := bits.Len64(uint64(hi-lo)) - 1
		need = append(need, tlog.StoredHashIndex(level, lo>>level))
		lo += 1 << level
	}
	return need
}

// join is the hash over complete subtrees, the largest first.
func join(hashes []tlog.Hash) tlog.Hash {
	h := hashes[len(hashes)-1]
	for i := len(hashes) - 2; i >= 0; i-- {
		h = tlog.NodeHash(hashes[i], h)
	}
	return h
}

func sorted(size int64, revealed []int64) ([]int64, error) {
	known := slices.Compact(slices.Sorted(slices.Values(revealed)))
	if size < 0 || len(known) > 0 && (known[0] < 0 || known[len(known)-1] >= size) {
		return nil, fmt.Errorf("%w: a leaf outside a tree of %d leaves", ErrProof, size)
	}
	return known, nil
}

// emptyRoot is the root of a tree without leaves: the hash of nothing.
func emptyRoot() tlog.Hash {
	h, _ := tlog.TreeHash(0, nil) // it reads nothing, so that nothing can fail
	return h
}

// Root is the root of the tree of that size, from the hashes of the revealed
// leaves and what Prove made. All of the proof must be used up.
func Root(size int64, revealed map[int64]tlog.Hash, proof []tlog.Hash) (tlog.Hash, error) {
	f, err := newFinder(size, size, revealed, proof)
	if err != nil {
		return tlog.Hash{}, err
	}
	return f.whole, nil
}

// RootAt is the root that the tree had with its first older leaves. What is
// revealed must determine it: older lies on the edge of a revealed or hidden
// subtree, which it does where the leaves on both sides of it are revealed, or
// all of those before it from a power of two on; else ErrNotReached. It says
// nothing of whether the root of the tree of that size is the right one: see
// Root.
func RootAt(older, size int64, revealed map[int64]tlog.Hash, proof []tlog.Hash) (tlog.Hash, error) {
	if older < 0 || older > size {
		return tlog.Hash{}, fmt.Errorf("%w: the tree has %d leaves, not %d", ErrNotReached, size, older)
	}
	f, err := newFinder(older, size, revealed, proof)
	switch {
	case err != nil:
		return tlog.Hash{}, err
	case older == 0:
		return emptyRoot(), nil
	case !f.reached:
		return tlog.Hash{}, fmt.Errorf("%w: %d of %d leaves", ErrNotReached, older, size)
	}
	return f.part, nil
}

// finder finds the root of a tree and of the tree of its first leaves.
type finder struct {
	older    int64
	revealed map[int64]tlog.Hash
	proof    []tlog.Hash // what is left of it
	short    bool        // it was too short

	whole, part tlog.Hash
	reached     bool // part is known
}

func newFinder(older, size int64, revealed map[int64]tlog.Hash, proof []tlog.Hash) (*finder, error) {
	known, err := sorted(size, slices.Collect(maps.Keys(revealed)))
	if err != nil {
		return nil, err
	}
	f := &finder{older: older, revealed: revealed, proof: proof, whole: emptyRoot(), part: emptyRoot(), reached: true}
	if size > 0 {
		f.whole, f.part, f.reached = f.walk(0, size, known)
	}
	if f.short || len(f.proof) > 0 {
		return nil, fmt.Errorf("%w: %d hashes for %d of %d leaves", ErrProof, len(proof), len(known), size)
	}
	return f, nil
}

// walk returns the hash over the leaves from lo up to hi, and over those of
// them that the older tree has too, which means nothing where it has none.
func (f *finder) walk(lo, hi int64, known []int64) (whole, part tlog.Hash, reached bool) {
	switch {
	case len(known) == 0:
		if len(f.proof) == 0 {
			f.short = true
			return whole, part, false
		}
		whole, f.proof = f.proof[0], f.proof[1:]
		return whole, whole, hi <= f.older || lo >= f.older
	case hi-lo == 1:
		whole = f.revealed[lo]
		return whole, whole, true
	}
	mid := lo + split(hi-lo)
	i, _ := slices.BinarySearch(known, mid)
	left, leftPart, leftReached := f.walk(lo, mid, known[:i])
	right, rightPart, rightReached := f.walk(mid, hi, known[i:])
	whole = tlog.NodeHash(left, right)
	switch {
	case hi <= f.older:
		return whole, whole, true
	case mid < f.older:
		// the older tree divides these leaves at the same place
		return whole, tlog.NodeHash(leftPart, rightPart), rightReached
	}
	return whole, leftPart, leftReached
}

// ProveTree is the RFC's consistency proof: that the tree of size leaves begins
// with the older one. It is empty where the older one has no leaf, or all.
func ProveTree(size, older int64, r tlog.HashReader) ([]tlog.Hash, error) {
	if older < 0 || older > size {
		return nil, fmt.Errorf("%w: the tree has %d leaves, not %d", ErrProof, size, older)
	}
	if older == 0 || older == size {
		return nil, nil
	}
	p, err := tlog.ProveTree(size, older, r)
	if err != nil {
		return nil, fmt.Errorf("prove that %d leaves begin with %d: %w", size, older, err)
	}
	return p, nil
}

// CheckTree checks a consistency proof between two roots.
func CheckTree(size int64, root tlog.Hash, older int64, olderRoot tlog.Hash, proof []tlog.Hash) error {
	bad := fmt.Errorf("%w: a tree of %d leaves does not begin with that of %d", ErrProof, size, older)
	switch {
	case older < 0 || older > size:
		return bad
	case older == 0 || older == size:
		want := emptyRoot()
		if older == size {
			want = root
		}
		if len(proof) > 0 || olderRoot != want {
			return bad
		}
		return nil
	}
	if err := tlog.CheckTree(proof, size, root, older, olderRoot); err != nil {
		return bad
	}
	return nil
}
