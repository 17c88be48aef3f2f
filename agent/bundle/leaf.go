package bundle

import (
	"encoding/binary"
	"fmt"

	"golang.org/x/mod/sumdb/tlog"

	"loadscribe/agent/evidence"
	"loadscribe/agent/store"
)

// leafHead is what stands before a leaf's bytes in leaves.bin: its number 8,
// the length of what follows 4.
const leafHead = 12

// maxLeaves bounds leaves.bin, against a bundle made to exhaust memory: ten
// years of three devices with 12 channels have 140 MB.
const maxLeaves = 192 << 20

func appendLeaf(b []byte, index int64, data []byte) []byte {
	b = binary.LittleEndian.AppendUint64(b, uint64(index))
	b = binary.LittleEndian.AppendUint32(b, uint32(len(data)))
	return append(b, data...)
}

// leaf is a revealed leaf, read.
type leaf struct {
	store.Leaf
	index int64
	block *block // of a block's leaf
}

func readLeaf(index int64, data []byte) (leaf, error) {
	read, err := store.ReadLeaf(data)
	if err != nil {
		return leaf{}, err
	}
	l := leaf{Leaf: read, index: index}
	if read.Block != nil {
		l.block = &block{BlockLeaf: read.Block, leaf: index}
	}
	return l, nil
}

// end is the first leaf behind a seal's transaction, or 0 where its counts are
// beyond all logs.
func (l *leaf) end() int64 {
	const most = 1 << 40
	s := l.Seal
	if s.Blocks > most || s.Events > most || s.Dropped > most {
		return 0
	}
	return l.index + 1 + int64(s.Blocks+s.Events+s.Dropped)
}

// leaves are the revealed ones, by number.
type leaves struct {
	all    []leaf
	hashes map[int64]tlog.Hash
	place  map[int64]int // in all
}

// readLeaves reads leaves.bin.
func readLeaves(b []byte, size int64) (*leaves, error) {
	bad := func(format string, args ...any) error {
		return fmt.Errorf("%w: %s: %s", ErrBroken, nameLeaves, fmt.Sprintf(format, args...))
	}
	l := &leaves{hashes: map[int64]tlog.Hash{}, place: map[int64]int{}}
	before := int64(-1)
	for len(b) > 0 {
		if len(b) < leafHead {
			return nil, bad("it is cut off")
		}
		index, n := int64(binary.LittleEndian.Uint64(b)), int64(binary.LittleEndian.Uint32(b[8:]))
		if b = b[leafHead:]; n > int64(len(b)) {
			return nil, bad("leaf %d is cut off", index)
		}
		if index <= before || index >= size {
			return nil, bad("leaf %d is out of order, or not of a log of %d leaves", index, size)
		}
		before = index
		data := b[:n:n]
		b = b[n:]
		read, err := readLeaf(index, data)
		if err != nil {
			return nil, bad("leaf %d: %v", index, err)
		}
		l.hashes[index] = evidence.LeafHash(data)
		l.place[index] = len(l.all)
		l.all = append(l.all, read)
	}
	if len(l.all) == 0 {
		return nil, bad("it shows no leaf")
	}
	return l, nil
}

// at returns a leaf, or nil where it is not revealed.
func (l *leaves) at(index int64) *leaf {
	if i, ok := l.place[index]; ok {
		return &l.all[i]
	}
	return nil
}
