package fleet

import (
	"context"
	"testing"
	"time"

	"loadscribe/agent/publish/remote"
	"loadscribe/testdata/peers"
)

// TestOutageNeedsTheWindow shows what docs/fleets.md warns of. A receiver that keeps
// strict order refuses what is older than an hour behind the newest sample of any site,
// and so all but the last hour of a site that was away; told to take what is out of
// order for longer than that, it takes all.
func TestOutageNeedsTheWindow(t *testing.T) {
	if testing.Short() {
		t.Skip("starts a receiver twice")
	}
	for _, c := range []struct {
		name, config string
		takesAll     bool
	}{
		{"strict order", "", false},
		{"out_of_order_time_window", "storage: { tsdb: { out_of_order_time_window: 1d } }\n", true},
	} {
		t.Run(c.name, func(t *testing.T) {
			receiver := peers.Prometheus(t, c.config, "--web.enable-remote-write-receiver", "--storage.tsdb.retention.time=3650d")
			ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
			defer cancel()
			from := Monday()
			open := func(town string) *Shop {
				wire := NewWire(nil)
				s, err := Open(t.TempDir(), Options{Town: town, Size: Small(), Seed: 1, From: from, Length: 4 * time.Hour, Every: time.Minute,
					URL: receiver.URL + "/api/v1/write", Wire: wire})
				if err != nil {
					t.Fatal(err)
				}
				t.Cleanup(func() {
					if err := s.Close(); err != nil {
						t.Error(err)
					}
					wire.Close()
				})
				return s
			}
			there, away := open("orrimoor"), open("vessossle")
			for _, s := range []*Shop{there, away} { // both are heard, then one of them not for three hours
				if err := s.Record(from.Add(10 * time.Minute)); err != nil {
					t.Fatal(err)
				}
				if err := s.Deliver(ctx); err != nil {
					t.Fatal(err)
				}
			}
			for _, s := range []*Shop{there, away} {
				if err := s.Record(from.Add(3 * time.Hour)); err != nil {
					t.Fatal(err)
				}
				if err := s.Deliver(ctx); err != nil {
					t.Fatal(err)
				}
			}
			st := away.State()
			_, given := away.Given()
			t.Logf("of %d samples %d were taken, refused %v", given, st.Samples, st.Refused)
			if refused := st.Refused[remote.ReasonTooOld]; (refused == 0) != c.takesAll || st.Samples+refused != given {
				t.Errorf("of %d samples %d were taken, refused %v", given, st.Samples, st.Refused)
			}
			if on := there.State(); len(on.Refused) > 0 {
				t.Errorf("of the site that was there %v were refused", on.Refused)
			}
		})
	}
}
