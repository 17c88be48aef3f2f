package store

import (
	"bytes"
	"errors"
	"math"
	"testing"

	"github.com/klauspost/compress/zstd"
	"pgregory.net/rapid"

	"loadscribe/agent/scan"
)

func testEncoder(t testing.TB) (*blockEncoder, *columnDecoder) {
	enc, dec, err := newCoders()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(dec.Close)
	if err := enc.Close(); err != nil {
		t.Fatal(err)
	}
	return &blockEncoder{}, &columnDecoder{dec: dec}
}

func testZstd(t testing.TB) *zstd.Encoder {
	enc, dec, err := newCoders()
	if err != nil {
		t.Fatal(err)
	}
	dec.Close()
	t.Cleanup(func() {
		if err := enc.Close(); err != nil {
			t.Error(err)
		}
	})
	return enc
}

// decodeBlock reads all scans of a block in sequence order and checks hashes.
func decodeBlock(d *columnDecoder, value []byte, groups map[uint32]*scan.Group) ([]scan.Scan, error) {
	h, err := openBlock(value)
	if err != nil {
		return nil, err
	}
	if _, _, err := decodeLeaf(h, d, nil); err != nil {
		return nil, err
	}
	var out []scan.Scan
	m := merger{dec: *d, groups: groups}
	ref := blockRef{h.hour, h.deviceNo, h.firstSeq, h.lastSeq}
	err = m.run([]blockRef{ref}, ScanQuery{}, func(blockRef) ([]byte, error) { return value, nil },
		func(_ blockRef, err error) error { return err },
		func(sc *scan.Scan) error { out = append(out, sc.Clone()); return nil })
	return out, err
}

// drawValue prefers what breaks codecs.
func drawValue(t *rapid.T) int64 {
	return rapid.OneOf(
		rapid.Int64Range(-70, 70), rapid.Int64(), rapid.Just(int64(math.MinInt64)), rapid.Just(int64(math.MaxInt64)),
		rapid.Just(int64(math.Float64bits(math.NaN()))), rapid.Just(int64(0x7ff0000000000001)), // a signalling NaN
		rapid.Just(int64(0xffc00001)), rapid.Just(int64(math.Float32bits(-0))),
		rapid.Just(int64(math.Float64bits(math.Copysign(0, -1)))),
	).Draw(t, "value")
}

// drawScans makes scans of groups with arbitrary times, reasons and values.
func drawScans(t *rapid.T, groups []*scan.Group, wallRange int64) []scan.Scan {
	n := rapid.IntRange(1, 60).Draw(t, "n")
	out := make([]scan.Scan, n)
	wall, mono := startMS, int64(0)
	for i := range out {
		g := groups[rapid.IntRange(0, len(groups)-1).Draw(t, "group")]
		if rapid.IntRange(0, 9).Draw(t, "jump") == 0 {
			wall += rapid.Int64Range(-wallRange, wallRange).Draw(t, "wall jump")
		}
		if rapid.IntRange(0, 19).Draw(t, "mono jump") == 0 {
			mono = rapid.Int64().Draw(t, "mono")
		}
		step := rapid.Int64Range(0, 1500).Draw(t, "step")
		wall, mono = wall+step, mono+step
		sc := scan.Scan{Group: g, WallMS: wall, MonoMS: mono, DurationMS: rapid.Uint32().Draw(t, "duration"),
			Reason: scan.Reason(rapid.SampledFrom([]int{0, 0, 0, 1, 3, 255}).Draw(t, "reason"))}
		if sc.Reason == scan.Good {
			sc.Values = make([]int64, len(g.Channels))
			for c := range sc.Values {
				sc.Values[c] = drawValue(t)
			}
			if rapid.Bool().Draw(t, "has quality") {
				sc.Quality = make([]scan.Reason, len(g.Channels))
				sc.Quality[0] = scan.Reason(rapid.IntRange(1, 255).Draw(t, "q"))
			}
		}
		out[i] = sc
	}
	return out
}

func TestBlockRoundTrip(t *testing.T) {
	enc, dec := testEncoder(t)
	groups := testGroups()[:2]
	byID := map[uint32]*scan.Group{}
	for i, g := range groups {
		g.ID = uint32(i + 1)
		byID[g.ID] = g
	}
	rapid.Check(t, func(t *rapid.T) {
		scans := drawScans(t, groups, 1<<40)
		seq := rapid.Uint64Range(1, 1<<50).Draw(t, "seq")
		rows := make([]*scan.Scan, len(scans))
		for i := range scans {
			seq += rapid.Uint64Range(1, 300).Draw(t, "seq step")
			scans[i].Seq, scans[i].Segment = seq, 7
			rows[i] = &scans[i]
		}
		value := enc.encode(nil, 3, hourOf(startMS), rows)
		got, err := decodeBlock(dec, value, byID)
		if err != nil {
			t.Fatal(err)
		}
		if len(got) != len(scans) {
			t.Fatalf("got %d scans, want %d", len(got), len(scans))
		}
		for i := range got {
			if !sameScan(&got[i], &scans[i]) {
				t.Fatalf("scan %d: got %+v, want %+v", i, got[i], scans[i])
			}
		}
		// one flipped bit anywhere is an error
		at := rapid.IntRange(0, len(value)*8-1).Draw(t, "bit")
		value[at/8] ^= 1 << (at % 8)
		if _, err := decodeBlock(dec, value, byID); !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrNewer) {
			t.Fatalf("bit %d flipped: %v", at, err)
		}
	})
}

