package transfer

import (
	"slices"
	"testing"

	"loadscribe/agent/scan"
)

func TestReorder(t *testing.T) {
	g := meter()
	scanAt := func(segment uint32, ms int64) scan.Scan {
		return scan.Scan{Group: g, Segment: segment, WallMS: noon + ms, Values: []int64{0}}
	}
	tests := []struct {
		name  string
		scans []scan.Scan
		want  []int64
	}{
		{"within the window", []scan.Scan{scanAt(0, 29_000), scanAt(0, 0), scanAt(0, 500)}, []int64{0, 500, 29_000}},
		{"later than the window", []scan.Scan{scanAt(0, 0), scanAt(0, 40_000), scanAt(0, 80_000), scanAt(0, 100)}, []int64{0, 40_000, 100, 80_000}},
		{"segments keep their order", []scan.Scan{scanAt(0, 5_000), scanAt(1, 1_000), scanAt(1, 500)}, []int64{5_000, 500, 1_000}},
		{"equal stamps keep the store's order", []scan.Scan{scanAt(0, 7), scanAt(0, 7)}, []int64{7, 7}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var got []int64
			var seqs []uint64
			r := newReorder(func(s *scan.Scan) error {
				got, seqs = append(got, s.WallMS-noon), append(seqs, s.Seq)
				return nil
			})
			if err := sourceOf(tt.scans...)(r.push); err != nil {
				t.Fatal(err)
			}
			if err := r.flush(); err != nil {
				t.Fatal(err)
			}
			if !slices.Equal(got, tt.want) {
				t.Errorf("got %v, want %v", got, tt.want)
			}
			if tt.name == "equal stamps keep the store's order" && !slices.Equal(seqs, []uint64{1, 2}) {
				t.Errorf("sequence %v", seqs)
			}
		})
	}
}

func TestReorderIsBounded(t *testing.T) {
	r := newReorder(func(*scan.Scan) error { return nil })
	s := scan.Scan{Group: meter(), WallMS: noon, Values: []int64{0}}
	for range 3 * reorderMax {
		if err := r.push(&s); err != nil {
			t.Fatal(err)
		}
	}
	if len(r.held) > reorderMax {
		t.Errorf("%d scans held, at most %d", len(r.held), reorderMax)
	}
}
