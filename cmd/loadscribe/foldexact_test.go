package main

import (
	"bytes"
	"math/rand/v2"
	"testing"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/cmd/loadscribe/stage"
)

// recut is a store whose summaries were made anew, cut elsewhere.
type recut struct {
	analysis.Source
	pieces []store.Piece
}

func (r *recut) Pieces(key string, fromMS, toMS int64) ([]store.Piece, error) {
	var all []store.Piece
	for _, p := range r.pieces {
		if p.Key == key && p.StartMS >= fromMS && p.StartMS < toMS {
			all = append(all, p)
		}
	}
	return all, nil
}

func (r *recut) EventsWhere(fromMS, toMS int64, limit int, wanted func(*store.Event) bool) ([]store.Event, error) {
	return r.Source.(analysis.EventSource).EventsWhere(fromMS, toMS, limit, wanted)
}

// foldsExactly is rule 4 on a recorded scenario: over windows cut at random, the
// figures from the store's summaries, those from summaries cut at random places
// with the process restarted at some, and those from all raw scans in one go are
// the same to the last bit.
func foldsExactly(t *testing.T, a *agent.Agent, s *stage.Stage, seed uint64) {
	t.Helper()
	rng := rand.New(rand.NewPCG(seed, 4))
	events, err := a.Source().(analysis.EventSource).EventsWhere(0, 0, 1<<20, func(*store.Event) bool { return true })
	if err != nil {
		t.Fatal(err)
	}
	fresh := func() *analysis.Folder {
		f := analysis.NewFolder(a.Site(), sitefile.Groups(a.Site()))
		f.Calibrate(events)
		return f
	}
	again, f, cuts := &recut{Source: a.Source()}, fresh(), 0
	err = a.Source().Scans(store.ScanQuery{}, func(sc *scan.Scan) error {
		f.Step(sc)
		if rng.IntN(20_000) > 0 {
			return nil
		}
		pieces, state := f.Flush()
		again.pieces = append(again.pieces, pieces...)
		if cuts++; cuts%2 == 0 {
			f = fresh()
			return f.Restore(state)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	recutSource := analysis.WithPending(again, f)
	lo, hi := s.From.UnixMilli(), s.To.UnixMilli()
	for range 3 {
		from := lo + rng.Int64N(hi-lo)
		to := min(hi, from+rng.Int64N(4*3_600_000))
		want, err := analysis.ComputeRaw(a.Source(), a.Site(), from, to, hi, "")
		if err != nil {
			t.Fatal(err)
		}
		for how, src := range map[string]analysis.Source{"the store's summaries": a.Source(), "summaries cut elsewhere": recutSource} {
			got, err := analysis.Compute(src, a.Site(), from, to, hi, "")
			if err != nil {
				t.Fatal(err)
			}
			if same(t, got, want) {
				continue
			}
			t.Errorf("[%d, %d), %d cuts: from %s\n%s\nfrom raw\n%s", from, to, cuts, how, asJSON(t, got), asJSON(t, want))
		}
	}
	t.Logf("three windows are the same from the store's summaries, from summaries with %d other cuts, and from raw", cuts)
}

func same(t *testing.T, a, b analysis.Report) bool { return asJSON(t, a) == asJSON(t, b) }

func asJSON(t *testing.T, r analysis.Report) string {
	t.Helper()
	var b bytes.Buffer
	if err := printJSON(&b, r); err != nil {
		t.Fatal(err)
	}
	return b.String()
}
