package dashboard

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// cellsShop is a shop whose channels have the cells given.
type cellsShop struct {
	*shop
	found store.Series
}

func (b *cellsShop) Series(string, int64, int64, int) (store.Series, error) { return b.found, nil }

// Columns say what cells say, cell by cell: aligned, ascending, each time once,
// null where there is no number (pitfalls R22, after leeoniya/uPlot#302 and #94).
// The cells layout is the other way.
func TestColumnsSayWhatCellsSay(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	for range 200 {
		b := &cellsShop{shop: newShop(), found: store.Series{StepMS: []int64{0, 1000, 60_000}[r.IntN(3)]}}
		at := int64(noon)
		for range r.IntN(40) {
			cell := store.Cell{StartMS: at}
			if r.IntN(4) > 0 {
				n := 1 + r.Int64N(60)
				if b.found.StepMS == 0 {
					n = 1
				}
				low := float64(r.IntN(2000)) * 0.1
				high := low + float64(r.IntN(3))*0.1
				if b.found.StepMS == 0 {
					high = low
				}
				cell.First, cell.Last, cell.Min, cell.Max, cell.Sum, cell.Count = low, high, low, high, float64(n)*low, n
			}
			b.found.Cells = append(b.found.Cells, cell)
			if step := b.found.StepMS; step > 0 {
				at += step * (1 + r.Int64N(3)) // cells that are left out: read more slowly
			} else {
				at += r.Int64N(1500) // some of the same millisecond
			}
		}
		s, err := New(b, Options{Pages: testPages(), Metrics: b, Log: slog.New(slog.DiscardHandler)})
		if err != nil {
			t.Fatal(err)
		}
		var cells seriesAnswer
		var columns struct {
			Series []struct {
				StartMS int64      `json:"start_ms"`
				StepMS  int64      `json:"step_ms"`
				At      []int64    `json:"at"`
				Count   []*int64   `json:"count"`
				Min     []*float64 `json:"min"`
				Max     []*float64 `json:"max"`
				Mean    []*float64 `json:"mean"`
			} `json:"series"`
		}
		for layout, into := range map[string]any{"cells": &cells, "columns": &columns} {
			w := get(s, "/api/v1/series?channel=controller.discharge_pressure&layout="+layout)
			if err := json.Unmarshal(w.Body.Bytes(), into); err != nil {
				t.Fatalf("%s: %v in %s", layout, err, w.Body)
			}
		}
		c := columns.Series[0]
		want := map[int64]seriesCell{}
		for _, cell := range cells.Series[0].Cells {
			want[cell.T] = cell // of one millisecond the last
		}
		if c.StepMS == 0 && len(c.At) != len(want) || len(c.Mean) != len(c.Count) || c.StepMS > 0 && (len(c.Min) != len(c.Count) || len(c.Max) != len(c.Count)) {
			t.Fatalf("lists of %d, %d, %d, %d, %d for %d times", len(c.At), len(c.Count), len(c.Min), len(c.Max), len(c.Mean), len(want))
		}
		seen, before := 0, int64(math.MinInt64)
		for i := range c.Count {
			at := c.StartMS + int64(i)*c.StepMS
			if c.StepMS == 0 {
				at = c.StartMS + c.At[i]
			}
			if at <= before {
				t.Fatalf("time %d follows %d", at, before)
			}
			before = at
			cell, ok := want[at]
			switch {
			case !ok:
				if c.Count[i] != nil || c.Mean[i] != nil {
					t.Fatalf("a cell at %d that is not there has count %v, mean %v", at, c.Count[i], c.Mean[i])
				}
				continue
			case c.Count[i] == nil || *c.Count[i] != cell.Count || (c.Mean[i] == nil) != (cell.Count == 0):
				t.Fatalf("count at %d: %v, want %d; mean %v", at, c.Count[i], cell.Count, c.Mean[i])
			}
			seen++
			if cell.Count == 0 {
				continue
			}
			low, high := c.Mean[i], c.Mean[i]
			if c.StepMS > 0 {
				low, high = c.Min[i], c.Max[i]
			}
			if math.Abs(*low-*cell.Min) > 1e-9 || math.Abs(*high-*cell.Max) > 1e-9 || math.Abs(*c.Mean[i]-*cell.Sum/float64(cell.Count)) > 0.1/1000 {
				t.Fatalf("at %d: %v %v %v, want %v", at, *low, *high, *c.Mean[i], cell)
			}
		}
		if seen != len(want) {
			t.Fatalf("%d cells, want %d", seen, len(want))
		}
	}
}

