package poll

import (
	"math/rand/v2"
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

func TestRefreshIsLearnt(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 5))
	noise := func() int64 { return rng.Int64N(1000) }
	for _, tt := range []struct {
		name   string
		period int64
		value  func(ms int64) int64 // of the register at a time
		want   int64                // ms; 0: no hint
		hint   string
	}{
		{"250 ms polls of a register renewed each second", 250, held(1000, noise), 1000,
			`polled each 250 ms, changes about each 1 s: 3 of 4 readings are copies; a longer "every" loses nothing`},
		{"no multiple of the period", 250, held(700, noise), 700,
			`polled each 250 ms, changes about each 700 ms: 2 of 3 readings are copies; a longer "every" loses nothing`},
		{"as fast as it is polled", 1000, held(1000, noise), 0, ""},
		{"faster than it is polled", 1000, held(100, noise), 0, ""},
		{"a little slower", 1000, held(1300, noise), 0, ""},
		{"a machine at rest", 250, func(int64) int64 { return 7 }, 0, ""},
		{"a slow drift is no pace", 250, held(250, func() int64 { return b2i(rng.IntN(40) == 0) }), 0, ""},
	} {
		_, g := mapOf(0, time.Duration(tt.period)*time.Millisecond, ch("v", sitefile.Input, 0, "u16"))
		r := &refresh{}
		for ms := int64(0); ms < 120_000; ms += tt.period {
			at := ms + rng.Int64N(30) // the line is not always free at once
			r.see(&scan.Scan{Group: g, MonoMS: at, Values: []int64{tt.value(at)}})
		}
		got := r.everyMS(tt.period)
		if got < tt.want*95/100 || got > tt.want*105/100 {
			t.Errorf("%s: got %d ms, want %d", tt.name, got, tt.want)
		}
		status := GroupStatus{PeriodMS: tt.period, RefreshMS: tt.want}
		if hint := status.Hint(); hint != tt.hint {
			t.Errorf("%s: hint %q, want %q", tt.name, hint, tt.hint)
		}
	}
}

// held is a register that takes a new value each everyMS.
func held(everyMS int64, next func() int64) func(int64) int64 {
	last, value := int64(-1), int64(0)
	return func(ms int64) int64 {
		for ; last < ms/everyMS; last++ {
			value += next()
		}
		return value
	}
}

func b2i(b bool) int64 {
	if b {
		return 1
	}
	return 0
}

// TestRefreshForgetsOverGaps: what changed in a gap is no span.
func TestRefreshForgetsOverGaps(t *testing.T) {
	_, g := mapOf(0, 250*time.Millisecond, ch("v", sitefile.Input, 0, "u16"))
	r := &refresh{}
	for i := range int64(200) {
		// A change each 250 ms, but every second scan is lost: no two changes
		// are neighbours.
		s := scan.Scan{Group: g, MonoMS: i * 250, Values: []int64{i}}
		if i%2 == 1 {
			s = scan.Scan{Group: g, MonoMS: i * 250, Reason: scan.Timeout}
		}
		r.see(&s)
	}
	if r.n != 0 || r.everyMS(250) != 0 {
		t.Errorf("%d spans across gaps", r.n)
	}
}
