package analysis

import (
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// A record as of a time is, to the last bit, the one that ended there: random readings
// with gaps, restarts and steps of the clock, cut into pieces anywhere.
func TestAsOfIsTheRecordThatEndedThere(t *testing.T) {
	if testing.Short() {
		t.Skip("seconds of folding, without concurrency")
	}
	site := plant(t)
	rapid.Check(t, func(t *rapid.T) {
		scans := randomTape(t, site).scans
		n := rapid.IntRange(0, len(scans)).Draw(t, "scans before")
		var cuts []uint64
		for i := range scans {
			if rapid.IntRange(0, 60).Draw(t, "cut") == 0 {
				cuts = append(cuts, scans[i].Seq)
			}
		}
		at := scans[len(scans)-1].WallMS + 1
		if n < len(scans) {
			at = scans[n].WallMS
		}
		// Where the clock was set back over the time nothing tells what was recorded first.
		later := func(s scan.Scan) bool { return s.WallMS >= at }
		if slices.ContainsFunc(scans[:n], later) || slices.ContainsFunc(scans[n:], func(s scan.Scan) bool { return !later(s) }) {
			return
		}
		knew := func(*store.Event) bool { return true }
		got := AsOf(fold(site, scans, cuts...), site, at, knew)
		want := fold(site, scans[:n], slices.DeleteFunc(slices.Clone(cuts), func(c uint64) bool { return c > uint64(n) })...)
		for _, key := range []string{MachineKey("comp1"), SystemKey("main")} {
			pieces, err := got.Pieces(key, cellOf(scans[0].WallMS)-dayMS, 0)
			if err != nil {
				t.Fatal(err)
			}
			var ended []store.Piece
			for _, p := range want.pieces {
				if p.Key == key {
					ended = append(ended, p)
				}
			}
			if len(pieces) != len(ended) || len(ended) > 0 && !reflect.DeepEqual(pieces, ended) {
				t.Fatalf("%s as of %d, %d of %d scans: %d pieces\n%+v\nthe record that ended there has %d\n%+v", key, at, n, len(scans), len(pieces), pieces, len(ended), ended)
			}
		}
		seen := 0
		if err := got.Scans(store.ScanQuery{}, func(*scan.Scan) error { seen++; return nil }); err != nil || seen != n {
			t.Fatalf("%d scans, %v; want %d", seen, err, n)
		}
	})
}

// TestAsOfKnowsNoLaterEvent: what was written down later, as a test's result or a spot
// reading, is not there, though it is wanted.
func TestAsOfKnowsNoLaterEvent(t *testing.T) {
	src := &eventsOnly{list: []store.Event{{Seq: 1, WallMS: 10, Kind: KindTest}, {Seq: 2, WallMS: 20, Kind: KindTest}, {Seq: 3, WallMS: 5, Kind: "note"}}}
	past := AsOf(src, plant(t), 15, func(e *store.Event) bool { return e.WallMS < 15 }).(EventSource)
	got, err := past.EventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == KindTest })
	if err != nil || len(got) != 1 || got[0].Seq != 1 {
		t.Errorf("as of 15: %+v, %v; want the test of 10 alone", got, err)
	}
}
