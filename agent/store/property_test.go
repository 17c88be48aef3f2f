package store

import (
	"math"
	"os"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"loadscribe/agent/scan"
)

// storeModel is a store and what must be in it.
type storeModel struct {
	dir    string
	s      *Store
	groups []*scan.Group
	want   []scan.Scan
	clock  *testClock
}

func (m *storeModel) open(t *rapid.T) {
	s, err := Open(m.dir, Options{Clock: m.clock, SyncEvery: never, TailValues: 700, SegmentBytes: 3000, Summariser: &counter{}})
	if err != nil {
		t.Fatalf("open: %v", err)
	}
	m.s = s
	if m.groups, err = s.Register(testGroups()); err != nil {
		t.Fatalf("register: %v", err)
	}
}

// crash ends the store as a kill does: what waits in memory is gone.
func (m *storeModel) crash(t *rapid.T) {
	durable := m.s.DurableSeq()
	m.s.stop()
	<-m.s.done
	m.s.setDead()
	m.s.writeMu.Lock()
	m.s.closed = true
	m.s.writeMu.Unlock()
	m.s.j.finish(false)
	if err := m.s.closeFiles(); err != nil {
		t.Fatal(err)
	}
	m.want = slices.DeleteFunc(m.want, func(sc scan.Scan) bool { return sc.Seq > durable })
	m.open(t)
}

func (m *storeModel) step(t *rapid.T) {
	switch rapid.SampledFrom([]string{"append", "append", "append", "sync", "seal", "reopen", "crash", "event"}).Draw(t, "action") {
	case "append":
		scans := drawScans(t, m.groups, 5*hourMS)
		kept := clones(scans)
		if err := m.s.Append(scans); err != nil {
			t.Fatalf("append: %v", err)
		}
		for i := range kept {
			kept[i].Seq, kept[i].Segment = scans[i].Seq, scans[i].Segment
			if kept[i].Quality != nil && !slices.ContainsFunc(kept[i].Quality, func(r scan.Reason) bool { return r != scan.Good }) {
				kept[i].Quality = nil
			}
		}
		m.want = append(m.want, kept...)
	case "sync":
		if err := m.s.Sync(); err != nil {
			t.Fatalf("sync: %v", err)
		}
	case "seal":
		m.s.writeMu.Lock()
		err := m.s.seal()
		m.s.writeMu.Unlock()
		if err != nil {
			t.Fatalf("seal: %v", err)
		}
	case "reopen":
		if err := m.s.Close(); err != nil {
			t.Fatalf("close: %v", err)
		}
		m.open(t)
	case "crash":
		m.crash(t)
	case "event":
		if _, err := m.s.AppendEvent(Event{Kind: "note", Text: "a note"}); err != nil {
			t.Fatalf("event: %v", err)
		}
	}
}

// read reads what q asks for and compares it with the model.
func (m *storeModel) read(t *rapid.T, s *Store, q ScanQuery) {
	var want []scan.Scan
	for _, sc := range m.want {
		if q.wants(&sc) && (len(q.Devices) == 0 || slices.Contains(q.Devices, sc.Group.Device)) {
			want = append(want, sc)
		}
	}
	i := 0
	err := s.Scans(q, func(sc *scan.Scan) error {
		if i >= len(want) || !sameScan(sc, &want[i]) {
			t.Fatalf("%+v: scan %d is %+v, want %d scans", q, i, sc, len(want))
		}
		i++
		return nil
	})
	if err != nil || i != len(want) {
		t.Fatalf("%+v: %d scans, want %d: %v", q, i, len(want), err)
	}
}

// modelCell is a cell by plain arithmetic over the channel's values in order.
type modelCell struct {
	Cell
	size float64 // sum of the amounts, for the error of a sum
}

