package store

import (
	"errors"
	"fmt"
	"math"
	"slices"

	bolt "go.etcd.io/bbolt"
	bolterr "go.etcd.io/bbolt/errors"

	"loadscribe/agent/scan"
)

// blockRef is where a block is and what its key says of it.
type blockRef struct {
	hour              int64
	deviceNo          uint32
	firstSeq, lastSeq uint64
}

func (r blockRef) key() []byte {
	return blockKey(&blockHead{hour: r.hour, deviceNo: r.deviceNo, firstSeq: r.firstSeq, lastSeq: r.lastSeq})
}

// Scans calls fn for each stored scan that q asks for, in sequence order over
// all devices, sealed or not. The scan and its slices are reused: fn must not
// keep or change them. An error of fn ends the reading and is returned.
//
// What is appended after the call is not seen. A block that cannot be read is
// left out, its loss becomes a data_damaged event. No transaction is open
// while fn runs, so fn may take its time.
func (s *Store) Scans(q ScanQuery, fn func(*scan.Scan) error) error {
	s.mu.RLock()
	groups := s.groupMap()
	var devices map[uint32]bool
	if len(q.Devices) > 0 {
		devices = map[uint32]bool{}
		for _, name := range q.Devices {
			if no, ok := s.devices[name]; ok {
				devices[no] = true
			}
		}
	}
	shifts := s.shifts()
	s.mu.RUnlock()
	var refs []blockRef
	var tail []scan.Scan
	err := s.snapshot(func(tx *bolt.Tx, unsealed []scan.Scan, _ []Event) (err error) {
		tail = unsealed
		if q.FromSeq > metaUint(tx, metaSealedScan) {
			return nil
		}
		refs, err = findShifted(tx, q, devices, shifts)
		return err
	})
	if err != nil {
		return fmt.Errorf("read scans: %w", err)
	}
	m := merger{dec: columnDecoder{dec: s.dec}, groups: groups, shifts: shifts}
	if err := m.run(refs, q, s.fetchBlock, s.blockLost, fn); err != nil {
		return err
	}
	for i := range tail {
		sc := tail[i]
		sc.WallMS += shifts[sc.Segment]
		if !q.wants(&sc) || devices != nil && !slices.Contains(q.Devices, sc.Group.Device) {
			continue
		}
		if g := groups[sc.Group.ID]; g != nil {
			sc.Group = g // the newest metadata
		}
		if err := fn(&sc); err != nil {
			return err
		}
	}
	return nil
}

func (q *ScanQuery) wants(s *scan.Scan) bool {
	return s.Seq >= q.FromSeq && (q.FromMS == 0 || s.WallMS >= q.FromMS) && (q.ToMS == 0 || s.WallMS < q.ToMS)
}

// hours are the first and last hour whose blocks can hold scans of the window.
// A scan may be in the block of the hour after its own, never earlier: see
// follower and cut.
func (q *ScanQuery) hours() (first, last int64) {
	first, last = math.MinInt64/dayMS, math.MaxInt64/dayMS
	if q.FromMS != 0 {
		first = hourOf(q.FromMS)
	}
	if q.ToMS != 0 {
		last = hourOf(q.ToMS-1) + 1
	}
	return first, last
}

// view runs fn in a read transaction; damage comes back as ErrDamaged.
func (s *Store) view(fn func(*bolt.Tx) error) error {
	err := guard(func() error { return s.db.View(fn) })
	if errors.Is(err, bolterr.ErrDatabaseNotOpen) {
		return s.closedError()
	}
	return err
}

// snapshot runs fn in a read transaction that shows exactly what is not in the
// unsealed tail.
func (s *Store) snapshot(fn func(tx *bolt.Tx, tail []scan.Scan, events []Event) error) error {
	begin := func() (*bolt.Tx, []scan.Scan, []Event, error) {
		s.sealMu.RLock()
		defer s.sealMu.RUnlock()
		s.mu.RLock()
		defer s.mu.RUnlock()
		tx, err := s.db.Begin(false)
		return tx, s.tail, s.events, err
	}
	err := guard(func() error {
		tx, tail, events, err := begin()
		if err != nil {
			return err
		}
		// also where a damaged page makes bbolt panic: a transaction left open
		// would keep the file from growing and from being closed, for ever
		defer func() { _ = tx.Rollback() }()
		return fn(tx, tail, events)
	})
	if errors.Is(err, bolterr.ErrDatabaseNotOpen) {
		return s.closedError()
	}
	return err
}

