package samples

import (
	"hash/fnv"
	"math"

	"loadscribe/agent/publish"
	"loadscribe/agent/publish/remote"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/store"
	"loadscribe/agent/transfer"
)

// ReadingOf is a channel's raw value as /metrics shows it, without its age; ok is false
// where it is no finite number.
func ReadingOf(c *scan.Channel, raw int64) (r publish.Reading, ok bool) {
	unit, err := quantity.ParseUnit(c.Unit)
	v := transfer.Value(c, raw)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) { // a unit of a checked map always parses
		return r, false
	}
	return publish.Reading{Role: c.Role, Dimension: unit.Dimension, SI: unit.ToSI(v), Absolute: unit.Absolute}, true
}

// groupFeeds are the series that the scans of a group feed.
type groupFeeds struct {
	device *track
	feeds  []feed
}

// feed is a channel and a series of it.
type feed struct {
	in      int // place in the scan
	channel *scan.Channel
	track   *track
	put     func(*publish.Reading, publish.Put)
}

// mostGroups bounds the cache of groups; a store has a few dozen.
const mostGroups = 4096

// feedsOf finds the series of a group.
func (s *Source) feedsOf(g *scan.Group) *groupFeeds {
	if got := s.feeds[g]; got != nil {
		return got
	}
	if len(s.feeds) >= mostGroups {
		clear(s.feeds)
	}
	got := &groupFeeds{device: s.track(s.deviceLabels(g.Device))}
	s.eachFeed(g, func(f feed, labels []remote.Label) {
		f.track = s.track(labels)
		got.feeds = append(got.feeds, f)
	})
	s.feeds[g] = got
	return got
}

func (s *Source) deviceLabels(device string) []remote.Label {
	return labelsOf(s.o.Label, publish.DeviceUpFamily, []string{device})
}

// eachFeed calls fn for each series of readings that a group's scans feed.
func (s *Source) eachFeed(g *scan.Group, fn func(f feed, labels []remote.Label)) {
	add := func(id string, put func(*publish.Reading, publish.Put)) {
		device, name, ok := scan.SplitID(id)
		in := g.Index(name)
		if !ok || device != g.Device || in < 0 {
			return
		}
		c := &g.Channels[in]
		unit, err := quantity.ParseUnit(c.Unit)
		if err != nil { // a unit of a checked map always parses
			return
		}
		put(&publish.Reading{Role: c.Role, Dimension: unit.Dimension, Absolute: unit.Absolute}, func(family publish.Family, _ float64, values ...string) {
			if labels := labelsOf(s.o.Label, family, values); labels != nil {
				fn(feed{in: in, channel: c, put: put}, labels)
			}
		})
	}
	for i := range s.o.Site.Machines {
		m := &s.o.Site.Machines[i]
		for _, role := range scan.Roles() {
			add(m.Roles[role], func(r *publish.Reading, put publish.Put) {
				r.Role = role
				r.Put(m.Name, put)
			})
		}
	}
	for i := range s.o.Site.Systems {
		sys := &s.o.Site.Systems[i]
		for _, tap := range sys.Taps {
			for _, id := range []string{tap.Pressure, tap.Flow} {
				add(id, func(r *publish.Reading, put publish.Put) {
					(&publish.Tap{Channel: id, Reading: *r}).Put(sys.Name, put)
				})
			}
		}
	}
}

// read is the value that a feed's series has for a raw one.
func (f *feed) read(raw int64) (value float64, ok bool) {
	r, ok := ReadingOf(f.channel, raw)
	if ok {
		f.put(&r, func(_ publish.Family, v float64, _ ...string) { value = v })
	}
	return value, ok
}

// step takes a scan.
func (s *Source) step(sc *scan.Scan) {
	s.miss(sc.Seq)
	seg := s.segments[sc.Segment]
	if seg != nil && seg.Untrusted && seg.ShiftMS == 0 {
		s.st.LeftOut[LeftUnset]++
	} else {
		last := markOf(sc)
		if s.st.Open && sc.Segment == s.st.Last.Segment && sc.WallMS < s.st.Last.WallMS {
			// Of another line: it began earlier and ended later. No cell is opened again.
			last.WallMS = s.st.Last.WallMS
		}
		cell := s.cellOf(last.WallMS)
		if s.st.Open && (cell != s.st.Cell || sc.Segment != s.st.Last.Segment) {
			s.closeCell(sc)
		}
		if sc.Segment != s.st.Last.Segment && (seg == nil || seg.NewClock()) {
			s.endAll(sc.WallMS)
		}
		s.st.Open, s.st.Cell = true, cell
		s.note(sc)
		s.st.Last = last
	}
	s.folder.Step(sc)
	s.st.At = markOf(sc)
}

// cellOf is the cell of a time. Cells of different sites begin at different moments,
// so that a hundred thousand sites do not all send at the full minute.
func (s *Source) cellOf(wallMS int64) int64 {
	every := s.o.Every.Milliseconds()
	wallMS -= phaseMS(s.o.Label, every)
	cell := wallMS / every
	if wallMS%every < 0 {
		cell--
	}
	return cell
}

