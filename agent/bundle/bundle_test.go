package bundle

import (
	"bytes"
	"errors"
	"reflect"
	"slices"
	"testing"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
	"loadscribe/agent/transfer"
)

func written(t testing.TB, l Log, o Options) ([]byte, *Verdict) {
	t.Helper()
	var m memory
	d, err := Write(t.Context(), &m, l, o)
	if err != nil {
		t.Fatal(err)
	}
	return m.b, d
}

func verified(t testing.TB, b, kept []byte) (*Verdict, error) {
	t.Helper()
	return Verify(t.Context(), bytes.NewReader(b), int64(len(b)), VerifyOptions{Kept: kept})
}

// The CSV in a bundle is that of an ordinary export of the same scans.
func TestBundleHoldsTheExport(t *testing.T) {
	l := madeStory(t, 1, 30_000)
	for _, o := range []Options{
		{FromMS: startMS, ToMS: startMS + 3*hourMS},
		{FromMS: startMS, ToMS: startMS + 3*hourMS, Layout: transfer.Wide},
		{FromMS: startMS + hourMS/2, ToMS: startMS + 90*hourMS/60, Channels: []string{"meter.power"}},
		{FromMS: startMS + 3*hourMS, ToMS: startMS + 100*hourMS},
		{FromMS: startMS - 100*hourMS, ToMS: startMS + 100*hourMS, Layout: transfer.Wide, Channels: []string{"controller.loaded", "meter.flow"}},
	} {
		b, made := written(t, l, o)
		d, err := verified(t, b, nil)
		if err != nil {
			t.Errorf("%+v: %v", o, err)
			continue
		}
		c, err := openContainer(bytes.NewReader(b), int64(len(b)))
		if err != nil {
			t.Fatal(err)
		}
		got, err := c.read(&c.entries[len(c.entries)-1], 1<<30)
		if err != nil {
			t.Fatal(err)
		}
		if want := l.export(t, o); !bytes.Equal(got, want) {
			t.Errorf("%+v: the bundle's CSV has %d bytes, the export %d, or they differ", o, len(got), len(want))
		}
		if !reflect.DeepEqual(made, d) {
			t.Errorf("written as\n%+v\nverified as\n%+v", made, d)
		}
	}
}

// export is the CSV of the log's scans but those in deleted blocks, made without
// the bundle's reader.
func (l *madeLog) export(t testing.TB, o Options) []byte {
	t.Helper()
	deleted := func(s *scan.Scan) bool { return false }
	for _, n := range blockLeaves(t, l) {
		if _, ok := l.canon[n]; ok {
			continue
		}
		gone, err := store.ReadLeaf(l.leaves[n])
		if err != nil {
			t.Fatal(err)
		}
		before := deleted
		deleted = func(s *scan.Scan) bool {
			return before(s) || s.Group.Device == gone.Block.Device && s.Seq >= gone.Block.FirstSeq && s.Seq <= gone.Block.LastSeq
		}
	}
	scans := slices.Clone(l.scans)
	slices.SortFunc(scans, func(a, b scan.Scan) int { return int(a.Seq) - int(b.Seq) })
	src := func(fn func(*scan.Scan) error) error {
		for i := range scans {
			if s := &scans[i]; !deleted(s) && s.WallMS >= o.FromMS && s.WallMS < o.ToMS {
				if err := fn(s); err != nil {
					return err
				}
			}
		}
		return nil
	}
	var out bytes.Buffer
	err := transfer.ExportCSV(t.Context(), &out, src, madeGroups(30_000), transfer.CSVOptions{Layout: o.Layout, Channels: o.Channels})
	if err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func TestNothingInTheWindow(t *testing.T) {
	l := madeStory(t, 1, 60_000)
	_, err := Write(t.Context(), &memory{}, l, Options{FromMS: startMS + 50*hourMS*24, ToMS: startMS + 60*hourMS*24})
	if !errors.Is(err, ErrEmpty) {
		t.Errorf("a window without readings: %v", err)
	}
}

// What came from files is told, with the event that tells of it, which stands in
// the log behind all of an import's seals.
func TestImportsAreTold(t *testing.T) {
	l := madeStory(t, 1, 60_000)
	for _, c := range []struct {
		from, to int64
		want     int
	}{{startMS, startMS + 3*hourMS, 0}, {startMS + 4*hourMS, startMS + 5*hourMS, 1}, {startMS + 7*hourMS, startMS + 8*hourMS, 0}} {
		b, _ := written(t, l, Options{FromMS: c.from, ToMS: c.to})
		d, err := verified(t, b, nil)
		if err != nil {
			t.Fatal(err)
		}
		if len(d.Imported) != c.want || c.want == 1 && (d.Imported[0].Text != "two files of a logger" || d.Imported[0].Segment != 4 || d.Imported[0].Scans != 90) {
			t.Errorf("from %s: %+v, want %d", stamp(c.from), d.Imported, c.want)
		}
	}
}