// What JSON cannot say is null, and decimals have no binary noise.
func TestColumnNumbers(t *testing.T) {
	noisy := float64(1043) * 0.1
	text, err := json.Marshal(numbers{noisy, math.NaN(), math.Inf(1), 1e21, -0.05, 4294967295, 0})
	if want := "[104.3,null,null,1e+21,-0.05,4294967295,0]"; err != nil || string(text) != want {
		t.Errorf("%s %v, want %s", text, err, want)
	}
	text, err = json.Marshal(counts{12, noCount, 0})
	if want := "[12,null,0]"; err != nil || string(text) != want {
		t.Errorf("%s %v, want %s", text, err, want)
	}
	for _, tt := range []struct {
		channel    scan.Channel
		mean, want float64
	}{
		{scan.Channel{Kind: scan.KindInt, Scale: 0.1}, 104.23333333, 104.2333},
		{scan.Channel{Kind: scan.KindInt, Scale: 10}, 1234.56789, 1234.57},
		{scan.Channel{Kind: scan.KindInt, Scale: 1e-15}, 1.23456789e-9, 1.23456789e-9},
		{scan.Channel{Kind: scan.KindFloat32, Scale: 1}, 36.123456789123, 36.1234568},
		{scan.Channel{Kind: scan.KindUint, Scale: -0.5}, math.Pi * 1e6, 3141592.65},
	} {
		if got := meanRounding(&tt.channel)(tt.mean); got != tt.want {
			t.Errorf("mean of %+v: %v, want %v", tt.channel, got, tt.want)
		}
	}
}

// wideShop has as many channels as one request may name.
type wideShop struct{ *shop }

func (b *wideShop) Groups() []*scan.Group {
	g := &scan.Group{Device: "d", PeriodMS: 1000}
	for i := range maxChannels {
		g.Channels = append(g.Channels, scan.Channel{Device: "d", Name: fmt.Sprint("c", i)})
	}
	return []*scan.Group{g}
}

// One request does not make an answer of a hundred megabytes, in either layout,
// and asks for a machine's states once however often it names it.
func TestSeriesAreBounded(t *testing.T) {
	b := &wideShop{newShop()}
	s, err := New(b, Options{Pages: testPages(), Metrics: b, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	all := ""
	for i := range maxChannels {
		all += fmt.Sprintf("&channel=d.c%d", i)
	}
	for _, layout := range []string{"cells", "columns"} {
		w := get(s, fmt.Sprintf("/api/v1/series?layout=%s&points=%d%s", layout, maxPoints, all))
		if w.Code != 400 || !strings.Contains(w.Body.String(), "640000") {
			t.Errorf("%s: %d points of %d channels: %d %.200s", layout, maxPoints, maxChannels, w.Code, w.Body)
		}
		if w = get(s, fmt.Sprintf("/api/v1/series?layout=%s&points=%d%s", layout, maxCells/maxChannels, all)); w.Code != 200 {
			t.Errorf("%s: as many as are allowed: %d %.200s", layout, w.Code, w.Body)
		}
		w = get(s, "/api/v1/series?layout="+layout+strings.Repeat("&state=comp1", 50))
		if n := strings.Count(w.Body.String(), `"state":"loaded"`); w.Code != 200 || n != 1 {
			t.Errorf("%s: one machine named 50 times: %d, told %d times", layout, w.Code, n)
		}
	}
}

// The readings of two moments, the earlier first whatever the order asked in,
// their difference, and what is between; a gap is null and has no difference.
func TestMoments(t *testing.T) {
	b := newShop()
	s := newTestServer(t, b, Options{})
	var a momentsAnswer
	w := get(s, "/api/v1/moments?channel=controller.discharge_pressure&channel=meter.power&at=2026-03-02T12:00:00Z&at=2026-03-02T11:00:00Z")
	if err := json.Unmarshal(w.Body.Bytes(), &a); err != nil {
		t.Fatal(err)
	}
	if len(a.At) != 2 || a.At[0] != noon-3_600_000 || a.At[1] != noon {
		t.Fatalf("moments %v", a.At)
	}
	c := a.Channels[0]
	if len(c.Readings) != 2 || *c.Readings[0].Value != 104 || *c.Readings[1].Value != 104.1 || *c.Difference != 0.1 {
		t.Errorf("readings: %s", w.Body)
	}
	if between := c.Between; between.Count != 10 || *between.Mean != 103 || *between.Min != 99.5 || *between.Max != 110.1 || !between.RawDropped {
		t.Errorf("between: %+v", between)
	}
	if c = a.Channels[1]; c.Readings[0] != nil || c.Readings[1] != nil || c.Difference != nil || c.Between.Count != 0 || c.Between.Mean != nil {
		t.Errorf("a gap: %+v", c)
	}
	if got := b.lastAsked(); got != "span meter.power 2026-03-02T11:00:00.000Z 2026-03-02T12:00:00.000Z" {
		t.Errorf("asked for %q", got)
	}
	one := get(s, "/api/v1/moments?channel=controller.discharge_pressure&at=now")
	if text := one.Body.String(); strings.Contains(text, "between") || strings.Contains(text, "difference") {
		t.Errorf("of one moment: %s", text)
	}
}
