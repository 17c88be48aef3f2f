package analysis

import (
	"testing"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// TestInvertedBitsFoldByTheirValue: a load bit that reads 0 while the machine
// is loaded, turned round in the map, gives the figures of one that reads 1;
// and a map that is turned round later folds anew.
func TestInvertedBitsFoldByTheirValue(t *testing.T) {
	record := func(site *sitefile.Site, loadedRaw func(loaded int64) int64) *memory {
		tp := newTape(site, 1_700_000_000_000-1_700_000_000_000%cellMS)
		for s := int64(0); s < 900; s++ {
			loaded := (s / 60) % 2
			tp.add("controller", s*1000, 1, loadedRaw(loaded), 0, 0, 7000, 5)
		}
		return fold(site, tp.scans)
	}
	from, to := int64(0), int64(2_000_000_000_000)

	plain := plant(t)
	want := mustCompute(t, record(plain, func(v int64) int64 { return v }), plain, from, to)
	turned := plant(t)
	c := &turned.Devices[0].Map.Channels[1]
	if c.Role != scan.Loaded {
		t.Fatalf("channel 1 has the role %q", c.Role)
	}
	c.Scale, c.Offset = -1, 1
	m := record(turned, func(v int64) int64 { return 1 - v })
	got := mustCompute(t, m, turned, from, to)
	for _, name := range []string{"loaded_time", "unloaded_time", "load_cycles", "loaded_share"} {
		w := figureOf(t, want, name)
		if w.Value == nil || *w.Value == 0 {
			t.Fatalf("%s is %v: the tape does not show it", name, w)
		}
		check(t, figureOf(t, got, name), *w.Value, 0)
	}
	// 8 minutes unloaded and 7 loaded, of which the last second has no end.
	check(t, figureOf(t, got, "unloaded_time"), 8*60-1, 0)

	// The same scans under a map that does not turn the bit: other config, other figures.
	other := mustCompute(t, m, plain, from, to)
	check(t, figureOf(t, other, "loaded_time"), 8*60-1, 0)
}

func TestCounterFall(t *testing.T) {
	for _, tt := range []struct {
		name                   string
		before, after, modulus int64
		want                   Fall
	}{
		{"rises", 5, 6, 1 << 16, Onward},
		{"stays", 5, 5, 1 << 16, Onward},
		{"over the end", 65530, 4, 1 << 16, Wrapped},
		{"from the top tenth's edge", 65536 - 6553, 6553, 1 << 16, Wrapped},
		{"from below the top tenth", 65536 - 6554, 0, 1 << 16, Reset},
		{"to above the bottom tenth", 65535, 6554, 1 << 16, Reset},
		{"to zero from the middle", 30000, 0, 1 << 16, Reset},
		{"no width known", 65535, 0, 0, Reset},
		{"decimal digits", 9999, 0, 10_000, Wrapped},
		{"below zero", 65535, -1, 1 << 16, Reset},
	} {
		if got := CounterFall(tt.before, tt.after, tt.modulus); got != tt.want {
			t.Errorf("%s: %d to %d gives %d, want %d", tt.name, tt.before, tt.after, got, tt.want)
		}
	}
}
