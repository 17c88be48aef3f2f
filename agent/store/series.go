package store

import (
	"errors"
	"fmt"
	"slices"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
)

const (
	maxPoints = 100_000
	maxCells  = 1 << 20
)

// steps are the widths a cell can have, from the finest that is not raw.
func steps() []int64 {
	return []int64{1 * secondMS, 2 * secondMS, 5 * secondMS, 10 * secondMS, 15 * secondMS, 30 * secondMS,
		minuteMS, 2 * minuteMS, 5 * minuteMS, 15 * minuteMS, 30 * minuteMS,
		hourMS, 2 * hourMS, 6 * hourMS, 12 * hourMS, dayMS}
}

// chooseStep returns the finest width that keeps to points, never finer than
// the period; 0 means raw.
func chooseStep(spanMS, periodMS int64, points int) int64 {
	if spanMS/periodMS <= int64(points) {
		return 0
	}
	step := dayMS
	for _, w := range steps() {
		if w >= periodMS && (spanMS+w-1)/w <= int64(points) {
			step = w
			break
		}
	}
	return step
}

// source is one group that holds the channel, and how its raw counts become
// the series' unit.
type source struct {
	group   *scan.Group
	place   int
	channel scan.Channel // scale and offset into the series' unit
	raw     []Cell       // raw series
	cells   []rawCell    // other series, from the first cell of the window

	cell     *rawCell // the last one that add found
	cellFrom int64
}

// Series returns a channel over the half-open window of wall time in at most
// about points cells, snapped to a fixed ladder of widths. First, last, min,
// max, sum and count of each cell are exact. Time without good values is kept
// as cells with Count 0; a cell that is empty only because the channel is
// polled slowly is left out. Where the channel was once kept in another unit,
// the old readings are converted to the newest; those in a unit that does not
// convert are left out. Where raw scans of the window are no longer kept, the
// cells are a minute wide at least, which RawDropped says. An unknown channel
// is ErrUnknown.
func (s *Store) Series(channelID string, fromMS, toMS int64, points int) (Series, error) {
	if toMS <= fromMS || fromMS < -maxWallMS || toMS > maxWallMS {
		return Series{}, fmt.Errorf("series of %s: the window from %d to %d ms is empty or beyond all dates", channelID, fromMS, toMS)
	}
	sources, deviceNo := s.sources(channelID)
	if len(sources) == 0 {
		return Series{}, fmt.Errorf("series of %q: %w", channelID, ErrUnknown)
	}
	newest := sources[len(sources)-1]
	gapMS := int64(0)
	for i := range sources {
		gapMS = max(gapMS, sources[i].group.GapMS())
	}
	out := Series{Channel: channelID, Unit: newest.channel.Unit, FromMS: fromMS, ToMS: toMS,
		StepMS: chooseStep(toMS-fromMS, newest.group.PeriodMS, min(max(points, 1), maxPoints))}
	if out.StepMS < minuteMS && fromMS < s.RawFrom() {
		out.StepMS, out.RawDropped = minuteMS, true
	}
	if out.StepMS > 0 {
		s.clamp(&out, points)
		out.FromMS = floorTo(out.FromMS, out.StepMS)
		out.ToMS = floorTo(out.ToMS+out.StepMS-1, out.StepMS)
		n := (out.ToMS - out.FromMS) / out.StepMS
		if n > maxCells {
			return Series{}, fmt.Errorf("series of %s: a window of %d days is too long", channelID, (toMS-fromMS)/dayMS)
		}
		for i := range sources {
			sources[i].cells = make([]rawCell, n)
		}
	}
	if err := s.collect(&out, sources, deviceNo); err != nil {
		return Series{}, fmt.Errorf("series of %s: %w", channelID, err)
	}
	if !out.RawDropped && out.StepMS < minuteMS && fromMS < s.RawFrom() {
		return s.Series(channelID, fromMS, toMS, points) // a day was dropped meanwhile
	}
	if out.StepMS == 0 {
		out.Cells = rawCells(sources, gapMS)
	} else {
		out.Cells = stepCells(&out, sources, gapMS)
	}
	return out, nil
}

