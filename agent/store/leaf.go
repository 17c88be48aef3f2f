package store

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/binary"
	"fmt"

	"loadscribe/agent/scan"
)

// Kinds of leaves of the evidence log: the first byte of a leaf (FORMAT.md).
const (
	LeafBegin   = 1
	LeafKey     = 2
	LeafSeal    = 3
	LeafBlock   = 4
	LeafEvent   = 5
	LeafDropped = 6
)

// Leaf is a leaf of the evidence log. The field of its kind alone is set.
type Leaf struct {
	Kind    byte
	Begin   *BeginLeaf
	Key     ed25519.PublicKey // signs from here on
	Seal    *SealLeaf
	Block   *BlockLeaf
	Event   *Event
	Dropped *DroppedLeaf
}

// BeginLeaf is the first leaf. What was in the store before is adopted as it
// was found: the log says nothing of whether it had been altered by then.
type BeginLeaf struct {
	StoreID        [16]byte
	Format         uint64 // of the store before
	WallMS         int64
	Blocks, Events uint64 // adopted by the first seal; dropped blocks count
	Old            string // checkpoint of the file that a salvage set aside; empty: none
}

// SealLeaf begins what one transaction added: it is followed by Blocks leaves
// of blocks in the order of their keys, then by Events leaves of events in the
// order of their numbers, then by Dropped leaves of what was deleted. The rows
// of its blocks are Scans.
type SealLeaf struct {
	WallMS                int64
	FirstScan, LastScan   uint64 // sealed here; none: LastScan is below FirstScan
	Scans                 uint64 // how many: fewer where a power cut took some that were not safe yet
	FirstEvent, LastEvent uint64 // likewise
	Blocks, Events        uint64
	Dropped               uint64
	State                 [sha256.Size]byte // see StateHash
}

// BlockLeaf is a block's head without its columns.
type BlockLeaf struct {
	Device               string
	DeviceNo             uint32
	Hour                 int64 // hours since 1970 UTC
	Segment              uint32
	FirstSeq, LastSeq    uint64
	MinWallMS, MaxWallMS int64 // as labelled
	Groups               []BlockGroup
}

// BlockGroup is a group's part of a block.
type BlockGroup struct {
	ID         uint32
	Rows, Good int
	Channels   int
	Hashes     [][sha256.Size]byte // the time columns, then each channel
}

// DroppedLeaf names the leaves of blocks that were deleted.
type DroppedLeaf struct {
	Day    int64 // days since 1970
	Leaves []int64
}

func appendBegin(b []byte, l *BeginLeaf) []byte {
	b = append(b, LeafBegin)
	b = append(b, l.StoreID[:]...)
	b = binary.AppendUvarint(b, l.Format)
	b = appendInt(b, l.WallMS)
	b = binary.AppendUvarint(b, l.Blocks)
	b = binary.AppendUvarint(b, l.Events)
	return appendString(b, l.Old)
}

func appendSeal(b []byte, l *SealLeaf) []byte {
	b = append(b, LeafSeal)
	b = appendInt(b, l.WallMS)
	for _, v := range []uint64{l.FirstScan, l.LastScan, l.Scans, l.FirstEvent, l.LastEvent, l.Blocks, l.Events, l.Dropped} {
		b = binary.AppendUvarint(b, v)
	}
	return append(b, l.State[:]...)
}

func appendDropped(b []byte, l *DroppedLeaf) []byte {
	b = append(b, LeafDropped)
	b = appendInt(b, l.Day)
	b = binary.AppendUvarint(b, uint64(len(l.Leaves)))
	last := int64(0)
	for _, i := range l.Leaves {
		b = binary.AppendUvarint(b, uint64(i-last))
		last = i
	}
	return b
}

func blockLeaf(h *blockHead) []byte { return appendLeaf([]byte{LeafBlock}, h) }
func eventLeaf(e *Event) []byte     { return appendEvent([]byte{LeafEvent}, e) }

// ReadLeaf reads a leaf. Bytes that are not exactly one are ErrDamaged, a kind
// that this program does not know is ErrNewer.
func ReadLeaf(data []byte) (Leaf, error) {
	r := reader{b: data}
	l := Leaf{Kind: r.byte()}
	switch l.Kind {
	case LeafBegin:
		l.Begin = &BeginLeaf{}
		copy(l.Begin.StoreID[:], r.take(16))
		l.Begin.Format, l.Begin.WallMS, l.Begin.Blocks, l.Begin.Events = r.uint(), r.int(), r.uint(), r.uint()
		l.Begin.Old = r.string()
	case LeafKey:
		l.Key = r.take(ed25519.PublicKeySize)
	case LeafSeal:
		l.Seal = &SealLeaf{WallMS: r.int(), FirstScan: r.uint(), LastScan: r.uint(), Scans: r.uint(), FirstEvent: r.uint(), LastEvent: r.uint(),
			Blocks: r.uint(), Events: r.uint(), Dropped: r.uint()}
		copy(l.Seal.State[:], r.take(sha256.Size))
	case LeafBlock:
		l.Block = readBlockLeaf(&r)
	case LeafEvent:
		e := readEvent(&r)
		l.Event = &e
	case LeafDropped:
		l.Dropped = readDropped(&r)
	default:
		if !r.bad {
			return Leaf{}, fmt.Errorf("%w: leaf of kind %d", ErrNewer, l.Kind)
		}
	}
	if r.bad || len(r.b) != 0 {
		return Leaf{}, fmt.Errorf("%w: leaf of the evidence log", ErrDamaged)
	}
	return l, nil
}

