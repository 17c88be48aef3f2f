package modbus

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// TestReplyPercentile holds the histogram to the sorted list of the same times:
// never below, at most a quarter above.
func TestReplyPercentile(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, spread := range []float64{0.5, 3, 8} {
		var u UnitStats
		var all []time.Duration
		for range 2000 {
			d := time.Duration(float64(20*time.Microsecond) * (1 + rng.ExpFloat64()*spread*100))
			all = append(all, d)
			u.replied(d)
		}
		slices.Sort(all)
		for _, p := range []float64{1, 50, 95, 99, 100} {
			exact := all[max(int(p/100*float64(len(all)))-1, 0)]
			got := u.ReplyPercentile(p)
			if got < exact || float64(got) > 1.26*float64(exact) {
				t.Errorf("spread %v: p%v = %v, exact %v", spread, p, got, exact)
			}
		}
		if u.MinReply != all[0] || u.MaxReply != all[len(all)-1] {
			t.Errorf("min %v max %v, want %v %v", u.MinReply, u.MaxReply, all[0], all[len(all)-1])
		}
	}
	var none UnitStats
	if got := none.ReplyPercentile(99); got != 0 {
		t.Errorf("of nothing: %v", got)
	}
	var long UnitStats
	long.replied(time.Hour)
	if got := long.ReplyPercentile(50); got < 60*time.Second {
		t.Errorf("of an hour: %v", got)
	}
}

// TestStatsIsACopy: what the caller gets does not change under him.
func TestStatsIsACopy(t *testing.T) {
	run(t, Config{Framing: RTU, Baud: 19200}, nil, func(r *rig) {
		r.expect("first", register(1), nil)
		s := r.client.Stats()
		r.expect("second", register(1), nil)
		if s.Units[3].Answers != 1 || r.client.Stats().Units[3].Answers != 2 {
			t.Errorf("copy has %d, client %d", s.Units[3].Answers, r.client.Stats().Units[3].Answers)
		}
	})
}

// TestAddedStats: what two clients counted one after the other is what one would
// have counted.
func TestAddedStats(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	var first, second, whole UnitStats
	for i := range 1000 {
		d, u := time.Duration(rng.ExpFloat64()*float64(30*time.Millisecond)), &first
		if i > 400 {
			u = &second
		}
		for _, u := range []*UnitStats{u, &whole} {
			u.Requests++
			switch i % 50 {
			case 7:
				u.failed(0, ErrTimeout)
			case 8:
				u.failed(0, ErrBadChecksum)
			case 9:
				u.failed(d, &ExceptionError{})
			case 10:
				u.failed(0, ErrWrongAnswer)
			case 11:
				u.failed(0, ErrLineLost)
			default:
				u.Answers++
				u.replied(d)
			}
		}
	}
	first.Late, first.WorstLate, second.Late, second.WorstLate = 2, 3*time.Second, 1, time.Second
	whole.Late, whole.WorstLate = 3, 3*time.Second
	first.Add(&second)
	if first != whole {
		t.Errorf("added %+v\nwhole %+v", first, whole)
	}
	var none UnitStats
	first.Add(&none)
	if none.Add(&whole); first != whole || none != whole {
		t.Error("adding nothing changes something")
	}
}

func TestSuggestTimeout(t *testing.T) {
	for longest, want := range map[time.Duration]time.Duration{
		0: 500 * time.Millisecond, 16 * time.Millisecond: 500 * time.Millisecond, 170 * time.Millisecond: 550 * time.Millisecond,
		200 * time.Millisecond: 600 * time.Millisecond, 340 * time.Millisecond: 1500 * time.Millisecond,
	} {
		if got := SuggestTimeout(longest); got != want {
			t.Errorf("after %v: %v, want %v", longest, got, want)
		}
	}
}
