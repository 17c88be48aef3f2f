package bundle

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"io"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"golang.org/x/mod/sumdb/tlog"

	"loadscribe/agent/evidence"
	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// madeLog is a log in memory, encoded here from docs/verify/BUNDLE.md, so that
// writer and verifier are not only held to the store's own encoders.
type madeLog struct {
	t        testing.TB
	key      *evidence.Key
	leaves   [][]byte
	hashes   []tlog.Hash
	canon    map[int64][]byte
	groups   [][]byte
	segments [][]byte
	text     map[string][]byte
	pending  [][]byte // leaves of the transaction that is being made
	blocks   map[int][]byte
	counts   [3]uint64 // blocks, events, dropped
	seq      uint64
	event    uint64
	sealed   [2]uint64 // last scan, last event
	shift    map[uint32]int64
	scans    []scan.Scan // all of them, wall times put right
	at       int64       // wall time
}

const (
	hourMS  = 3_600_000
	startMS = 1_772_409_600_000 // 2026-03-02T00:00:00Z
)

func (l *madeLog) Size() int64        { return int64(len(l.leaves)) }
func (l *madeLog) Checkpoint() []byte { return l.checkpointAt(l.Size()) }

func (l *madeLog) Leaf(i int64) ([]byte, error) { return l.leaves[i], nil }

func (l *madeLog) reader() tlog.HashReader {
	return tlog.HashReaderFunc(func(at []int64) ([]tlog.Hash, error) {
		out := make([]tlog.Hash, len(at))
		for i, n := range at {
			out[i] = l.hashes[n]
		}
		return out, nil
	})
}

func (l *madeLog) Prove(revealed []int64) ([]tlog.Hash, error) {
	return evidence.Prove(l.Size(), revealed, l.reader())
}

func (l *madeLog) ProveSince(older int64) ([]tlog.Hash, error) {
	return evidence.ProveTree(l.Size(), older, l.reader())
}

func (l *madeLog) Canonical(i int64, w io.Writer) error {
	b, ok := l.canon[i]
	if !ok {
		return fmt.Errorf("leaf %d has no block", i)
	}
	_, err := w.Write(b)
	return err
}

func (l *madeLog) State() (groups, segments [][]byte) { return l.groups, l.segments }

func (l *madeLog) Text(hash string) ([]byte, error) {
	if b, ok := l.text[hash]; ok {
		return b, nil
	}
	return nil, store.ErrNoText
}

const madeOrigin = "loadscribe/000102030405060708090a0b0c0d0e0f"

func (l *madeLog) checkpointAt(size int64) []byte {
	root, err := tlog.TreeHash(size, l.reader())
	if err != nil {
		l.t.Fatal(err)
	}
	c := evidence.Checkpoint{Origin: madeOrigin, Size: size, Root: root, MadeMS: l.at, FromMS: startMS, ToMS: l.at}
	text, err := c.Sign(l.key)
	if err != nil {
		l.t.Fatal(err)
	}
	return text
}

func (l *madeLog) leaf(data []byte) {
	hashes, err := tlog.StoredHashes(l.Size(), data, l.reader())
	if err != nil {
		l.t.Fatal(err)
	}
	l.leaves, l.hashes = append(l.leaves, data), append(l.hashes, hashes...)
}

func varint(b []byte, v int64) []byte { return binary.AppendVarint(b, v) } // zig-zag, as ours

func text(b []byte, s string) []byte {
	return append(binary.AppendUvarint(b, uint64(len(s))), s...)
}

func (l *madeLog) putGroup(g *scan.Group, version uint64) {
	b := binary.AppendUvarint(nil, uint64(g.ID))
	b = binary.AppendUvarint(b, version)
	b = varint(binary.AppendUvarint(b, uint64(g.ID)), startMS)
	b = varint(text(text(b, g.Device), g.Name), g.PeriodMS)
	b = binary.AppendUvarint(b, uint64(len(g.Channels)))
	for _, c := range g.Channels {
		b = append(text(text(b, c.Name), string(c.Role)), byte(c.Kind), 0)
		if c.Bit {
			b[len(b)-1] = 1
		}
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(c.Scale))
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(c.Offset))
		b = text(b, c.Unit)
	}
	l.groups = append(l.groups, b)
}

