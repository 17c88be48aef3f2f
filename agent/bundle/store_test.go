package bundle

import (
	"bytes"
	"math/rand/v2"
	"testing"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
	"loadscribe/agent/transfer"
)

// A bundle from a real store holds what an ordinary export of it holds, also of
// days with a clock step and of what is not sealed yet.
func TestBundleOfAStore(t *testing.T) {
	dir := t.TempDir()
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	groups := madeGroups(20_000)
	for _, g := range groups {
		g.ID = 0
	}
	if groups, err = s.Register(groups); err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(4, 4))
	for ms := int64(0); ms < 30*hourMS; ms += 10_000 {
		var batch []scan.Scan
		for _, g := range groups {
			if ms%g.PeriodMS != 0 {
				continue
			}
			wall := startMS + ms
			if ms > 20*hourMS {
				wall -= hourMS / 2 // the clock was put back
			}
			sc := scan.Scan{Group: g, MonoMS: ms + 1, WallMS: wall, DurationMS: 30, Values: make([]int64, len(g.Channels))}
			for c := range sc.Values {
				sc.Values[c] = someValue(r, g.Channels[c].Kind)
			}
			batch = append(batch, sc)
		}
		if err := s.Append(batch); err != nil {
			t.Fatal(err)
		}
	}
	early, err := s.Evidence()
	if err != nil {
		t.Fatal(err)
	}
	windows := []Options{
		{FromMS: startMS + 5*hourMS, ToMS: startMS + 9*hourMS + 1},
		{FromMS: startMS + 18*hourMS, ToMS: startMS + 22*hourMS, Layout: transfer.Wide},
		{FromMS: startMS, ToMS: startMS + 27*hourMS, Channels: []string{"meter.flow"}},
	}
	compareWithStore(t, s, windows, nil)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if s, err = store.OpenReadOnly(dir, store.Options{}); err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}()
	windows = append(windows, Options{FromMS: startMS, ToMS: startMS + 100*hourMS, Layout: transfer.Wide})
	compareWithStore(t, s, windows, early.Text)
}

func compareWithStore(t *testing.T, s *store.Store, windows []Options, kept []byte) {
	t.Helper()
	for _, o := range windows {
		o.Kept = kept
		var m memory
		err := s.ReadLog(t.Context(), func(l *store.LogReader) error {
			_, err := Write(t.Context(), &m, l, o)
			return err
		})
		if err != nil {
			t.Errorf("%+v: %v", o, err)
			continue
		}
		d, err := verified(t, m.b, kept)
		if err != nil {
			t.Errorf("%+v: %v", o, err)
			continue
		}
		if kept != nil && d.Kept == "" {
			t.Errorf("%+v: the kept checkpoint was not compared", o)
		}
		var want bytes.Buffer
		src := func(fn func(*scan.Scan) error) error {
			return s.Scans(store.ScanQuery{FromMS: o.FromMS, ToMS: o.ToMS}, fn)
		}
		if err := transfer.ExportCSV(t.Context(), &want, src, s.Groups(), transfer.CSVOptions{Layout: o.Layout, Channels: o.Channels}); err != nil {
			t.Fatal(err)
		}
		parts := unpacked(t, m.b)
		if got := parts[len(parts)-1].content; !bytes.Equal(got, want.Bytes()) {
			t.Errorf("%+v: the bundle's CSV has %d bytes, the store's export %d, or they differ", o, len(got), want.Len())
		}
	}
}
