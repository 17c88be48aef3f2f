package analysis

import (
	"math/rand/v2"
	"testing"
)

// What a part is said to have been is what a stopwatch of whole seconds finds
// held longest in it: counted here second by second, which Mostly does not do.
func TestMostlyIsWhatHeldLongest(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 50 {
		var runs []Run
		seconds := map[int64]Run{}
		at := monday + r.Int64N(3600)*1000
		begin := at
		for range 3 + r.IntN(300) {
			run := Run{State: State(r.IntN(numStates)), FromMS: at, ToMS: at + (1+r.Int64N(90))*1000}
			if run.State == Unobserved {
				run.Reason = []string{"timeout", "port gone"}[r.IntN(2)]
			}
			for s := run.FromMS; s < run.ToMS; s += 1000 {
				seconds[s] = run
			}
			at = run.ToMS
			runs = append(runs, run)
		}
		told, step := Mostly(runs, 20)
		if len(runs) <= 40 {
			if step != 0 || len(told) != len(runs) {
				t.Fatalf("%d runs became %d of %d ms", len(runs), len(told), step)
			}
			continue
		}
		if step == 0 || (at-begin)/step > 20 {
			t.Fatalf("parts of %d ms in %d s", step, (at-begin)/1000)
		}
		if told[0].FromMS != begin || told[len(told)-1].ToMS != at {
			t.Fatalf("told from %d to %d, want %d to %d", told[0].FromMS, told[len(told)-1].ToMS, begin, at)
		}
		for i, run := range told {
			if i > 0 && (run.FromMS != told[i-1].ToMS || run.State == told[i-1].State && run.Reason == told[i-1].Reason) {
				t.Fatalf("run %d, %+v, after %+v", i, run, told[i-1])
			}
			for part := run.FromMS; part < run.ToMS; {
				end := min(at, part-part%step+step)
				count := map[State]int{}
				for s := part; s < end; s += 1000 {
					count[seconds[s].State]++
				}
				for state, n := range count {
					if n > count[run.State] {
						t.Fatalf("part at %d is said to be mostly %v (%d s), but %v held %d s", part, run.State, count[run.State], state, n)
					}
				}
				part = end
			}
		}
	}
}