// Any scans, through the whole store: they come back to the last bit, in
// order, before and after a seal.
func TestStoreRoundTrip(t *testing.T) {
	s := openTest(t, t.TempDir(), Options{SyncEvery: never, TailValues: 900})
	groups := register(t, s, testGroups())
	rapid.Check(t, func(t *rapid.T) {
		from := s.LastSeq() + 1
		scans := drawScans(t, groups, 3*hourMS)
		want := clones(scans)
		if err := s.Append(scans); err != nil {
			t.Fatal(err)
		}
		for i := range want {
			want[i].Seq, want[i].Segment = scans[i].Seq, scans[i].Segment
		}
		check := func() {
			i := 0
			err := s.Scans(ScanQuery{FromSeq: from}, func(sc *scan.Scan) error {
				if i >= len(want) || !sameScan(sc, &want[i]) {
					t.Fatalf("scan %d: got %+v", i, sc)
				}
				i++
				return nil
			})
			if err != nil || i != len(want) {
				t.Fatalf("%d of %d scans: %v", i, len(want), err)
			}
		}
		check()
		if rapid.IntRange(0, 3).Draw(t, "seal") == 0 {
			if err := s.seal(); err != nil {
				t.Fatal(err)
			}
			check()
		}
	})
}

func TestColumns(t *testing.T) {
	kinds := []scan.Kind{scan.KindInt, scan.KindUint, scan.KindFloat32, scan.KindFloat64, scan.KindDecimal}
	var enc columnEncoder
	_, dec := testEncoder(t)
	for name, want := range testColumns() {
		for _, k := range kinds {
			b, form := enc.append(nil, want, k)
			got := make([]int64, len(want))
			if err := dec.decode(&columnHead{version: 2, form: form, data: b}, got); err != nil {
				t.Errorf("%s, kind %d, form %#x: %v", name, k, form, err)
			}
			for i := range want {
				if got[i] != want[i] {
					t.Fatalf("%s, kind %d, form %#x: value %d is %d, want %d", name, k, form, i, got[i], want[i])
				}
			}
			if err := dec.decode(&columnHead{version: 2, form: form, data: append(b, 0)}, got); !errors.Is(err, ErrDamaged) {
				t.Errorf("%s, kind %d, form %#x with a byte too many: %v", name, k, form, err)
			}
		}
	}
	if o, p := orderFloat64(int64(math.Float64bits(-1.5))), orderFloat64(int64(math.Float64bits(2))); o >= p {
		t.Errorf("order of -1.5 (%d) is not below that of 2 (%d)", o, p)
	}
	if o, p := orderFloat32(int64(math.Float32bits(-1.5))), orderFloat32(int64(math.Float32bits(2))); o >= p {
		t.Errorf("order of -1.5 (%d) is not below that of 2 (%d)", o, p)
	}
}

// Damaged bytes give an error, never a panic or a huge allocation. The input
// is tried as a whole value and, past the checksum, as a body.
func FuzzBlock(f *testing.F) {
	enc, dec := testEncoder(f)
	groups := testGroups()[:1]
	groups[0].ID = 1
	byID := map[uint32]*scan.Group{1: groups[0]}
	scans := stream(groups, 1, startMS, 40)
	rows := make([]*scan.Scan, len(scans))
	for i := range scans {
		scans[i].Seq = uint64(i + 1)
		rows[i] = &scans[i]
	}
	value := enc.encode(nil, 1, hourOf(startMS), rows)
	f.Add(value)
	f.Add(value[envelopeSize:])
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, v := range [][]byte{b, wrap(nil, typeBlock, b)} {
			got, err := decodeBlock(dec, v, byID)
			if err == nil && len(got) > maxBlockRows {
				t.Errorf("%d rows out of %d bytes", len(got), len(v))
			}
		}
	})
}

// The same for packs of cells, lists of pieces and of events.
func FuzzPacks(f *testing.F) {
	enc := testZstd(f)
	_, dec := testEncoder(f)
	p := &pack{}
	g := testGroups()[0]
	g.ID = 1
	for _, sc := range stream([]*scan.Group{g}, 1, startMS, 200) {
		p.addScan(&sc, minuteMS)
	}
	f.Add(appendPack(nil, p, levels[0], startMS, enc))
	f.Add(format1Cells(f))
	f.Add(appendList(nil, appendPiece(nil, &Piece{Key: "comp1", Delta: []byte{1, 2}}), enc))
	f.Add(appendList(nil, appendEvent(nil, &Event{Kind: "note"}), enc))
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, l := range levels {
			for version := byte(1); version <= valueVersion(typeCells); version++ {
				got, start, err := readPack(version, b, l, dec, everyChannel)
				if err != nil {
					continue
				}
				written := appendPack(nil, got, l, start, enc)
				again, start2, err := readPack(valueVersion(typeCells), written, l, dec, everyChannel)
				if err != nil || start2 != start || !bytes.Equal(appendPack(nil, again, l, start, enc), written) {
					t.Errorf("a pack of version %d that was read does not survive writing: %v", version, err)
				}
			}
		}
		raw, err := readList(b, dec.dec)
		if err != nil {
			return
		}
		for r := (reader{b: raw}); len(r.b) > 0 && !r.bad; {
			_ = readPiece(&r, "", "")
		}
		for r := (reader{b: raw}); len(r.b) > 0 && !r.bad; {
			_ = readEvent(&r)
		}
	})
}
