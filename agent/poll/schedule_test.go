package poll

import (
	"bytes"
	"log/slog"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/scan"
)

func TestSlotAdvance(t *testing.T) {
	start := time.Unix(1_700_000_000, 0)
	tests := []struct {
		name    string
		now     time.Duration // after the due time
		missed  int64
		nextDue time.Duration
	}{
		{"in time", 0, 0, time.Second},
		{"a little late", 300 * time.Millisecond, 0, time.Second},
		{"at the last moment", 999 * time.Millisecond, 0, time.Second},
		{"one whole period late", time.Second, 1, 2 * time.Second},
		{"long late", 7500 * time.Millisecond, 7, 8 * time.Second},
		{"too early", -time.Millisecond, 0, time.Second},
	}
	for _, tt := range tests {
		s := slot{period: time.Second, due: start}
		missed := s.advance(start.Add(tt.now))
		if missed != tt.missed || s.due.Sub(start) != tt.nextDue {
			t.Errorf("%s: missed %d, next after %v; want %d, %v", tt.name, missed, s.due.Sub(start), tt.missed, tt.nextDue)
		}
	}
}

func TestNextOrder(t *testing.T) {
	now := time.Unix(1_700_000_000, 0)
	a, b := &unit{index: 0}, &unit{index: 1}
	slots := []*slot{
		{unit: a, period: 10 * time.Second, due: now},
		{unit: b, period: time.Second, due: now},
		{unit: a, period: time.Second, due: now},
		{unit: b, period: 250 * time.Millisecond, due: now.Add(-time.Millisecond)},
		{unit: b, period: time.Minute, due: now},
	}
	want := []int{3, 1, 4, 2, 0} // the longest waiting, then its device's others, then the other device's
	var last *unit
	for i, w := range want {
		s := next(slots, last)
		if s != slots[w] {
			t.Fatalf("place %d: got period %v of unit %d, want slot %d", i, s.period, s.unit.index, w)
		}
		last = s.unit
		s.due = s.due.Add(time.Hour)
	}
}

func TestPauses(t *testing.T) {
	for _, random := range []float64{0, 0.5, 0.999} {
		p := pauses{random: func() float64 { return random }}
		want := []float64{0.25, 0.5, 1, 2, 4, 8, 15, 15, 15} // seconds, before chance
		for i, w := range want {
			if got := p.next().Seconds(); got > w || got < 0.8*w {
				t.Errorf("pause %d with %v: %v s, want %v to %v", i, random, got, 0.8*w, w)
			}
		}
		p.reset()
		if got := p.next(); got > firstPause {
			t.Errorf("after a success: %v, want at most %v", got, firstPause)
		}
	}
}

func TestUnitTimeout(t *testing.T) {
	const full = time.Second
	ms := func(n int) time.Duration { return time.Duration(n) * time.Millisecond }
	tests := []struct {
		name           string
		silent, probes int
		slowest, want  time.Duration
	}{
		{"answering", 0, 0, ms(20), full},
		{"silent once, never heard", 1, 0, 0, ms(250)},
		{"silent once, quick", 1, 0, ms(5), ms(50)},
		{"silent once, slow", 1, 0, ms(100), ms(400)},
		{"silent once, very slow", 1, 0, ms(600), full},
		{"given up", silentRounds, 0, ms(20), ms(80)},
		{"every fourth probe is patient", silentRounds + 3, 3, ms(20), full},
		{"the one after it is not", silentRounds + 4, 4, ms(20), ms(80)},
	}
	for _, tt := range tests {
		u := unit{full: full, silent: tt.silent, probes: tt.probes}
		if got := u.timeout(tt.slowest); got != tt.want {
			t.Errorf("%s: got %v, want %v", tt.name, got, tt.want)
		}
	}
}

func TestWorthOffering(t *testing.T) {
	start := time.Unix(1_700_000_000, 0)
	var s slot
	offered := 0
	for i := range 200 {
		if s.worthOffering(start.Add(time.Duration(i)*time.Second), scan.Timeout) {
			offered++
		}
	}
	if want := 60 + 14; offered != want { // each second for a minute, then each ten
		t.Errorf("%d of 200 bad scans in 200 s were offered, want %d", offered, want)
	}
	if !s.worthOffering(start.Add(200*time.Second), scan.PortGone) {
		t.Error("a new reason was held back")
	}
	s.good()
	if !s.worthOffering(start.Add(201*time.Second), scan.PortGone) {
		t.Error("the first bad scan after a good one was held back")
	}
}

func TestTroubleLog(t *testing.T) {
	var out bytes.Buffer
	tr := trouble{log: slog.New(slog.NewTextHandler(&out, nil)).With("device", "meter")}
	start := time.Unix(1_700_000_000, 0)
	for i := range 125 {
		tr.failed(start.Add(time.Duration(i)*time.Second), "device gives no values", "check power")
	}
	tr.recovered(start.Add(125*time.Second), "device answers again")
	tr.recovered(start.Add(126*time.Second), "device answers again")
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	want := []string{
		`level=WARN msg="device gives no values" device=meter detail="check power"`,
		`msg="device gives no values, still" device=meter detail="check power" failures=60 for=1m0s`,
		`msg="device gives no values, still" device=meter detail="check power" failures=60 for=2m0s`,
		`level=INFO msg="device answers again" device=meter after=2m5s failures=125`,
	}
	if len(lines) != len(want) {
		t.Fatalf("logged %d lines, want %d:\n%s", len(lines), len(want), out.String())
	}
	for i := range want {
		if !strings.HasSuffix(lines[i], want[i]) {
			t.Errorf("line %d: got %s, want it to end in %s", i, lines[i], want[i])
		}
	}
}

func TestTrips(t *testing.T) {
	var tr trips
	if tr.max() != 0 || tr.median() != 0 {
		t.Errorf("empty: got %v and %v, want 0", tr.max(), tr.median())
	}
	for i := 1; i <= 1000; i++ { // the last 128 are 873 to 1000
		tr.add(time.Duration(i))
	}
	if tr.max() != 1000 || tr.median() != 936 {
		t.Errorf("got max %d and median %d, want 1000 and 936", tr.max(), tr.median())
	}
}
