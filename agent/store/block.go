package store

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"

	"loadscribe/agent/scan"
)

// Limits of a block. They bound what a damaged header can make a reader do.
const (
	maxBlockRows   = 1 << 20
	maxBlockValues = 1 << 23 // rows × (channels + timeColumns) over all groups
	maxChannels    = 1 << 12
	timeColumns    = 5 // seq, mono, wall − mono, duration, reason
	hashSize       = sha256.Size
)

// blockHead is what a block says about itself before its columns.
type blockHead struct {
	device             string
	deviceNo           uint32
	hour               int64 // hours since 1970 UTC
	segment            uint32
	firstSeq, lastSeq  uint64
	minWall, maxWallMS int64
	groups             []groupHead
}

type groupHead struct {
	id         uint32
	rows, good int
	channels   int
	// hashes: one of the time columns, then one a channel (FORMAT.md).
	hashes []byte
	cols   []columnHead // timeColumns, then values and quality of each channel
}

type columnHead struct {
	version byte // of the block
	form    byte // and, in version 2, the mapping
	data    []byte
	// version 1 only
	pack byte
	raw  int
}

// blockEncoder turns the scans of one device, segment and hour into a block.
// Its buffers are reused; one at a time.
type blockEncoder struct {
	columns columnEncoder
	ints    []int64
	canon   []byte
	data    []byte
	head    []byte
	last    blockHead // of the block made last; its columns are not to be used
}

// encode appends the block of the scans, which are in sequence order, to dst,
// envelope included.
func (e *blockEncoder) encode(dst []byte, deviceNo uint32, hour int64, scans []*scan.Scan) []byte {
	h := blockHead{device: scans[0].Group.Device, deviceNo: deviceNo, hour: hour, segment: scans[0].Segment,
		firstSeq: scans[0].Seq, lastSeq: scans[len(scans)-1].Seq,
		minWall: scans[0].WallMS, maxWallMS: scans[0].WallMS}
	var order []uint32
	byGroup := map[uint32][]*scan.Scan{}
	for _, s := range scans {
		h.minWall, h.maxWallMS = min(h.minWall, s.WallMS), max(h.maxWallMS, s.WallMS)
		if byGroup[s.Group.ID] == nil {
			order = append(order, s.Group.ID)
		}
		byGroup[s.Group.ID] = append(byGroup[s.Group.ID], s)
	}
	e.data = e.data[:0]
	for _, id := range order {
		h.groups = append(h.groups, e.group(byGroup[id], h.firstSeq))
	}
	e.head = appendBlockHead(e.head[:0], &h)
	body := append(e.head, e.data...)
	e.head = body
	e.last = h
	return wrap(dst, typeBlock, body)
}

func (e *blockEncoder) group(scans []*scan.Scan, firstSeq uint64) groupHead {
	g := scans[0].Group
	h := groupHead{id: g.ID, rows: len(scans), channels: len(g.Channels)}
	var good []*scan.Scan
	e.canon = e.canon[:0]
	for _, s := range scans {
		if s.Reason == scan.Good {
			good = append(good, s)
		}
		e.canon = binary.LittleEndian.AppendUint64(e.canon, s.Seq)
		e.canon = binary.LittleEndian.AppendUint64(e.canon, uint64(s.MonoMS))
		e.canon = binary.LittleEndian.AppendUint64(e.canon, uint64(s.WallMS))
		e.canon = binary.LittleEndian.AppendUint32(e.canon, s.DurationMS)
		e.canon = append(e.canon, byte(s.Reason))
	}
	h.good = len(good)
	sum := sha256.Sum256(e.canon)
	h.hashes = append(make([]byte, 0, hashSize*(1+h.channels)), sum[:]...)

	add := func(rows []*scan.Scan, k scan.Kind, field func(*scan.Scan) int64) {
		e.ints = e.ints[:0]
		for _, s := range rows {
			e.ints = append(e.ints, field(s))
		}
		start := len(e.data)
		var c columnHead
		e.data, c.form = e.columns.append(e.data, e.ints, k)
		c.data = e.data[start:] // for its length; the bytes may move
		h.cols = append(h.cols, c)
	}
	add(scans, scan.KindInt, func(s *scan.Scan) int64 { return int64(s.Seq - firstSeq) })
	add(scans, scan.KindInt, func(s *scan.Scan) int64 { return s.MonoMS })
	add(scans, scan.KindInt, func(s *scan.Scan) int64 { return s.WallMS - s.MonoMS })
	add(scans, scan.KindInt, func(s *scan.Scan) int64 { return int64(s.DurationMS) })
	add(scans, scan.KindInt, func(s *scan.Scan) int64 { return int64(s.Reason) })
	for i := range g.Channels {
		e.canon = e.canon[:0]
		for _, s := range good {
			e.canon = binary.LittleEndian.AppendUint64(e.canon, uint64(s.Values[i]))
		}
		for _, s := range good {
			e.canon = append(e.canon, byte(s.ReasonOf(i)))
		}
		sum := sha256.Sum256(e.canon)
		h.hashes = append(h.hashes, sum[:]...)
		add(good, g.Channels[i].Kind, func(s *scan.Scan) int64 { return s.Values[i] })
		add(good, scan.KindInt, func(s *scan.Scan) int64 { return int64(s.ReasonOf(i)) })
	}
	return h
}