func readDropped(r *reader) *DroppedLeaf {
	d := &DroppedLeaf{Day: r.int()}
	d.Leaves = make([]int64, r.count(1))
	last := uint64(0)
	for i := range d.Leaves {
		last += r.uint()
		d.Leaves[i] = int64(last)
	}
	return d
}

func readBlockLeaf(r *reader) *BlockLeaf {
	b := &BlockLeaf{Device: r.string(), DeviceNo: uint32(r.uint()), Hour: r.int(), Segment: uint32(r.uint()),
		FirstSeq: r.uint(), LastSeq: r.uint(), MinWallMS: r.int(), MaxWallMS: r.int()}
	b.Groups = make([]BlockGroup, r.count(4+hashSize))
	values := uint64(0)
	for i := range b.Groups {
		g := &b.Groups[i]
		g.ID = uint32(r.uint())
		rows, good, channels := r.uint(), r.uint(), r.uint()
		if rows > maxBlockRows || good > rows || channels > maxChannels {
			r.bad = true
			return b
		}
		if values += rows * (channels + timeColumns); values > maxBlockValues {
			r.bad = true
			return b
		}
		g.Rows, g.Good, g.Channels = int(rows), int(good), int(channels)
		hashes := r.take((1 + channels) * hashSize)
		for ; len(hashes) > 0; hashes = hashes[hashSize:] {
			g.Hashes = append(g.Hashes, [hashSize]byte(hashes))
		}
	}
	if b.FirstSeq > b.LastSeq {
		r.bad = true
	}
	return b
}

// ref is the key of the leaf's block.
func (b *BlockLeaf) ref() blockRef {
	return blockRef{hour: b.Hour, deviceNo: b.DeviceNo, firstSeq: b.FirstSeq, lastSeq: b.LastSeq}
}

func (b *BlockLeaf) rows() (n uint64) {
	for i := range b.Groups {
		n += uint64(b.Groups[i].Rows)
	}
	return n
}

// GroupRecord is a group as `groups` keeps it.
type GroupRecord struct {
	Group   *scan.Group
	Version uint32 // of its metadata, from 1; the highest holds
}

// DecodeGroup reads a record that LogReader.State returned.
func DecodeGroup(record []byte) (GroupRecord, error) {
	g, err := decodeGroup(record)
	if err != nil {
		return GroupRecord{}, err
	}
	return GroupRecord{g.group, g.version}, nil
}

// DecodeSegment reads a record that LogReader.State returned.
func DecodeSegment(record []byte) (Segment, error) { return decodeSegment(record) }

// StateHash is what a seal says of all groups and segments.
func StateHash(groups, segments [][]byte) (sum [sha256.Size]byte) {
	h := sha256.New()
	var length []byte
	for _, list := range [][][]byte{groups, segments} {
		for _, record := range list {
			length = binary.AppendUvarint(length[:0], uint64(len(record)))
			h.Write(length)
			h.Write(record)
		}
	}
	h.Sum(sum[:0])
	return sum
}

// rowBytes are the canonical bytes of one row's times.
const rowBytes = 8 + 8 + 8 + 4 + 1

// canonicalSize is how many canonical bytes the group has.
func (g *BlockGroup) canonicalSize() int { return rowBytes*g.Rows + 9*g.Good*g.Channels }

// Check compares a block's canonical bytes, which are those of its groups in
// order, with the hashes of its leaf.
func (b *BlockLeaf) Check(canonical []byte) error {
	for i := range b.Groups {
		g := &b.Groups[i]
		if len(canonical) < g.canonicalSize() {
			return fmt.Errorf("%w: a block's canonical bytes are too few", ErrDamaged)
		}
		n := rowBytes * g.Rows
		for c, want := range g.Hashes {
			if sum := sha256.Sum256(canonical[:n]); sum != want {
				what := "times"
				if c > 0 {
					what = fmt.Sprintf("channel %d", c)
				}
				return fmt.Errorf("%w: %s of group %d do not have their hash", ErrDamaged, what, g.ID)
			}
			canonical, n = canonical[n:], 9*g.Good
		}
	}
	if len(canonical) > 0 {
		return fmt.Errorf("%w: a block has %d canonical bytes too many", ErrDamaged, len(canonical))
	}
	return nil
}
