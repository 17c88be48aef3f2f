package store

import (
	"encoding/binary"
	"fmt"
	"maps"
	"math"
	"slices"

	"loadscribe/agent/scan"
)

// groupRecord is a group with what the store keeps beside it.
type groupRecord struct {
	group    *scan.Group
	version  uint32 // of the metadata, from 1
	deviceNo uint32
	sinceMS  int64 // wall time of this version
}

func appendGroup(b []byte, r *groupRecord) []byte {
	g := r.group
	b = binary.AppendUvarint(b, uint64(g.ID))
	b = binary.AppendUvarint(b, uint64(r.version))
	b = binary.AppendUvarint(b, uint64(r.deviceNo))
	b = appendInt(b, r.sinceMS)
	b = appendString(b, g.Device)
	b = appendString(b, g.Name)
	b = appendInt(b, g.PeriodMS)
	b = binary.AppendUvarint(b, uint64(len(g.Channels)))
	for i := range g.Channels {
		c := &g.Channels[i]
		b = appendString(b, c.Name)
		b = appendString(b, string(c.Role))
		b = append(b, byte(c.Kind), boolByte(c.Bit))
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(c.Scale))
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(c.Offset))
		b = appendString(b, c.Unit)
	}
	return b
}

func boolByte(v bool) byte {
	if v {
		return 1
	}
	return 0
}

func decodeGroup(body []byte) (*groupRecord, error) {
	r := reader{b: body}
	g := &scan.Group{ID: uint32(r.uint())}
	rec := &groupRecord{group: g, version: uint32(r.uint()), deviceNo: uint32(r.uint()), sinceMS: r.int()}
	g.Device, g.Name, g.PeriodMS = r.string(), r.string(), r.int()
	g.Channels = make([]scan.Channel, r.count(21)) // the shortest channel has 21 bytes
	for i := range g.Channels {
		c := &g.Channels[i]
		c.Device, c.Name, c.Role = g.Device, r.string(), scan.Role(r.string())
		c.Kind, c.Bit = scan.Kind(r.byte()), r.byte() != 0
		c.Scale, c.Offset = math.Float64frombits(r.fixed64()), math.Float64frombits(r.fixed64())
		c.Unit = r.string()
	}
	if r.bad || len(r.b) != 0 {
		return nil, fmt.Errorf("%w: group record", ErrDamaged)
	}
	return rec, nil
}

// What the byte behind a segment's record says.
const (
	segUntrusted = 1
	segBooted    = 2
)

func appendSegment(b []byte, s *Segment) []byte {
	b = binary.AppendUvarint(b, uint64(s.Number))
	b = appendInt(b, s.StartWallMS)
	b = appendInt(b, s.StartMonoMS)
	b = binary.AppendUvarint(b, s.FirstSeq)
	b = appendString(b, s.BootID)
	b = appendString(b, s.Why)
	if !s.Untrusted {
		return b
	}
	if !s.Booted {
		return appendInt(append(b, segUntrusted), s.ShiftMS)
	}
	return appendInt(appendInt(append(b, segUntrusted|segBooted), s.ShiftMS), s.BootMS)
}

func decodeSegment(body []byte) (Segment, error) {
	r := reader{b: body}
	s := Segment{Number: uint32(r.uint()), StartWallMS: r.int(), StartMonoMS: r.int(),
		FirstSeq: r.uint(), BootID: r.string(), Why: r.string()}
	if len(r.b) > 0 {
		flags := r.byte()
		s.Untrusted, s.ShiftMS, s.Booted = flags&segUntrusted != 0, r.int(), flags&segBooted != 0
		if s.Booted {
			s.BootMS = r.int()
		}
	}
	if r.bad || len(r.b) != 0 {
		return Segment{}, fmt.Errorf("%w: segment record", ErrDamaged)
	}
	return s, nil
}

func appendEvent(b []byte, e *Event) []byte {
	b = binary.AppendUvarint(b, e.Seq)
	b = appendInt(b, e.WallMS)
	b = appendInt(b, e.MonoMS)
	b = binary.AppendUvarint(b, uint64(e.Segment))
	b = appendString(b, e.Kind)
	b = appendString(b, e.Subject)
	b = appendString(b, e.Text)
	b = binary.AppendUvarint(b, uint64(len(e.Data)))
	for _, k := range slices.Sorted(maps.Keys(e.Data)) {
		b = appendString(b, k)
		b = appendString(b, e.Data[k])
	}
	return b
}

func readEvent(r *reader) Event {
	e := Event{Seq: r.uint(), WallMS: r.int(), MonoMS: r.int(), Segment: uint32(r.uint()),
		Kind: r.string(), Subject: r.string(), Text: r.string()}
	if n := r.count(2); n > 0 {
		e.Data = make(map[string]string, n)
		for range n {
			k := r.string()
			e.Data[k] = r.string()
		}
	}
	return e
}

// appendScan writes a scan record: absolute numbers only, so that a record
// can be read without those before it.
func appendScan(b []byte, s *scan.Scan) []byte {
	b = binary.AppendUvarint(b, s.Seq)
	b = binary.AppendUvarint(b, uint64(s.Group.ID))
	b = binary.AppendUvarint(b, uint64(s.Segment))
	b = appendInt(b, s.MonoMS)
	b = appendInt(b, s.WallMS)
	b = binary.AppendUvarint(b, uint64(s.DurationMS))
	b = append(b, byte(s.Reason))
	if s.Reason != scan.Good {
		return b
	}
	b = append(b, boolByte(s.Quality != nil))
	for _, v := range s.Values {
		b = appendInt(b, v)
	}
	for _, q := range s.Quality {
		b = append(b, byte(q))
	}
	return b
}

// decodeScan reads a scan record; group finds the group of an ID.
func decodeScan(body []byte, group func(uint32) *scan.Group) (scan.Scan, error) {
	r := reader{b: body}
	s := scan.Scan{Seq: r.uint()}
	id := uint32(r.uint())
	s.Segment = uint32(r.uint())
	s.MonoMS, s.WallMS, s.DurationMS = r.int(), r.int(), uint32(r.uint())
	s.Reason = scan.Reason(r.byte())
	if r.bad {
		return s, fmt.Errorf("%w: scan record", ErrDamaged)
	}
	if s.Group = group(id); s.Group == nil {
		return s, fmt.Errorf("%w: scan record of group %d, which is not known", ErrDamaged, id)
	}
	if s.Reason == scan.Good {
		hasQuality := r.byte() != 0
		n := len(s.Group.Channels)
		if n > len(r.b) {
			return s, fmt.Errorf("%w: scan record", ErrDamaged)
		}
		s.Values = make([]int64, n)
		for i := range s.Values {
			s.Values[i] = r.int()
		}
		if hasQuality {
			s.Quality = make([]scan.Reason, n)
			for i := range s.Quality {
				s.Quality[i] = scan.Reason(r.byte())
			}
		}
	}
	if r.bad || len(r.b) != 0 {
		return s, fmt.Errorf("%w: scan record", ErrDamaged)
	}
	return s, nil
}