func appendBlockHead(b []byte, h *blockHead) []byte {
	b = appendString(b, h.device)
	b = binary.AppendUvarint(b, uint64(h.deviceNo))
	b = appendInt(b, h.hour)
	b = binary.AppendUvarint(b, uint64(h.segment))
	b = binary.AppendUvarint(b, h.firstSeq)
	b = binary.AppendUvarint(b, h.lastSeq)
	b = appendInt(b, h.minWall)
	b = appendInt(b, h.maxWallMS)
	b = binary.AppendUvarint(b, uint64(len(h.groups)))
	for i := range h.groups {
		g := &h.groups[i]
		b = binary.AppendUvarint(b, uint64(g.id))
		b = binary.AppendUvarint(b, uint64(g.rows))
		b = binary.AppendUvarint(b, uint64(g.good))
		b = binary.AppendUvarint(b, uint64(g.channels))
		b = append(b, g.hashes...)
		for j := range g.cols {
			c := &g.cols[j]
			b = append(b, c.form)
			b = binary.AppendUvarint(b, uint64(len(c.data)))
		}
	}
	return b
}

// openBlock checks a block's envelope and reads its head. The result shares
// memory with b.
func openBlock(b []byte) (*blockHead, error) {
	version, body, err := unwrapVersion(b, typeBlock)
	if err != nil {
		return nil, err
	}
	return readBlockHead(version, body)
}

func readBlockHead(version byte, body []byte) (*blockHead, error) {
	r := reader{b: body}
	h := &blockHead{device: r.string(), deviceNo: uint32(r.uint()), hour: r.int(), segment: uint32(r.uint()),
		firstSeq: r.uint(), lastSeq: r.uint(), minWall: r.int(), maxWallMS: r.int()}
	const leastGroup = 4 + hashSize + 2*timeColumns
	h.groups = make([]groupHead, r.count(leastGroup))
	values := uint64(0)
	for i := range h.groups {
		g := &h.groups[i]
		g.id = uint32(r.uint())
		rows, good, channels := r.uint(), r.uint(), r.uint()
		if rows > maxBlockRows || good > rows || channels > maxChannels {
			return nil, fmt.Errorf("%w: block with %d rows of %d channels", ErrDamaged, rows, channels)
		}
		if values += rows * (channels + timeColumns); values > maxBlockValues {
			return nil, fmt.Errorf("%w: block with more than %d values", ErrDamaged, maxBlockValues)
		}
		g.rows, g.good, g.channels = int(rows), int(good), int(channels)
		g.hashes = r.take((1 + channels) * hashSize)
		cols := timeColumns + 2*channels
		if r.bad || cols*2 > uint64(len(r.b)) {
			return nil, fmt.Errorf("%w: block head", ErrDamaged)
		}
		g.cols = make([]columnHead, cols)
		for j := range g.cols {
			c := &g.cols[j]
			c.version, c.form = version, r.byte()
			if version == 1 {
				c.pack = r.byte()
				raw := r.uint()
				if raw > 20*rows+10 { // no value needs more than two varints
					return nil, fmt.Errorf("%w: block column of %d bytes for %d rows", ErrDamaged, raw, rows)
				}
				c.raw = int(raw)
			}
			stored := r.uint()
			if stored > uint64(len(body)) {
				return nil, fmt.Errorf("%w: block column of %d bytes", ErrDamaged, stored)
			}
			c.data = body[:stored] // its length; cut below
		}
	}
	for i := range h.groups {
		for j := range h.groups[i].cols {
			c := &h.groups[i].cols[j]
			c.data = r.take(uint64(len(c.data)))
		}
	}
	if r.bad || len(r.b) != 0 || h.firstSeq > h.lastSeq {
		return nil, fmt.Errorf("%w: block head", ErrDamaged)
	}
	return h, nil
}