// phaseMS is when a site's cells begin: the same for the same label, wherever and
// however often it is asked.
func phaseMS(label string, everyMS int64) int64 {
	h := fnv.New64a()
	h.Write([]byte(label)) // it never fails
	return int64(h.Sum64() % uint64(everyMS))
}

// note takes what a scan says of its series.
func (s *Source) note(sc *scan.Scan) {
	f := s.feedsOf(sc.Group)
	gap := sc.Group.GapMS()
	if sc.Reason != scan.Dropped { // that is the disk's, not the device's
		d := f.device
		up := d.answers(sc.Reason == scan.Good)
		s.good(d, sc.WallMS, sc.MonoMS, max(gap, d.GapMS), func() float64 { return up })
	}
	for i := range f.feeds {
		x := &f.feeds[i]
		raw, ok := sc.Get(x.in)
		if ok {
			_, ok = x.finite(raw)
		}
		if !ok {
			x.track.bad(sc.WallMS)
			continue
		}
		s.good(x.track, sc.WallMS, sc.MonoMS, gap, func() float64 { v, _ := x.read(raw); return v })
	}
}

// answers is whether a device answers after a scan of it, as poll's status says it.
func (t *track) answers(good bool) (up float64) {
	switch t.Bad++; {
	case good:
		t.Bad, t.Up = 0, 1
	case t.Bad >= scan.DownAfter:
		t.Up = 0
	}
	return t.Up
}

// finite reports whether a raw value is a number: those of floats may not be.
func (f *feed) finite(raw int64) (v float64, ok bool) {
	if f.channel.Kind != scan.KindFloat32 && f.channel.Kind != scan.KindFloat64 {
		return 0, true
	}
	return f.read(raw)
}

// closeCell gives what the open cell has; next is the first scan behind it.
func (s *Source) closeCell(next *scan.Scan) {
	sameClock := next.Segment == s.st.Last.Segment || s.segments[next.Segment] != nil && !s.segments[next.Segment].NewClock()
	for _, t := range s.st.Tracks {
		s.give(t)
		if t.Has && (t.BadMS != 0 || sameClock && next.MonoMS-t.MonoMS > t.GapMS) {
			s.end(t, next.WallMS)
		}
	}
	s.counters()
	s.quietDemand()
	s.st.Open = false
}

// endAll ends all series: the agent was not running, or what follows is of another
// clock.
func (s *Source) endAll(nextMS int64) {
	for _, t := range s.st.Tracks {
		if t.Has || t.Pending {
			s.end(t, nextMS)
		}
		t.Bad, t.Up = 0, 0
	}
}

// counters gives what the fold has added up, as of the last scan.
func (s *Source) counters() {
	for i := range s.o.Site.Machines {
		m := &s.o.Site.Machines[i]
		t, ok := s.folder.Totals(m)
		if !ok {
			continue
		}
		totals := publish.TotalsOf(&t)
		totals.Counters(m.Name, func(f publish.Family, value float64, labels ...string) {
			all := labelsOf(s.o.Label, f, labels)
			if all == nil {
				return
			}
			t := s.track(all)
			// Of a fold that goes on from a saved state, what the total of air was told as
			// is not known any more: see analysis.Totals.
			t.Value = max(t.Value, number(value))
			s.add(t, s.st.Last.WallMS, float64(t.Value))
			t.Live = false // nothing ends it
		})
	}
}

// quietDemand gives each system's once a local day, at noon, when every night is over.
func (s *Source) quietDemand() {
	if s.o.Quiet == nil {
		return
	}
	day := noonDay(s.st.Last.WallMS, s.o.Site.Location)
	if day == s.st.Day {
		return
	}
	s.st.Day = day
	for i := range s.o.Site.Systems {
		name := s.o.Site.Systems[i].Name
		v, ok, err := s.o.Quiet(name, s.st.Last.WallMS)
		switch {
		case err != nil:
			s.log.Warn("the quiet demand is not sent", "system", name, "err", err)
		case ok:
			if all := labelsOf(s.o.Label, publish.QuietDemandFamily, []string{name}); all != nil {
				t := s.track(all)
				s.add(t, s.st.Last.WallMS, v)
				t.Live = false
			}
		}
	}
}

// miss counts the scans that lie between the last one read and seq and are not there.
func (s *Source) miss(seq uint64) {
	from := s.st.At.Seq + 1
	if seq <= from {
		return
	}
	gone := int64(seq - from)
	for _, u := range s.undone {
		if a, b := max(from, u.first), min(seq-1, u.last); a <= b {
			gone -= int64(b - a + 1)
		}
	}
	s.st.Missed += gone
}

// seqRange are the numbers of the scans of an import that was undone.
type seqRange struct{ first, last uint64 }

// undoneRanges are those of the record's segments, in order.
func undoneRanges(all []store.Segment) (gone []seqRange) {
	for i := range all {
		if all[i].Why != store.WhyUndone || all[i].FirstSeq == 0 {
			continue
		}
		r := seqRange{all[i].FirstSeq, math.MaxUint64}
		for j := range all {
			if f := all[j].FirstSeq; f > r.first {
				r.last = min(r.last, f-1)
			}
		}
		gone = append(gone, r)
	}
	return gone
}