func (l *madeLog) putSegment(number uint32, why string, shift int64) {
	b := binary.AppendUvarint(nil, uint64(number))
	b = varint(varint(b, l.at-shift), 0)
	b = text(text(binary.AppendUvarint(b, l.seq+1), "boot"), why)
	if shift != 0 {
		b = varint(append(b, 1), shift)
	}
	l.segments = append(l.segments, b)
	l.shift[number] = shift
}

// putEvent adds an event to the transaction. Blocks come first.
func (l *madeLog) putEvent(kind, words string, data map[string]string) {
	l.event++
	b := binary.AppendUvarint([]byte{store.LeafEvent}, l.event)
	b = binary.AppendUvarint(varint(varint(b, l.at), 5), uint64(len(l.segments)))
	b = text(text(text(b, kind), "subject"), words)
	b = binary.AppendUvarint(b, uint64(len(data)))
	for _, k := range slices.Sorted(maps.Keys(data)) {
		b = text(text(b, k), data[k])
	}
	l.pending = append(l.pending, b)
	l.counts[1]++
}

func (l *madeLog) putFile(name, content string) {
	sum := sha256.Sum256([]byte(content))
	hash := hex.EncodeToString(sum[:])
	l.text[hash] = []byte(content)
	l.putEvent("config_changed", name+" has changed", map[string]string{"file": name, "after": hash, "before": ""})
}

func (l *madeLog) putDropped(leaves ...int64) {
	b := binary.AppendUvarint(varint([]byte{store.LeafDropped}, 20000), uint64(len(leaves)))
	last := int64(0)
	for _, n := range leaves {
		b = binary.AppendUvarint(b, uint64(n-last))
		last = n
		delete(l.canon, n)
	}
	l.pending = append(l.pending, b)
	l.counts[2]++
}

// putBlock adds a block of scans of one device and segment, in order, whose wall
// times are as recorded.
func (l *madeLog) putBlock(scans []scan.Scan) {
	b := text([]byte{store.LeafBlock}, scans[0].Group.Device)
	b = varint(binary.AppendUvarint(b, uint64(scans[0].Group.ID)), scans[0].WallMS/hourMS)
	b = binary.AppendUvarint(b, uint64(scans[0].Segment))
	b = binary.AppendUvarint(b, scans[0].Seq)
	b = binary.AppendUvarint(b, scans[len(scans)-1].Seq)
	least, most := scans[0].WallMS, scans[0].WallMS
	var order []*scan.Group
	for _, s := range scans {
		least, most = min(least, s.WallMS), max(most, s.WallMS)
		if !slices.Contains(order, s.Group) {
			order = append(order, s.Group)
		}
	}
	b = binary.AppendUvarint(varint(varint(b, least), most), uint64(len(order)))
	var canon []byte
	for _, g := range order {
		rows, good := 0, 0
		parts := make([][]byte, 1+len(g.Channels))
		quality := make([][]byte, len(g.Channels))
		for _, s := range scans {
			if s.Group != g {
				continue
			}
			rows++
			t := binary.LittleEndian.AppendUint64(parts[0], s.Seq)
			t = binary.LittleEndian.AppendUint64(t, uint64(s.MonoMS))
			t = binary.LittleEndian.AppendUint64(t, uint64(s.WallMS))
			parts[0] = append(binary.LittleEndian.AppendUint32(t, s.DurationMS), byte(s.Reason))
			if s.Reason != scan.Good {
				continue
			}
			good++
			for c := range g.Channels {
				parts[1+c] = binary.LittleEndian.AppendUint64(parts[1+c], uint64(s.Values[c]))
				quality[c] = append(quality[c], byte(s.ReasonOf(c)))
			}
		}
		b = binary.AppendUvarint(binary.AppendUvarint(b, uint64(g.ID)), uint64(rows))
		b = binary.AppendUvarint(binary.AppendUvarint(b, uint64(good)), uint64(len(g.Channels)))
		for i := range parts {
			if i > 0 {
				parts[i] = append(parts[i], quality[i-1]...)
			}
			sum := sha256.Sum256(parts[i])
			b, canon = append(b, sum[:]...), append(canon, parts[i]...)
		}
	}
	l.blocks[len(l.pending)] = canon
	l.pending = append(l.pending, b)
	l.counts[0]++
	for _, s := range scans {
		s = s.Clone()
		s.WallMS += l.shift[s.Segment]
		l.scans = append(l.scans, s)
	}
}

