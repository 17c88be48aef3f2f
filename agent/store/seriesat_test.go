package store

import (
	"errors"
	"math/rand/v2"
	"runtime"
	"testing"

	"loadscribe/agent/scan"
)

// What a channel read between two moments is what its raw scans say, to the
// reading, wherever the moments lie: 150 random windows from a second to longer than all
// over sealed hours, the open one and an outage. The other way of counting is
// bruteSeries, which knows no cell of the store.
func TestSpanEqualsRaw(t *testing.T) {
	if testing.Short() {
		t.Skip("no goroutine, some seconds")
	}
	alone(t)
	s := openTest(t, t.TempDir(), Options{})
	groups := register(t, s, testGroups())
	const hours = 9
	var all []scan.Scan
	for _, sc := range stream(groups, 7, startMS, hours*3600+1900) {
		if at := sc.WallMS - startMS; at < 4*hourMS || at > 5*hourMS+333_000 {
			all = append(all, sc)
		}
	}
	all = appendAll(t, s, all)
	r := rand.New(rand.NewPCG(3, 8))
	end := startMS + hours*hourMS + 1900_000
	held := 0
	for range 150 {
		g := groups[r.IntN(len(groups))]
		c := g.Channels[r.IntN(len(g.Channels))]
		from := startMS - hourMS + r.Int64N(end-startMS+2*hourMS)
		to := from + 1 + r.Int64N(1000<<r.IntN(20))
		got, err := s.Span(c.ID(), from, to)
		if err != nil {
			t.Fatal(err)
		}
		if got.FromMS != from || got.ToMS != to || got.RawDropped {
			t.Fatalf("span of %s from %d to %d became %d to %d, dropped %v", c.ID(), from, to, got.FromMS, got.ToMS, got.RawDropped)
		}
		if want := bruteSeries(all, c.Device, c.Name, from, to, to-from); want[0].Count > 0 {
			wantCells(t, []Cell{got.Cell}, want)
		} else if got.Count != 0 {
			t.Fatalf("span of %s from %s: %+v, want none", c.ID(), stamp(from), got)
		}

		// the reading that held at its beginning
		var last *scan.Scan
		for i := range all {
			sc := &all[i]
			if sc.Group.ID != g.ID || sc.WallMS > from || sc.WallMS < from-g.GapMS() {
				continue
			}
			if _, ok := sc.Get(g.Index(c.Name)); ok && (last == nil || sc.WallMS >= last.WallMS) {
				last = sc
			}
		}
		reading, ok, err := s.ReadingAt(c.ID(), from)
		if err != nil || ok != (last != nil) {
			t.Fatalf("reading of %s at %s: %+v %v %v, want %+v", c.ID(), stamp(from), reading, ok, err, last)
		}
		if last != nil {
			held++
			raw, _ := last.Get(g.Index(c.Name))
			if want := (Reading{last.WallMS, c.Value(raw), false}); reading != want {
				t.Fatalf("reading of %s at %s: %+v, want %+v", c.ID(), stamp(from), reading, want)
			}
		}
	}
	if held < 80 {
		t.Fatalf("only %d moments had a reading", held)
	}
	if _, err := s.Span("meter.nothing", 0, 1000); !errors.Is(err, ErrUnknown) {
		t.Errorf("unknown channel: %v, want ErrUnknown", err)
	}
	if _, err := s.Span("meter.power", 1000, 1000); err == nil {
		t.Error("an empty window is no error")
	}
	if _, _, err := s.ReadingAt("meter.nothing", 1000); !errors.Is(err, ErrUnknown) {
		t.Errorf("unknown channel: %v, want ErrUnknown", err)
	}
}

// Where raw readings are gone, the reading that held is still found, of a channel
// that is read every ten minutes too: only the mean of a minute was told before,
// and nine minutes of ten were said to be a gap.
func TestReadingAtOfASlowChannelWithoutRaw(t *testing.T) {
	s := openTest(t, t.TempDir(), Options{Summariser: &counter{}})
	g := register(t, s, []*scan.Group{{Device: "d", Name: "10m", PeriodMS: 600_000, Channels: []scan.Channel{intChannel("d", "a")}}})[0]
	const from = startOfDays
	for i := range int64(4 * 144) {
		at := i*600_000 + 7000
		if day := i / 144; day == 0 && i >= 60 && i < 72 {
			continue // two hours without a reading
		}
		if err := s.Append([]scan.Scan{{Group: g, MonoMS: at + 1000, WallMS: from + at, Values: []int64{i}}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Sync(); err != nil {
		t.Fatal(err)
	}
	if _, _, err := s.DropRawDay(1); err != nil {
		t.Fatal(err)
	}
	if s.RawFrom() <= from {
		t.Fatalf("nothing was dropped: raw from %d", s.RawFrom()-from)
	}
	scale := g.Channels[0].Value
	for _, tt := range []struct {
		at   int64
		want int64 // which reading; -1: a gap
	}{{7000, 0}, {7001, 0}, {5 * 60_000, 0}, {606_999, 0}, {607_000, 1}, {59*600_000 + 7000 + 1_800_000, 59}, {59*600_000 + 7000 + 1_800_001, -1}, {71 * 600_000, -1}} {
		got, ok, err := s.ReadingAt("d.a", from+tt.at)
		if tt.want < 0 {
			if err != nil || ok {
				t.Errorf("at %d: %+v %v, want a gap", tt.at, got, err)
			}
			continue
		}
		want := Reading{from + tt.want*600_000 + 7000, scale(tt.want), false}
		if err != nil || !ok || got != want {
			t.Errorf("at %d: %+v %v %v, want %+v", tt.at, got, ok, err, want)
		}
	}
}

// A window of two centuries costs what the record in it does.
func TestSpanOfCenturies(t *testing.T) {
	s := openTest(t, t.TempDir(), Options{})
	groups := register(t, s, testGroups())
	all := appendAll(t, s, stream(groups, 5, startMS, 600))
	const from, to = 0, 7_226_582_400_000 // 1970 to 2199
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	got, err := s.Span("meter.power", from, to)
	runtime.ReadMemStats(&after)
	if err != nil || got.FromMS != from || got.ToMS != to {
		t.Fatalf("%+v %v", got, err)
	}
	wantCells(t, []Cell{got.Cell}, bruteSeries(all, "meter", "power", from, to, to-from))
	if made := after.TotalAlloc - before.TotalAlloc; made > 20<<20 {
		t.Errorf("%d MB were made for ten minutes of readings", made>>20)
	}
	if got, err = s.Span("meter.power", to-1000, to); err != nil || got.Count != 0 {
		t.Errorf("after all readings: %+v %v", got, err)
	}
}