// findBlocks lists the blocks that can hold what q asks for, in sequence
// order; devices nil means all.
func findBlocks(tx *bolt.Tx, q ScanQuery, devices map[uint32]bool) ([]blockRef, error) {
	var refs []blockRef
	firstHour, lastHour := q.hours()
	err := eachDay(tx, bucketBlocks, dayOf(firstHour), dayOf(lastHour), false, func(_ int64, b *bolt.Bucket) (bool, error) {
		c := b.Cursor()
		for k, _ := c.Seek(append64(nil, firstHour)); k != nil; k, _ = c.Next() {
			if len(k) != blockKeyLen {
				return false, fmt.Errorf("%w: block key of %d bytes", ErrDamaged, len(k))
			}
			r := refOf(k)
			if r.hour > lastHour {
				break
			}
			if r.lastSeq >= q.FromSeq && (devices == nil || devices[r.deviceNo]) {
				refs = append(refs, r)
			}
		}
		return true, nil
	})
	slices.SortFunc(refs, func(a, b blockRef) int {
		if a.firstSeq < b.firstSeq {
			return -1
		}
		return 1
	})
	return refs, err
}

// findShifted is findBlocks that also looks where scans of the window are whose
// labels were wrong.
func findShifted(tx *bolt.Tx, q ScanQuery, devices map[uint32]bool, shifts map[uint32]int64) ([]blockRef, error) {
	refs, err := findBlocks(tx, q, devices)
	if q.FromMS == 0 && q.ToMS == 0 {
		return refs, err
	}
	known := map[blockRef]bool{}
	for _, r := range refs {
		known[r] = true
	}
	for _, shift := range shifts {
		more, merr := findBlocks(tx, q.shifted(shift), devices)
		if err == nil {
			err = merr
		}
		for _, r := range more {
			if !known[r] {
				known[r] = true
				refs = append(refs, r)
			}
		}
	}
	slices.SortFunc(refs, func(a, b blockRef) int { return compare(a.firstSeq, b.firstSeq) })
	return refs, err
}

// readBlock copies a block's bytes; nil if it is not there (any more).
func readBlock(tx *bolt.Tx, r blockRef) ([]byte, error) {
	b := dayBucket(tx, bucketBlocks, dayOf(r.hour))
	if b == nil {
		return nil, nil
	}
	return slices.Clone(b.Get(r.key())), nil
}

func (s *Store) fetchBlock(r blockRef) (value []byte, err error) {
	err = s.view(func(tx *bolt.Tx) error {
		value, err = readBlock(tx, r)
		return err
	})
	if err == nil && value == nil {
		err = fmt.Errorf("%w: those of the hour from %s; ask again", ErrDropped, stamp(r.hour*hourMS))
	}
	return value, err
}

// blockLost notes, once, that a block cannot be read. Everything else is.
func (s *Store) blockLost(r blockRef, err error) error {
	if !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrNewer) {
		return fmt.Errorf("read scans: %w", err)
	}
	s.mu.Lock()
	device := s.deviceName(r.deviceNo)
	s.mu.Unlock()
	return s.tellLoss(&loss{device: device, fromMS: r.hour * hourMS, toMS: (r.hour + 1) * hourMS, first: r.firstSeq, last: r.lastSeq,
		why: whyDamaged, cause: err.Error()})
}

// tellLoss tells of a loss that was met in reading, once.
func (s *Store) tellLoss(l *loss) error {
	e := l.event()
	s.mu.Lock()
	known := s.damaged[e.Text]
	s.damaged[e.Text] = true
	s.mu.Unlock()
	if known {
		return nil
	}
	s.log.Error("data is damaged", "loss", e.Text)
	if s.readOnly {
		return nil
	}
	switch _, err := s.AppendEvent(e); {
	case errors.Is(err, ErrBacklog): // a later reading tells it
		s.mu.Lock()
		delete(s.damaged, e.Text)
		s.mu.Unlock()
	case err != nil && !errors.Is(err, ErrClosed):
		return err
	}
	return nil
}

