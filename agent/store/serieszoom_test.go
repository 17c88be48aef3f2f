package store

import (
	"math/rand/v2"
	"testing"

	"loadscribe/agent/scan"
)

// Whatever the zoom, each cell is what the raw scans of its time say, to the
// last spike: 300 random windows and numbers of points over sealed hours, the
// hour that is open and an outage, of channels of every kind. A gap is there
// as empty cells wherever the raw scans have one.
func TestSeriesEqualsRawAtRandomZooms(t *testing.T) {
	alone(t)
	s := openTest(t, t.TempDir(), Options{})
	groups := register(t, s, testGroups())
	const hours = 75
	var all []scan.Scan
	spikes := rand.New(rand.NewPCG(9, 9))
	for _, sc := range stream(groups, 11, startMS, hours*3600+1900) {
		if at := sc.WallMS - startMS; at > 30*hourMS && at < 31*hourMS+777_000 {
			continue // an outage over the turn of an hour
		}
		if sc.Reason == scan.Good && spikes.IntN(2000) == 0 && sc.Group.Device == "meter" {
			sc.Values[0] = 31_000 // one scan high above the others
		}
		all = append(all, sc)
	}
	all = appendAll(t, s, all)
	var ids []string
	for _, g := range groups {
		for i := range g.Channels {
			ids = append(ids, g.Channels[i].ID())
		}
	}
	r := rand.New(rand.NewPCG(4, 2))
	end := startMS + hours*hourMS + 1900_000
	levels := map[string]int{}
	for range 300 {
		id := ids[r.IntN(len(ids))]
		span := 20_000 + r.Int64N(1<<(15+r.Int64N(14)))
		from := startMS - hourMS + r.Int64N(end-startMS+hourMS)
		points := 1 + r.IntN(2000)
		got, err := s.Series(id, from, from+span, points)
		if err != nil {
			t.Fatal(err)
		}
		device, name, _ := scan.SplitID(id)
		gapMS := int64(0)
		for _, g := range groups {
			if g.Device == device && g.Index(name) >= 0 {
				gapMS = g.GapMS()
			}
		}
		if got.StepMS == 0 {
			levels["raw"]++
			wantRaw(t, got, all, device, name, from, from+span)
			continue
		}
		if got.StepMS >= minuteMS {
			levels["pyramid"]++
		} else {
			levels["cut from raw"]++
		}
		want := bruteSeries(all, device, name, got.FromMS, got.ToMS, got.StepMS)
		wantZoom(t, id, got, want, gapMS)
	}
	for _, name := range []string{"raw", "pyramid", "cut from raw"} {
		if levels[name] < 20 {
			t.Errorf("%d windows were answered from %s, want 20 at least: %v", levels[name], name, levels)
		}
	}
}

// wantRaw compares a raw series with the good values of the window.
func wantRaw(t *testing.T, got Series, all []scan.Scan, device, name string, from, to int64) {
	t.Helper()
	var values []Cell
	for _, c := range got.Cells {
		if c.Count > 0 {
			values = append(values, c)
		}
	}
	n := 0
	for i := range all {
		sc := &all[i]
		c := sc.Group.Index(name)
		if sc.Group.Device != device || c < 0 || sc.WallMS < from || sc.WallMS >= to {
			continue
		}
		raw, ok := sc.Get(c)
		if !ok || !countable(sc.Group.Channels[c].Kind, raw) {
			continue
		}
		if n >= len(values) || values[n].StartMS != sc.WallMS || values[n].First != sc.Group.Channels[c].Value(raw) {
			t.Fatalf("%s.%s: value %d of the raw series is not the one of %s", device, name, n, stamp(sc.WallMS))
		}
		n++
	}
	if n != len(values) {
		t.Fatalf("%s.%s: %d values, want %d", device, name, len(values), n)
	}
}

// wantZoom compares cells; those without values must be there where the time
// between the values around them is a gap.
func wantZoom(t *testing.T, id string, got Series, want []Cell, gapMS int64) {
	t.Helper()
	have := map[int64]Cell{}
	full := 0
	for _, c := range got.Cells {
		have[c.StartMS] = c
	}
	last := got.FromMS
	var empty []int64
	flush := func(nextMS int64) {
		for _, at := range empty {
			if c, ok := have[at]; nextMS-last > gapMS && (!ok || c.Count != 0) {
				t.Fatalf("%s, step %d: the gap from %s to %s has no cell at %s", id, got.StepMS, stamp(last), stamp(nextMS), stamp(at))
			}
		}
		empty = empty[:0]
	}
	for _, w := range want {
		if w.Count == 0 {
			empty = append(empty, w.StartMS)
			continue
		}
		flush(w.FirstMS)
		last = w.LastMS
		full++
		g := have[w.StartMS]
		if diff := g.Sum - w.Sum; diff > 1e-12*max(w.Sum, -w.Sum) || diff < -1e-12*max(w.Sum, -w.Sum) {
			t.Fatalf("%s, step %d, %s: sum %v, want %v", id, got.StepMS, stamp(w.StartMS), g.Sum, w.Sum)
		}
		if g.Sum = w.Sum; g != w { // floats may be summed in another order
			t.Fatalf("%s, step %d, %s:\n got %+v\nwant %+v", id, got.StepMS, stamp(w.StartMS), g, w)
		}
	}
	flush(got.ToMS)
	for _, c := range got.Cells {
		if c.Count > 0 {
			full--
		}
	}
	if full != 0 {
		t.Fatalf("%s, step %d: %d cells too few", id, got.StepMS, full)
	}
}