func (m *storeModel) cells(channel string, stepMS int64) map[int64]*modelCell {
	out := map[int64]*modelCell{}
	for i := range m.want {
		sc := &m.want[i]
		for c := range sc.Group.Channels {
			ch := &sc.Group.Channels[c]
			raw, ok := sc.Get(c)
			if ch.ID() != channel || !ok || !countable(ch.Kind, raw) {
				continue
			}
			v, at := ch.Value(raw), floorTo(sc.WallMS, stepMS)
			cell := out[at]
			if cell == nil {
				cell = &modelCell{Cell: Cell{StartMS: at, FirstMS: sc.WallMS, LastMS: sc.WallMS, First: v, Last: v, Min: v, Max: v}}
				out[at] = cell
			}
			if sc.WallMS < cell.FirstMS {
				cell.FirstMS, cell.First = sc.WallMS, v
			}
			if sc.WallMS >= cell.LastMS {
				cell.LastMS, cell.Last = sc.WallMS, v
			}
			cell.Min, cell.Max = math.Min(cell.Min, v), math.Max(cell.Max, v)
			cell.Sum += v
			cell.size += math.Abs(v)
			cell.Count++
		}
	}
	return out
}

func (m *storeModel) series(t *rapid.T, channel string, points int) {
	if len(m.want) == 0 {
		return
	}
	from, to := m.want[0].WallMS, m.want[0].WallMS
	for _, sc := range m.want {
		from, to = min(from, sc.WallMS), max(to, sc.WallMS)
	}
	got, err := m.s.Series(channel, from, to+1, points)
	if err != nil {
		t.Fatalf("series of %s: %v", channel, err)
	}
	if got.StepMS == 0 {
		values := int64(0)
		for _, c := range got.Cells {
			values += c.Count
		}
		want := int64(0)
		for _, c := range m.cells(channel, dayMS) {
			want += c.Count
		}
		if values != want {
			t.Fatalf("series of %s from raw: %d values, want %d", channel, values, want)
		}
		return
	}
	want := m.cells(channel, got.StepMS)
	for _, c := range got.Cells {
		if c.Count == 0 {
			continue
		}
		w := want[c.StartMS]
		if w == nil {
			t.Fatalf("series of %s, step %d: cell %+v that no value made", channel, got.StepMS, c)
		}
		delete(want, c.StartMS)
		sum := math.Abs(c.Sum-w.Sum) <= 1e-9*w.size || math.IsInf(w.size, 0) || math.IsNaN(w.size)
		c.Sum = w.Sum
		if c != w.Cell || !sum {
			t.Fatalf("series of %s, step %d: cell %+v, want %+v", channel, got.StepMS, c, w.Cell)
		}
	}
	if len(want) > 0 {
		t.Fatalf("series of %s, step %d: %d cells are missing", channel, got.StepMS, len(want))
	}
}

// Any sequence of batches, syncs, seals, stops and kills, with any values, and
// times that jump and go back: every way of reading gives what was appended.
func TestAnySequenceReadsBack(t *testing.T) {
	alone(t)
	base := t.TempDir()
	rapid.Check(t, func(t *rapid.T) {
		dir, err := os.MkdirTemp(base, "")
		if err != nil {
			t.Fatal(err)
		}
		defer os.RemoveAll(dir)
		m := &storeModel{dir: dir, clock: newTestClock()}
		m.open(t)
		for range rapid.IntRange(1, 9).Draw(t, "steps") {
			m.step(t)
			m.read(t, m.s, ScanQuery{})
		}
		m.read(t, m.s, ScanQuery{Devices: []string{"meter"}})
		m.read(t, m.s, ScanQuery{FromSeq: rapid.Uint64Range(0, m.s.LastSeq()+1).Draw(t, "from seq")})
		from := startMS + rapid.Int64Range(-10*hourMS, 10*hourMS).Draw(t, "from")
		m.read(t, m.s, ScanQuery{FromMS: from, ToMS: from + rapid.Int64Range(1, 10*hourMS).Draw(t, "span")})
		for _, channel := range []string{"controller.pressure", "controller.hours", "controller.flow", "meter.power"} {
			m.series(t, channel, rapid.SampledFrom([]int{1, 20, 300, 5000, 1 << 20}).Draw(t, "points"))
		}
		if err := m.s.Close(); err != nil {
			t.Fatalf("close: %v", err)
		}
		ro, err := OpenReadOnly(dir, Options{})
		if err != nil {
			t.Fatalf("open read-only: %v", err)
		}
		m.read(t, ro, ScanQuery{})
		if err := ro.Close(); err != nil {
			t.Fatal(err)
		}
		for _, err := range integrity(dir) {
			t.Fatalf("integrity: %v", err)
		}
	})
}
