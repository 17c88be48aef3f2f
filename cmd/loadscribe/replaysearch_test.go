package main

import (
	"slices"
	"testing"

	"loadscribe/agent/replay"
)

func TestRemarksByPoint(t *testing.T) {
	points := make([]replay.FrontPoint, 3)
	points[0].Result.Remarks = []string{"short", "all"}
	points[1].Result.Remarks = []string{"all"}
	points[2].Result.Remarks = []string{"all", "short", "last"}
	if got, want := remarksByPoint(points), []string{"1, 3: short", "all", "3: last"}; !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestPaysBack(t *testing.T) {
	value := func(v float64) *float64 { return &v }
	saves := replay.Result{SavedYear: replay.Amount{Value: value(1000)}}
	for _, c := range []struct {
		point replay.FrontPoint
		want  string
	}{
		{replay.FrontPoint{Result: saves, Price: value(2500), PaybackYears: value(2.5)}, "2.5 years"},
		{replay.FrontPoint{Result: saves, Price: value(0), PaybackYears: value(0)}, "at once"},
		{replay.FrontPoint{Result: saves, Price: value(2500)}, "never"},
		{replay.FrontPoint{Price: value(2500)}, "not known"},
	} {
		if got := paysBack(&c.point); got != c.want {
			t.Errorf("%+v pays back %q, want %q", c.point, got, c.want)
		}
	}
}