// seal ends the transaction.
func (l *madeLog) seal() {
	b := varint([]byte{store.LeafSeal}, l.at)
	for _, v := range []uint64{l.sealed[0] + 1, l.seq, l.seq - l.sealed[0], l.sealed[1] + 1, l.event, l.counts[0], l.counts[1], l.counts[2]} {
		b = binary.AppendUvarint(b, v)
	}
	sum := sha256.Sum256(appendRecords(appendRecords(nil, l.groups), l.segments))
	l.leaf(append(b, sum[:]...))
	for i, data := range l.pending {
		if canon, ok := l.blocks[i]; ok {
			l.canon[l.Size()] = canon
		}
		l.leaf(data)
	}
	l.pending, l.counts = nil, [3]uint64{}
	clear(l.blocks)
	l.sealed = [2]uint64{l.seq, l.event}
}

func newMadeLog(t testing.TB) *madeLog {
	key, err := evidence.NewKey()
	if err != nil {
		t.Fatal(err)
	}
	l := &madeLog{t: t, key: key, canon: map[int64][]byte{}, text: map[string][]byte{}, blocks: map[int][]byte{}, shift: map[uint32]int64{}, at: startMS}
	begin := append([]byte{store.LeafBegin}, bytes.Repeat([]byte{7}, 16)...)
	l.leaf(text(binary.AppendUvarint(binary.AppendUvarint(varint(binary.AppendUvarint(begin, 2), startMS), 0), 0), ""))
	l.newKey()
	return l
}

func (l *madeLog) newKey() {
	l.leaf(append([]byte{store.LeafKey}, l.key.Public()...))
}