// clamp cuts a window that is beyond the ladder's end to what there is.
func (s *Store) clamp(out *Series, points int) {
	if (out.ToMS-out.FromMS)/out.StepMS <= int64(points)+1 {
		return
	}
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.last.scan == 0 {
		out.ToMS = min(out.ToMS, out.FromMS+out.StepMS)
		return
	}
	oldest := s.oldestMS
	if s.cellsMS != 0 {
		oldest = min(oldest, s.cellsMS) // cells outlive raw scans
	}
	from, to := max(out.FromMS, oldest), min(out.ToMS, s.newestMS+1)
	if from < to {
		out.FromMS, out.ToMS = from, to
	}
}

// sources lists the groups that hold a channel, the newest last.
func (s *Store) sources(channelID string) ([]source, uint32) {
	device, name, ok := scan.SplitID(channelID)
	if !ok {
		return nil, 0
	}
	s.mu.RLock()
	defer s.mu.RUnlock()
	var recs []*groupRecord
	for _, g := range s.groups {
		if g.group.Device == device && g.group.Index(name) >= 0 {
			recs = append(recs, g)
		}
	}
	if len(recs) == 0 {
		return nil, 0
	}
	slices.SortFunc(recs, func(a, b *groupRecord) int {
		if a.sinceMS != b.sinceMS {
			return compare(a.sinceMS, b.sinceMS)
		}
		return compare(uint64(a.group.ID), uint64(b.group.ID))
	})
	newest := recs[len(recs)-1].group
	unit := newest.Channels[newest.Index(name)].Unit
	var out []source
	for _, r := range recs {
		place := r.group.Index(name)
		ch, ok := inUnit(r.group.Channels[place], unit)
		if ok {
			out = append(out, source{group: r.group, place: place, channel: ch})
		}
	}
	return out, s.devices[device]
}

// inUnit returns the channel with scale and offset that give values in unit.
func inUnit(ch scan.Channel, unit string) (scan.Channel, bool) {
	if ch.Unit == unit {
		return ch, true
	}
	from, err := quantity.ParseUnit(ch.Unit)
	if err != nil {
		return ch, false
	}
	to, err := quantity.ParseUnit(unit)
	if err != nil || from.Dimension != to.Dimension || from.Absolute != to.Absolute || from.Basis != to.Basis {
		return ch, false
	}
	factor := from.Scale / to.Scale
	ch.Scale *= factor
	ch.Offset = ch.Offset*factor + (from.Offset-to.Offset)/to.Scale
	ch.Unit = unit
	return ch, true
}

// lostBlock is a block that could not be read.
type lostBlock struct {
	ref blockRef
	err error
}

// collect fills the sources from the database and the unsealed tail, seen at
// one moment.
func (s *Store) collect(out *Series, sources []source, deviceNo uint32) error {
	var lost []lostBlock
	var tail []scan.Scan
	s.mu.RLock()
	shifts := s.shifts()
	s.mu.RUnlock()
	err := s.snapshot(func(tx *bolt.Tx, unsealed []scan.Scan, _ []Event) (err error) {
		tail = unsealed
		if l, ok := serves(out.StepMS); ok {
			return s.collectCells(tx, out, sources, deviceNo, l)
		}
		lost, err = s.collectBlocks(tx, out, sources, deviceNo, shifts)
		return err
	})
	if err != nil {
		return err
	}
	for _, l := range lost {
		if err := s.blockLost(l.ref, l.err); err != nil {
			return err
		}
	}
	for i := range tail {
		sc := &tail[i]
		for j := range sources {
			if src := &sources[j]; src.group.ID == sc.Group.ID {
				if v, ok := sc.Get(src.place); ok {
					src.add(out, sc.WallMS+shifts[sc.Segment], v)
				}
			}
		}
	}
	return nil
}

// serves returns the coarsest level whose cells make up cells of stepMS.
func serves(stepMS int64) (level, bool) {
	for i := len(levels) - 1; i >= 0; i-- {
		if stepMS > 0 && stepMS%levels[i].stepMS == 0 {
			return levels[i], true
		}
	}
	return level{}, false
}

