package samples

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"sync"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/publish/remote"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// Record is the stored record that a Source reads; *store.Store is one.
type Record interface {
	Scans(q store.ScanQuery, fn func(*scan.Scan) error) error
	DurableSeq() uint64
	SealedSeq() uint64
	Present() store.Stats
	Segments() []store.Segment
	RawFrom() int64
	ID() (string, error)
	Summary() (state []byte, seq uint64, err error)
	Calibrate(sum store.Summariser) error
}

// Options say what a Source makes of a record.
type Options struct {
	Site   *sitefile.Site
	Groups []*scan.Group // as registered
	Label  string        // value of the label site; not empty
	Every  time.Duration // width of a cell, at least 1 ms
	// History is how far before the newest scan a Source begins that is asked from the
	// beginning; 0: with what is not sealed yet, at most an hour.
	History time.Duration
	// Levels are those that hold while the record grows: the fold is made anew where
	// they change. nil: they stay.
	Levels func() analysis.Calibrations
	// Quiet is a system's quiet demand in m³/s as it was known at a time; ok is false
	// where it is not known. nil: none is sent.
	Quiet func(system string, atMS int64) (m3s float64, ok bool, err error)
	Log   *slog.Logger // may be nil
}

// Reasons of LeftOut.
const (
	LeftClock  = "clock set back" // samples
	LeftUnset  = "clock not set"  // scans
	LeftRecord = "record changed" // times that the record was another one
)

// Source implements remote.Source.
type Source struct {
	record Record
	o      Options
	log    *slog.Logger

	folder *analysis.Folder
	levels string // those that folder was made under, as Options.Levels said
	st     *state // where it is; nil: nowhere
	at     remote.Position
	feeds  map[*scan.Group]*groupFeeds

	// Of one look at the record: the last scan that may be given, and the segments.
	limit    uint64
	segments map[uint32]*store.Segment
	undone   []seqRange

	out     []*outSeries // of the present Next
	given   int          // samples in out
	batches int          // how many were begun

	mu   sync.Mutex // protects place
	told Place
}

var _ remote.Source = (*Source)(nil)

// New makes a Source of a record.
func New(record Record, o Options) *Source {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return &Source{record: record, o: o, log: o.Log, feeds: map[*scan.Group]*groupFeeds{}}
}

// Place is how far a Source is.
type Place struct {
	Seq    uint64 // last scan that was read
	WallMS int64  // its time; 0: none was
	// LeftOut counts what was not given, by reason, since the beginning; Missed the
	// scans that were no longer there.
	LeftOut map[string]int64
	Missed  int64
}

// Place returns how far the Source has read. It may be called at any time from any
// goroutine.
func (s *Source) Place() Place {
	s.mu.Lock()
	defer s.mu.Unlock()
	p := s.told
	p.LeftOut = maps.Clone(p.LeftOut)
	return p
}

// PlaceOf returns the place that a Position is of; ok is false where it is none.
func PlaceOf(p remote.Position) (Place, bool) {
	st, err := decode(p)
	if err != nil || st == nil {
		return Place{LeftOut: map[string]int64{}}, false
	}
	return st.place(), true
}

// mostScans bounds what is read for one batch: most of them give no sample where
// cells are wide.
const mostScans = 100_000

var errEnough = errors.New("enough")

// Next implements remote.Source.
func (s *Source) Next(ctx context.Context, after, until remote.Position, most int) (b remote.Batch, more bool, err error) {
	stop := uint64(0)
	if end, err := decode(until); err == nil && end != nil {
		stop = end.At.Seq
	}
	if s.st != nil && stop == 0 && bytes.Equal(after, s.at) && s.record.DurableSeq() <= s.st.At.Seq {
		return b, false, nil
	}
	s.lookAround()
	began, err := s.take(ctx, after, stop)
	if err != nil {
		return b, false, fmt.Errorf("samples: %w", err)
	}
	missed := s.st.Missed
	if began { // the place is made fast first: who begins anew later would begin later in the record
		b, err = s.batch(missed)
		return b, true, err
	}
	n, more, err := s.read(ctx, stop, most)
	if err != nil && n == 0 {
		s.st = nil
		return b, false, fmt.Errorf("samples: %w", err)
	}
	if len(s.out) == 0 && stop == 0 && !more && err == nil && len(after) > 0 && s.st.Missed == missed {
		return b, false, nil // nothing that would be worth a write: the next call goes on from here all the same
	}
	b, err = s.batch(missed)
	return b, more, err
}

// take makes the Source be where a Position says, if it is not there already. began is
// whether that was nowhere, so that it is where a Source begins.
func (s *Source) take(ctx context.Context, after remote.Position, stop uint64) (began bool, err error) {
	s.out, s.given = nil, 0
	s.batches++
	if s.st != nil && bytes.Equal(after, s.at) && s.levels == s.levelsNow() && (stop == 0 || s.st.At.Seq <= stop) {
		return false, nil
	}
	s.st = nil
	st, err := decode(after)
	if err != nil {
		s.log.Warn("a place in the record cannot be read and begins anew", "err", err)
	}
	if st == nil {
		if st, err = s.begin(); err != nil {
			return false, err
		}
		began = true
	}
	if err := s.makeFolder(); err != nil {
		return false, err
	}
	s.st, s.at = st, bytes.Clone(after)
	if err := s.settle(ctx); err != nil {
		s.st = nil
		return false, err
	}
	return began, nil
}

// read takes scans until a batch is full. n is how many it read; after an error of
// the record what came before it holds.
func (s *Source) read(ctx context.Context, stop uint64, most int) (n int, more bool, err error) {
	s.lookAround() // settling may have taken long
	limit := s.limit
	err = s.record.Scans(store.ScanQuery{FromSeq: s.st.At.Seq + 1}, func(sc *scan.Scan) error {
		if sc.Seq > limit || stop > 0 && sc.Seq > stop {
			return errEnough
		}
		s.step(sc)
		if n++; n%1024 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		if stop == 0 && (s.given >= most || n >= mostScans) {
			more = true
			return errEnough
		}
		return nil
	})
	switch {
	case errors.Is(err, errEnough):
		err = nil
	case err != nil && ctx.Err() != nil:
		return 0, false, ctx.Err() // what was read is read again
	case err != nil && n > 0: // such as store.ErrDropped: the next call begins behind it
		more = true
	}
	return n, more || stop > 0 && stop < limit, err
}

// limitOf is the last scan that may be given: safe on the disk, and of a clock that is
// set or was set since.
func limitOf(limit uint64, all []store.Segment) uint64 {
	for i := len(all) - 1; i >= 0 && all[i].Untrusted && all[i].ShiftMS == 0; i-- {
		if first := all[i].FirstSeq; first > 0 {
			limit = min(limit, first-1)
		}
	}
	return limit
}

// batch makes a batch of what was put out.
func (s *Source) batch(missed int64) (b remote.Batch, err error) {
	_, s.st.Fold = s.folder.Flush() // pieces are the store's business
	if b.Next, err = s.st.encode(); err != nil {
		s.st = nil
		return b, fmt.Errorf("samples: %w", err)
	}
	s.at = b.Next
	b.Missed = s.st.Missed - missed
	b.Series = make([]remote.Series, len(s.out))
	for i, o := range s.out {
		b.Series[i] = remote.Series{Labels: o.labels, Samples: o.samples}
	}
	s.out, s.given = nil, 0
	s.mu.Lock()
	s.told = s.st.place()
	s.mu.Unlock()
	return b, nil
}
