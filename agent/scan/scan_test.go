package scan

import (
	"math"
	"testing"
	"time"
)

func TestCountsOfEachKind(t *testing.T) {
	// The float words are IEEE 754-2019: 1.5 is 0x3FC00000 (binary32) and
	// 0x3FF8000000000000 (binary64); computed by hand from sign, exponent, fraction.
	for _, c := range []struct {
		name string
		kind Kind
		raw  int64
		want float64
	}{
		{"negative counts", KindInt, -200, -200},
		{"the largest unsigned", KindUint, -1, math.MaxUint64},
		{"binary32", KindFloat32, 0x3FC00000, 1.5},
		{"binary64", KindFloat64, 0x3FF8000000000000, 1.5},
		{"digits 7.25", KindDecimal, 725<<8 | 2, 7.25},
		{"digits -0.5", KindDecimal, -5<<8 | 1, -0.5},
		{"digits without decimals", KindDecimal, 42 << 8, 42},
	} {
		if got := c.kind.Counts(c.raw); got != c.want {
			t.Errorf("%s: raw %#x of kind %d: got %v, want %v", c.name, c.raw, c.kind, got, c.want)
		}
	}
}

func TestValueAppliesScaleAndOffset(t *testing.T) {
	c := Channel{Kind: KindInt, Scale: 0.1, Offset: -40, Unit: "°C"}
	if got := c.Value(650); got != 25 {
		t.Errorf("650 × 0.1 − 40: got %v, want 25", got)
	}
}

// The numbers are in every store on disk: a change would turn old gaps into
// others.
func TestReasonNumbersStand(t *testing.T) {
	want := map[Reason]string{0: "good", 1: "timeout", 2: "bad checksum", 3: "device exception", 4: "implausible",
		5: "no value", 6: "port gone", 7: "agent stopped", 8: "wrong answer", 9: "dropped", 10: "clock step",
		11: "sensor fault", 12: "line busy", 13: "wrong map"}
	if len(Reasons()) != len(want)-1 {
		t.Errorf("Reasons lists %d, want %d", len(Reasons()), len(want)-1)
	}
	for r, name := range want {
		if r.String() != name {
			t.Errorf("reason %d: got %q, want %q", r, r, name)
		}
		if back, err := ParseReason(name); err != nil || back != r {
			t.Errorf("parse %q: got %d, %v", name, back, err)
		}
	}
	if _, err := ParseReason("tired"); err == nil {
		t.Error(`parse "tired": no error`)
	}
	if got := Reason(200).String(); got != "unknown reason" {
		t.Errorf("reason 200: got %q", got)
	}
}

func TestGetTellsGoodFromBad(t *testing.T) {
	g := &Group{PeriodMS: 250, Channels: []Channel{{Device: "a", Name: "x"}, {Device: "a", Name: "y"}}}
	s := Scan{Group: g, Values: []int64{7, 9}, Quality: []Reason{Good, Implausible}}
	if raw, ok := s.Get(0); raw != 7 || !ok {
		t.Errorf("a good value: got %d, %v", raw, ok)
	}
	if raw, ok := s.Get(1); raw != 9 || ok {
		t.Errorf("an implausible value keeps its raw and is not good: got %d, %v", raw, ok)
	}
	if _, ok := s.Get(2); ok {
		t.Error("a channel that is not there is good")
	}
	bad := Scan{Group: g, Reason: Timeout}
	if _, ok := bad.Get(0); ok || bad.ReasonOf(0) != Timeout {
		t.Errorf("a scan without values: good %v, reason %v", ok, bad.ReasonOf(0))
	}
	c := s.Clone()
	c.Values[0], c.Quality[0] = 1, Absent
	if s.Values[0] != 7 || s.Quality[0] != Good {
		t.Error("a clone shares its values with the original")
	}
	if g.GapMS() != 750 || g.Index("y") != 1 || g.Index("z") != -1 {
		t.Errorf("gap %d, index %d and %d", g.GapMS(), g.Index("y"), g.Index("z"))
	}
}

func TestSplitID(t *testing.T) {
	for id, want := range map[string]bool{"meter.power": true, "meter": false, ".power": false, "meter.": false} {
		if _, _, ok := SplitID(id); ok != want {
			t.Errorf("%q: got %v, want %v", id, ok, want)
		}
	}
}

// The machine's own clocks: both go on, together, and nobody has slept.
func TestSystemClockGoesOn(t *testing.T) {
	c := NewSystemClock()
	mono, wall := c.Now()
	if mono < 0 || mono > 1000 {
		t.Errorf("monotonic time begins at %d ms", mono)
	}
	time.Sleep(50 * time.Millisecond)
	mono2, wall2 := c.Now()
	if d := mono2 - mono; d < 49 || d > 10_000 {
		t.Errorf("50 ms and more took %d ms of monotonic time", d)
	}
	if d := (wall2 - wall) - (mono2 - mono); d < -20 || d > 20 {
		t.Errorf("the wall clock went %d ms further than the monotonic one", d)
	}
	if slept := c.SleptMS(); slept > 20 {
		t.Errorf("slept %d ms while it ran", slept)
	}
}
