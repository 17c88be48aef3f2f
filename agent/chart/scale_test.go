package chart

import (
	"strings"
	"testing"
)

func TestFit(t *testing.T) {
	for _, c := range []struct {
		name   string
		axis   Axis
		data   reach
		most   int
		lo, hi float64
		ticks  string
	}{
		{"moved out to ticks", Axis{}, reach{3.2, 17}, 5, 0, 20, "0 5 10 15 20"},
		{"with nought", Axis{Zero: true}, reach{93, 118}, 5, 0, 150, "0 50 100 150"},
		{"as asked", Axis{Min: 0, Max: 24, Unit: "h"}, reach{1, 2}, 9, 0, 24, "0 3 6 9 12 15 18 21 24"},
		{"asked, and less than the data", Axis{Min: 10, Max: 20}, reach{9, 31}, 5, 0, 40, "0 10 20 30 40"},
		{"one value", Axis{}, reach{100, 100}, 5, 95, 105, "95 100 105"},
		{"nought alone", Axis{Zero: true}, reach{0, 0}, 3, 0, 1, "0.0 0.5 1.0"},
		{"less than nought by an uncertainty", Axis{Zero: true}, reach{-3, 148}, 4, 0, 150, "0 50 100 150"},
		{"less than nought", Axis{Zero: true}, reach{-30, 148}, 4, -100, 200, "-100 0 100 200"},
		{"over a tick by rounding", Axis{Unit: "h"}, reach{0, 24.001}, 5, 0, 24, "0 6 12 18 24"},
		{"both signs", Axis{}, reach{-3, 8}, 5, -5, 10, "-5 0 5 10"},
		{"small", Axis{}, reach{0.0012, 0.0048}, 5, 0.001, 0.005, "0.001 0.002 0.003 0.004 0.005"},
		{"nothing", Axis{}, nowhere(), 3, 0, 1, "0.0 0.5 1.0"},
	} {
		lo, hi, ticks := c.axis.fit(c.data, c.most)
		var names []string
		for _, tick := range ticks {
			names = append(names, tick.Name)
		}
		if got := strings.Join(names, " "); lo-c.lo > 1e-9 || c.lo-lo > 1e-9 || hi-c.hi > 1e-9 || c.hi-hi > 1e-9 || got != c.ticks {
			t.Errorf("%s: %g to %g with %q, want %g to %g with %q", c.name, lo, hi, got, c.lo, c.hi, c.ticks)
		}
	}
}

func TestGrouped(t *testing.T) {
	for in, want := range map[string]string{"9999": "9999", "10000": "10,000", "-30000": "-30,000", "1234567.5": "1,234,567.5", "0.00001": "0.00001"} {
		if got := grouped(in, ","); got != want {
			t.Errorf("%s became %s, want %s", in, got, want)
		}
	}
	if got := grouped("10000", ""); got != "10000" {
		t.Errorf("without a sign: %s", got)
	}
}

// TestPushApart: names keep their order, none covers another, none leaves the room, and
// one with room stands where it belongs.
func TestPushApart(t *testing.T) {
	name := []string{"one line"}
	all := []label{{y: 50, lines: name}, {y: 51, lines: name}, {y: 120, lines: name}, {y: 199, lines: []string{"two", "lines"}}, {y: 200, lines: name}, {y: 0, lines: name}}
	got := pushApart(all, 0, 200)
	if len(got) != len(all) {
		t.Fatalf("%d of %d names are left", len(got), len(all))
	}
	end := 0.0
	for i := range got {
		if got[i].top < end-1e-9 || got[i].top+got[i].height() > 200+1e-9 || i > 0 && got[i].y < got[i-1].y {
			t.Errorf("name %d of y %g stands at %g to %g; the one before ends at %g", i, got[i].y, got[i].top, got[i].top+got[i].height(), end)
		}
		end = got[i].top + got[i].height()
	}
	if mid := got[3].top + got[3].height()/2; mid != 120 {
		t.Errorf("the name with room stands at %g, want 120", mid)
	}
	if few := pushApart(append([]label(nil), all...), 0, 25); len(few) != 2 {
		t.Errorf("%d names in the room of two", len(few))
	}
}

func TestCutAndWrap(t *testing.T) {
	l := letters{size: 8}
	long := strings.Repeat("long ", 60)
	if got := cut(long, 60, l); !strings.HasSuffix(got, "…") || width(got, l) > 60 || width(got, l) < 45 {
		t.Errorf("cut to 60 pt: %q is %.1f wide", got, width(got, l))
	}
	if got := cut("short", 60, l); got != "short" {
		t.Errorf("what fits became %q", got)
	}
	if got := cut("a\u202eb\x00c\nd", 60, l); got != "abc d" {
		t.Errorf("marks that turn text are left: %q", got)
	}
	lines := wrap("inputs.receiver_pressure", 80, 3, l)
	if strings.Join(lines, "") != "inputs.receiver_pressure" || len(lines) != 2 {
		t.Errorf("a long name is broken into %q", lines)
	}
	for _, line := range wrap(long, 60, 3, l) {
		if width(line, l) > 60 {
			t.Errorf("%q is %.1f pt wide in 60", line, width(line, l))
		}
	}
}