// hour records an hour of the groups, a scan of each at its period, in one
// segment, and seals it. r makes values and troubles.
func (l *madeLog) hour(r *rand.Rand, segment uint32, groups ...*scan.Group) {
	byDevice := map[string][]scan.Scan{}
	for ms := int64(0); ms < hourMS; ms += 1000 {
		for _, g := range groups {
			if ms%g.PeriodMS != 0 {
				continue
			}
			l.seq++
			mono := l.at + ms - startMS
			s := scan.Scan{Group: g, Seq: l.seq, Segment: segment, MonoMS: mono, WallMS: l.at + ms - l.shift[segment] + r.Int64N(3), DurationMS: 20}
			if r.IntN(50) == 0 {
				s.Reason = scan.Timeout
			} else {
				s.Values = make([]int64, len(g.Channels))
				s.Quality = make([]scan.Reason, len(g.Channels))
				for c := range s.Values {
					s.Values[c] = someValue(r, g.Channels[c].Kind)
					if r.IntN(40) == 0 {
						s.Quality[c] = scan.Implausible
					}
				}
			}
			byDevice[g.Device] = append(byDevice[g.Device], s)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(byDevice)) {
		l.putBlock(byDevice[name])
	}
	l.at += hourMS
}

func someValue(r *rand.Rand, k scan.Kind) int64 {
	switch k {
	case scan.KindFloat32:
		return int64(math.Float32bits(float32(r.IntN(900)) / 10))
	case scan.KindFloat64:
		return int64(math.Float64bits(r.NormFloat64()))
	case scan.KindDecimal:
		return (r.Int64N(20000)-100)<<8 | 2
	}
	return r.Int64N(1200) - 20
}

func madeGroups(periodMS int64) []*scan.Group {
	return []*scan.Group{
		{ID: 1, Device: "controller", Name: "fast", PeriodMS: periodMS, Channels: []scan.Channel{
			{Device: "controller", Name: "discharge_pressure", Kind: scan.KindInt, Scale: 0.1, Unit: "psi"},
			{Device: "controller", Name: "loaded", Kind: scan.KindInt, Bit: true, Scale: 1, Unit: "1"},
			{Device: "controller", Name: "temperature", Kind: scan.KindInt, Scale: 0.00625, Offset: -25, Unit: "°C"}}},
		{ID: 2, Device: "meter", Name: "slow", PeriodMS: 2 * periodMS, Channels: []scan.Channel{
			{Device: "meter", Name: "power", Kind: scan.KindFloat32, Scale: 1, Unit: "kW"},
			{Device: "meter", Name: "flow", Kind: scan.KindDecimal, Scale: 1, Unit: "m3/min"},
			{Device: "meter", Name: "ratio", Kind: scan.KindFloat64, Scale: 0.5, Unit: "1"}}},
		{ID: 3, Device: "controller", Name: "slowest", PeriodMS: 5 * periodMS, Channels: []scan.Channel{
			{Device: "controller", Name: "run_hours", Kind: scan.KindUint, Scale: 0.01, Unit: "h"}}},
	}
}

// madeStory is a log of eight hours with all that can be in one: a file that
// changes, a clock step, a stretch whose clock was put right, an import, a
// deletion, a new key.
func madeStory(t testing.TB, seed uint64, periodMS int64) *madeLog {
	r := rand.New(rand.NewPCG(seed, 1))
	l := newMadeLog(t)
	groups := madeGroups(periodMS)
	old := *groups[1]
	old.Channels = slices.Clone(old.Channels)
	old.Channels[0].Scale = 10
	l.putGroup(groups[0], 1)
	l.putGroup(&old, 1)
	l.putGroup(groups[1], 2)
	l.putGroup(groups[2], 1)
	l.putSegment(1, "start", 0)
	l.putFile("site.toml", "[site]\nname = \"Invented\"\n")
	l.putFile("maps/meter.toml", "name = \"meter\"\n")
	l.seal()
	l.hour(r, 1, groups...)
	l.seal()
	l.hour(r, 1, groups...)
	l.putFile("site.toml", "[site]\nname = \"Invented, changed\"\n")
	l.seal()
	l.putSegment(2, "clock step", 0)
	l.hour(r, 2, groups...)
	l.seal()
	l.putEvent("note", "nothing but a note", nil)
	l.seal()
	l.putSegment(3, "start", 86_400_000)
	l.hour(r, 3, groups...)
	l.seal()
	var err error
	if l.key, err = evidence.NewKey(); err != nil {
		t.Fatal(err)
	}
	l.newKey()
	l.putSegment(4, store.WhyImport, 0)
	l.hour(r, 4, groups[:2]...)
	l.seal()
	l.hour(r, 4, groups[1:]...)
	l.seal()
	l.putDropped(blockLeaves(t, l)[3])
	l.seal()
	l.hour(r, 4, groups...)
	l.putEvent(store.KindImport, "two files of a logger", map[string]string{"files": "logger.csv", "segments": "4"})
	l.seal()
	l.putSegment(5, "agent start", 0)
	l.hour(r, 5, groups...)
	l.seal()
	return l
}

func blockLeaves(t testing.TB, l *madeLog) []int64 {
	t.Helper()
	var all []int64
	for i, data := range l.leaves {
		if data[0] == store.LeafBlock {
			all = append(all, int64(i))
		}
	}
	return all
}
