package samples

import (
	"context"
	"net/http"
	"runtime"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/publish/remote"
	"loadscribe/agent/scan"
	"loadscribe/testdata/engine"
)

// TestAwayForAWeek: the receiver is away while a week is recorded, and then back. Nothing
// of the record is held in memory meanwhile or while it is sent: the heap is flat. All
// of it arrives, in its order.
func TestAwayForAWeek(t *testing.T) {
	if testing.Short() {
		t.Skip("its measure is the heap, and the race detector's is not the program's")
	}
	r := newRig(t)
	arrived, stale, told, most := 0, 0, 0, 0.0
	other := engine.New(http.StatusServiceUnavailable)
	other.Tell = func(series string, _ int64, v float64) {
		if told++; told%50_000 == 0 { // in the middle of a batch
			most = max(most, heapMB())
		}
		if isStale(v) {
			stale++
		}
		if series == "__name__ loadscribe_device_up device controller site "+noPhase+" " {
			arrived++
		}
	}
	r.run(time.Minute)
	synctest.Test(t, func(t *testing.T) {
		o := r.options()
		sender, err := remote.Open(t.TempDir(), remote.Config{Name: "owner", URL: "https://metrics.example/"}, New(r.store, o), remote.Options{Transport: other})
		if err != nil {
			t.Fatal(err)
		}
		ctx, stop := context.WithCancel(context.Background())
		ended := make(chan error, 1)
		go func() { ended <- sender.Run(ctx) }()
		before := heapMB()
		for range 7 * 24 { // an hour of readings, then an hour of the bubble's time
			r.hour()
			time.Sleep(time.Hour)
			synctest.Wait()
			most = max(most, heapMB())
		}
		away := most - before
		if st := sender.State(); st.FailingSinceMS == 0 || st.Samples != 0 {
			t.Errorf("the receiver is away: %+v", st)
		}
		other.Set(http.StatusNoContent)
		most = 0
		for began := time.Now(); sender.State().LastSampleMS < r.clock.wall-60_000; {
			time.Sleep(time.Second)
			if time.Since(began) > 2*time.Hour {
				t.Fatalf("it is not sent: %+v", sender.State())
			}
		}
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		st := sender.State()
		t.Logf("heap: %.1f MB before, %+.1f MB at most while the receiver was away for a week, %+.1f MB at most while %d samples were sent in %d requests",
			before, away, most-before, st.Samples, st.Requests)
		if away > 8 || most-before > 16 {
			t.Errorf("the heap grew by %.1f MB while the receiver was away, by %.1f MB while all was sent", away, most-before)
		}
		if err := r.store.Close(); err != nil { // in the bubble that it was used in
			t.Error(err)
		}
		if st.Missed != 0 || len(st.Refused) > 0 {
			t.Errorf("%+v", st)
		}
	})
	if wrong := other.Wrong(); len(wrong) > 0 {
		t.Errorf("what arrived: %q", wrong)
	}
	if want := 7*24*240 + 4; arrived < want-2 || arrived > want {
		t.Errorf("%d cells arrived, want %d", arrived, want)
	}
	if stale != 0 {
		t.Errorf("%d series ended", stale)
	}
}

// hour records an hour, each device once in its gap.
func (r *rig) hour() {
	r.t.Helper()
	controller, meter := r.group("controller"), r.group("meter")
	var batch []scan.Scan
	for second := int64(0); second < 3600; second += 3 {
		loaded := second / 300 % 2
		batch = append(batch, scan.Scan{Group: controller, MonoMS: r.clock.mono, WallMS: r.clock.wall, Values: []int64{65 + second%9, 1, loaded}},
			scan.Scan{Group: meter, MonoMS: r.clock.mono, WallMS: r.clock.wall, Values: []int64{90 + 280*loaded}})
		r.pass(3 * time.Second)
	}
	if err := r.store.Append(batch); err != nil {
		r.t.Fatal(err)
	}
	r.sync()
}

// heapMB is what live objects take.
func heapMB() float64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return float64(m.HeapAlloc) / 1e6
}
