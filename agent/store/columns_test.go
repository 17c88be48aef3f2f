package store

import (
	"slices"
	"testing"

	"loadscribe/agent/scan"
)

// The columns hold what the scans hold.
func TestSealedColumns(t *testing.T) {
	s := openTest(t, t.TempDir(), Options{})
	groups := register(t, s, testGroups())
	if err := s.Append(stream(groups, 21, startMS, 4000)); err != nil {
		t.Fatal(err)
	}
	if err := s.seal(); err != nil {
		t.Fatal(err)
	}
	if err := s.Append(stream(groups, 22, startMS+2*hourMS, 10)); err != nil { // not sealed
		t.Fatal(err)
	}
	var want []scan.Scan
	err := s.Scans(ScanQuery{}, func(sc *scan.Scan) error {
		if sc.Seq <= s.SealedSeq() {
			want = append(want, sc.Clone())
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	var got []scan.Scan
	err = s.SealedColumns(func(c *Columns) error {
		good := 0
		for i := range c.Seq {
			sc := scan.Scan{Group: c.Group, Segment: c.Segment, Seq: uint64(c.Seq[i]), MonoMS: c.MonoMS[i],
				WallMS: c.WallMS[i], DurationMS: uint32(c.DurationMS[i]), Reason: scan.Reason(c.Reason[i])}
			if sc.Reason == scan.Good {
				bad := false
				for ch := range c.Values {
					sc.Values = append(sc.Values, c.Values[ch][good])
					q := scan.Good
					if c.Quality[ch] != nil {
						q = scan.Reason(c.Quality[ch][good])
					}
					sc.Quality = append(sc.Quality, q)
					bad = bad || q != scan.Good
				}
				if !bad {
					sc.Quality = nil
				}
				good++
			}
			got = append(got, sc)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	slices.SortFunc(got, func(a, b scan.Scan) int { return int(a.Seq) - int(b.Seq) })
	if len(got) != len(want) {
		t.Fatalf("%d scans in columns, want %d", len(got), len(want))
	}
	for i := range got {
		if !sameScan(&got[i], &want[i]) {
			t.Fatalf("scan %d: got %+v, want %+v", i, got[i], want[i])
		}
	}
}
