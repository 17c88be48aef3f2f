package store

import (
	"bytes"
	"encoding/hex"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/scan"
)

// A column worked by hand from FORMAT.md: the middle of 10, 12, 10, 7 is 10, the
// zig-zags are 0, 4, 0, 5, which take least bits (12) with one low bit each.
//
//	way 1: 100000 · 20 has five digits: 11111 0 0010 · 0 0 · 110 0 · 0 0 · 110 1
func TestCellColumnByHand(t *testing.T) {
	var e cellWriter
	v := []int64{10, 12, 10, 7}
	e.put(v)
	if got := hex.EncodeToString(e.w.close()); got != "c1470c0b" {
		t.Errorf("%d are written as %s, want c1470c0b", v, got)
	}
}

func TestCellColumns(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 1))
	random := func(n int, make func() int64) (v []int64) {
		for range n {
			v = append(v, make())
		}
		return v
	}
	for _, c := range []struct {
		name string
		v    []int64
		most int // bytes
	}{
		{"one", []int64{7}, 3},
		{"the same", slices.Repeat([]int64{-3}, 60), 4},
		{"zeros and a few", append(slices.Repeat([]int64{0}, 57), 1, 0, 5), 5},
		{"normal, sigma 4", random(60, func() int64 { return 1000 + int64(math.Round(4*r.NormFloat64())) }), 40},
		{"extremes", []int64{math.MinInt64, math.MaxInt64, 0, -1, math.MinInt64}, 60},
		{"random", random(60, func() int64 { return int64(r.Uint64()) }), 700},
	} {
		t.Run(c.name, func(t *testing.T) {
			var e cellWriter
			e.put(c.v)
			b := e.w.close()
			if len(b) > c.most {
				t.Errorf("%d numbers take %d bytes, want %d or less", len(c.v), len(b), c.most)
			}
			got := make([]int64, len(c.v))
			in := &bitReader{b: b}
			if !in.column(got) || !slices.Equal(got, c.v) || len(in.b) != 0 {
				t.Errorf("got %d with %d bytes left, want %d", got, len(in.b), c.v)
			}
			for cut := range b {
				in := &bitReader{b: b[:cut]}
				if in.column(got) {
					t.Errorf("%d of %d bytes are a column", cut, len(b))
				}
			}
		})
	}
}

// Packs of cells of all kinds, of scans with the extremes, with holes and with
// times that differ from channel to channel, come back bit by bit.
func TestPackOfAllKinds(t *testing.T) {
	enc := testZstd(t)
	_, dec := testEncoder(t)
	g := testGroups()[0]
	g.ID = 1
	for seed := range uint64(20) {
		r := rand.New(rand.NewPCG(seed, 2))
		scans := stream([]*scan.Group{g}, seed, startMS, 600)
		for i := range scans {
			if scans[i].Reason != scan.Good {
				continue
			}
			for c := range scans[i].Values {
				switch r.IntN(40) {
				case 0:
					scans[i].Values[c] = math.MinInt64
				case 1:
					scans[i].Values[c] = math.MaxInt64
				case 2:
					scans[i].Values[c] = -1
				}
			}
			if r.IntN(20) == 0 {
				scans[i].Quality = make([]scan.Reason, len(scans[i].Values))
				scans[i].Quality[r.IntN(len(scans[i].Values))] = scan.Implausible
			}
		}
		p := &pack{}
		for i := range scans {
			p.addScan(&scans[i], minuteMS)
		}
		span := floorTo(startMS, hourMS)
		for i := range p.groups {
			for c := range p.groups[i].cells {
				p.groups[i].cells[c] = slices.DeleteFunc(p.groups[i].cells[c], func(c rawCell) bool { return c.startMS >= span+hourMS })
			}
		}
		b := appendPack(nil, p, levels[0], span, enc)
		got, start, err := readPack(valueVersion(typeCells), b, levels[0], dec, everyChannel)
		if err != nil || start != span {
			t.Fatalf("seed %d: the pack starts at %d, not %d: %v", seed, start, span, err)
		}
		if again := appendPack(nil, got, levels[0], span, enc); !bytes.Equal(again, b) {
			t.Errorf("seed %d: what was read is written otherwise", seed)
		}
		for c := range g.Channels {
			one, _, err := readPack(valueVersion(typeCells), b, levels[0], dec, func(uint32, int) (int, bool) { return c, true })
			want := p.groups[0].cells[c]
			if err != nil || len(want) > 0 && integer(g.Channels[c].Kind) && !reflect.DeepEqual(one.groups[0].cells[c], want) {
				t.Errorf("seed %d: channel %s alone: got %+v, want %+v: %v", seed, g.Channels[c].Name, one.groups[0].cells[c], want, err)
			}
		}
	}
}

// A day of small values, sealed an hour at a time, ends up in fewer pages when
// the next one begins, with every key and value as it was.
func TestTidyDay(t *testing.T) {
	s := openTest(t, t.TempDir(), Options{})
	value := func(hour int) []byte { return bytes.Repeat([]byte{byte(hour)}, 1150) }
	pages := func() (n int) {
		err := s.view(func(tx *bolt.Tx) error {
			st := dayBucket(tx, bucketPieces, 100).Stats()
			n = st.LeafPageN + st.LeafOverflowN
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	put := func(day int64, hour int) {
		err := s.update(func(tx *bolt.Tx) error {
			b, err := makeTidyDay(tx, bucketPieces, day)
			if err != nil {
				return err
			}
			return b.Put([]byte{byte(hour)}, value(hour))
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	for hour := range 24 {
		put(100, hour)
	}
	before := pages()
	put(103, 0) // the agent was off for two days
	if after := pages(); after > 9 || before <= after {
		t.Errorf("24 values of 1150 bytes take %d pages of %d, were %d; want 9 or less, three a page", after, s.db.Info().PageSize, before)
	}
	err := s.update(func(tx *bolt.Tx) error {
		for hour := range 24 {
			if got := dayBucket(tx, bucketPieces, 100).Get([]byte{byte(hour)}); !bytes.Equal(got, value(hour)) {
				t.Errorf("hour %d: %d bytes, not what was put", hour, len(got))
			}
		}
		for _, day := range []int64{100, 103} { // the helper finds no pieces in them
			if err := tx.Bucket([]byte(bucketPieces)).DeleteBucket(dayKey(day)); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