// checkRef compares a block with the key it was found under, so that a
// misplaced block is noticed.
func checkRef(r blockRef, h *blockHead) error {
	if h.hour != r.hour || h.deviceNo != r.deviceNo || h.firstSeq != r.firstSeq || h.lastSeq != r.lastSeq {
		return fmt.Errorf("%w: a block of %s, hour from %s, is in its place", ErrDamaged, h.device, stamp(h.hour*hourMS))
	}
	return nil
}

// merger reads blocks in sequence order, merged. It holds only the blocks that
// overlap in sequence, which is an hour of all devices.
type merger struct {
	dec    columnDecoder
	groups map[uint32]*scan.Group
	shifts map[uint32]int64 // by segment, what to add to wall times
	active []*blockRows
	spare  []*blockRows
	scan   scan.Scan
	buf    rowBuffer
}

// blockRows is a decoded block.
type blockRows struct {
	segment uint32
	groups  []groupRows
	used    int
}

func (m *merger) run(refs []blockRef, q ScanQuery, fetch func(blockRef) ([]byte, error), lost func(blockRef, error) error, fn func(*scan.Scan) error) error {
	for len(refs) > 0 || len(m.active) > 0 {
		g, b := m.least()
		for len(refs) > 0 && (g == nil || refs[0].firstSeq <= g.seq()) {
			if err := m.open(refs[0], fetch); err != nil {
				if err := lost(refs[0], err); err != nil {
					return err
				}
			}
			refs = refs[1:]
			g, b = m.least()
		}
		if g == nil {
			continue
		}
		m.scan = scan.Scan{Group: m.groups[g.id], Segment: b.segment}
		g.take(&m.scan, &m.buf)
		m.scan.WallMS += m.shifts[b.segment]
		if !q.wants(&m.scan) {
			continue
		}
		if err := fn(&m.scan); err != nil {
			return err
		}
	}
	return nil
}

// least finds the group with the lowest next sequence number and drops blocks
// that are at their end.
func (m *merger) least() (best *groupRows, of *blockRows) {
	for i := 0; i < len(m.active); i++ {
		b := m.active[i]
		done := true
		for j := range b.groups[:b.used] {
			g := &b.groups[j]
			if g.next == g.rows {
				continue
			}
			done = false
			if best == nil || g.seq() < best.seq() {
				best, of = g, b
			}
		}
		if done {
			m.spare = append(m.spare, b)
			m.active = slices.Delete(m.active, i, i+1)
			i--
		}
	}
	return best, of
}

// open decodes a block and makes it active.
func (m *merger) open(r blockRef, fetch func(blockRef) ([]byte, error)) error {
	value, err := fetch(r)
	if err != nil || value == nil {
		return err
	}
	h, err := openBlock(value)
	if err != nil {
		return err
	}
	if err := checkRef(r, h); err != nil {
		return err
	}
	b := &blockRows{}
	if n := len(m.spare); n > 0 {
		b, m.spare = m.spare[n-1], m.spare[:n-1]
	}
	if err := b.decode(h, &m.dec, m.groups); err != nil {
		m.spare = append(m.spare, b)
		return err
	}
	m.active = append(m.active, b)
	return nil
}

func (b *blockRows) decode(h *blockHead, d *columnDecoder, groups map[uint32]*scan.Group) error {
	b.segment, b.used = h.segment, len(h.groups)
	if len(b.groups) < b.used {
		b.groups = append(b.groups, make([]groupRows, b.used-len(b.groups))...)
	}
	for i := range h.groups {
		g := groups[h.groups[i].id]
		if g == nil || len(g.Channels) != h.groups[i].channels {
			return fmt.Errorf("%w: block with group %d of %d channels, which is not known", ErrDamaged, h.groups[i].id, h.groups[i].channels)
		}
		if err := b.groups[i].decode(d, h, &h.groups[i], allChannels, false); err != nil {
			return err
		}
	}
	return nil
}