// add counts one good value.
func (src *source) add(out *Series, wallMS, v int64) {
	k := src.channel.Kind
	if wallMS < out.FromMS || wallMS >= out.ToMS || !countable(k, v) {
		return
	}
	if out.StepMS > 0 {
		if wallMS < src.cellFrom || wallMS >= src.cellFrom+out.StepMS || src.cell == nil {
			i := (wallMS - out.FromMS) / out.StepMS
			src.cell, src.cellFrom = &src.cells[i], out.FromMS+i*out.StepMS
		}
		src.cell.add(k, wallMS, v)
		return
	}
	c := rawCell{startMS: wallMS}
	c.add(k, wallMS, v)
	src.raw = append(src.raw, c.cell(&src.channel))
}

func (s *Store) collectCells(tx *bolt.Tx, out *Series, sources []source, deviceNo uint32, l level) error {
	d := columnDecoder{dec: s.dec}
	wanted := func(id uint32, channels int) (int, bool) {
		for i := range sources {
			if sources[i].group.ID == id && channels == len(sources[i].group.Channels) {
				return sources[i].place, true
			}
		}
		return 0, false
	}
	first, last := floorTo(out.FromMS, l.spanMS), floorTo(out.ToMS-1, l.spanMS)
	return eachDay(tx, bucketCells, dayOf(hourOf(first)), dayOf(hourOf(last)), false, func(day int64, b *bolt.Bucket) (bool, error) {
		for span := max(first, day*dayMS); span <= last && span < (day+1)*dayMS; span += l.spanMS {
			value := b.Get(cellKey(l, deviceNo, span))
			if value == nil {
				continue
			}
			p, err := s.readCells(value, l, span, &d, wanted)
			if errors.Is(err, ErrDamaged) {
				s.log.Warn("cells are damaged; read from raw", "from", stamp(span), "error", err)
				p, err = s.cellsFromBlocks(tx, deviceNo, l, span)
			}
			if err != nil {
				return false, fmt.Errorf("cells from %s: %w", stamp(span), err)
			}
			addPack(p, out, sources)
		}
		return true, nil
	})
}

func addPack(p *pack, out *Series, sources []source) {
	for i := range p.groups {
		for j := range sources {
			src := &sources[j]
			if src.group.ID != p.groups[i].id {
				continue
			}
			cells := p.groups[i].cells[src.place]
			for c := range cells {
				if at := cells[c].startMS; at >= out.FromMS && at < out.ToMS {
					src.cells[(at-out.FromMS)/out.StepMS].merge(src.channel.Kind, &cells[c])
				}
			}
		}
	}
}

// collectBlocks reads one channel from raw. The blocks of one device do not
// overlap in sequence, so that one after the other is in order.
func (s *Store) collectBlocks(tx *bolt.Tx, out *Series, sources []source, deviceNo uint32, shifts map[uint32]int64) (lost []lostBlock, err error) {
	refs, err := findShifted(tx, ScanQuery{FromMS: out.FromMS, ToMS: out.ToMS}, map[uint32]bool{deviceNo: true}, shifts)
	if err != nil {
		return nil, err
	}
	d := columnDecoder{dec: s.dec}
	var rows groupRows
	for _, ref := range refs {
		bucket := dayBucket(tx, bucketBlocks, dayOf(ref.hour))
		h, err := openBlock(bucket.Get(ref.key()))
		if err == nil {
			err = checkRef(ref, h)
		}
		if err != nil {
			lost = append(lost, lostBlock{ref, err})
			continue
		}
		for i := range h.groups {
			for j := range sources {
				src := &sources[j]
				if h.groups[i].id != src.group.ID || h.groups[i].channels != len(src.group.Channels) {
					continue
				}
				if err := rows.decode(&d, h, &h.groups[i], src.place, false); err != nil {
					lost = append(lost, lostBlock{ref, err})
					continue
				}
				rows.each(src.place, func(wallMS, v int64) { src.add(out, wallMS+shifts[h.segment], v) })
			}
		}
	}
	return lost, nil
}

// each calls fn for the good values of one channel.
func (g *groupRows) each(channel int, fn func(wallMS, v int64)) {
	good := 0
	for i := range g.rows {
		if scan.Reason(g.time[4][i]) != scan.Good {
			continue
		}
		if q := g.quality[channel]; q == nil || scan.Reason(q[good]) == scan.Good {
			fn(g.time[2][i], g.values[channel][good])
		}
		good++
	}
}
