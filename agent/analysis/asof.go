package analysis

import (
	"errors"
	"fmt"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// AsOf shows a source as it stood at a time, Unix ms UTC: without the scans whose
// label is later, and without the events that knew says no to. What is made of it is
// the same to the last bit however much was recorded since, as long as the levels and
// the site file are what they were and no scan was brought in or relabelled since:
// that is the caller's to see to.
func AsOf(src Source, site *sitefile.Site, atMS int64, knew func(*store.Event) bool) Source {
	s := &asOfSource{Source: src, at: atMS, knew: knew, specs: map[string]*spec{}}
	for _, sp := range specs(site, sitefile.Groups(site), calibrationsOf(src)) {
		s.specs[sp.key] = sp
	}
	return s
}

type asOfSource struct {
	Source
	at    int64
	knew  func(*store.Event) bool
	specs map[string]*spec // by key
}

var _ EventSource = (*asOfSource)(nil)

// Calibrations are those of what lies beneath.
func (s *asOfSource) Calibrations() Calibrations { return calibrationsOf(s.Source) }

// RawFrom implements rawKeeper.
func (s *asOfSource) RawFrom() int64 { return rawFrom(s.Source) }

// EventsWhere implements EventSource.
func (s *asOfSource) EventsWhere(fromMS, toMS int64, limit int, wanted func(*store.Event) bool) ([]store.Event, error) {
	src, ok := s.Source.(EventSource)
	if !ok {
		return nil, nil
	}
	return src.EventsWhere(fromMS, toMS, limit, func(e *store.Event) bool { return s.knew(e) && wanted(e) })
}

// Scans implements Source.
func (s *asOfSource) Scans(q store.ScanQuery, fn func(*scan.Scan) error) error {
	if q.FromMS >= s.at {
		return nil
	}
	if q.ToMS == 0 || q.ToMS > s.at {
		q.ToMS = s.at
	}
	return s.Source.Scans(q, fn)
}

// Pieces implements Source. A piece that holds later scans too is folded anew up to
// the time.
func (s *asOfSource) Pieces(key string, fromMS, toMS int64) ([]store.Piece, error) {
	if fromMS >= s.at {
		return nil, nil
	}
	if toMS == 0 || toMS > s.at {
		toMS = s.at
	}
	all, err := s.Source.Pieces(key, fromMS, toMS)
	if err != nil {
		return nil, err
	}
	kept := make([]store.Piece, 0, len(all))
	for i := range all {
		p := all[i]
		if sp := s.specs[key]; sp != nil && p.StartMS+cellMS > s.at && current(sp, &p) {
			if some, err := s.shorten(sp, &p); err != nil {
				return nil, fmt.Errorf("summaries of %s: %w", sp.name, err)
			} else if !some {
				continue
			}
		}
		kept = append(kept, p)
	}
	return kept, nil
}

// shorten folds a piece anew without the scans that are later; some is false where
// there are no others.
func (s *asOfSource) shorten(sp *spec, p *store.Piece) (some bool, err error) {
	c, err := decodeCarry(p.Entry, len(sp.chans), len(sp.watches))
	if err != nil {
		return false, err
	}
	d, routes, last := newDelta(sp), map[*scan.Group]*route{}, uint64(0)
	q := store.ScanQuery{Devices: sp.devices(), FromMS: p.StartMS, ToMS: s.at, FromSeq: p.FirstSeq}
	err = s.Source.Scans(q, func(sc *scan.Scan) error {
		if sc.Seq > p.LastSeq {
			return errStop
		}
		if sc.Segment != p.Segment {
			return nil
		}
		r, ok := routes[sc.Group]
		if !ok {
			made := sp.routeFor(sc.Group)
			r = &made
			routes[sc.Group] = r
		}
		if len(r.pairs) > 0 {
			sp.step(&c, d, sc, r)
			last = sc.Seq
		}
		return nil
	})
	if err != nil && !errors.Is(err, errStop) {
		return false, err
	}
	if last == 0 {
		return false, nil
	}
	p.LastSeq, p.Delta, p.Exit = last, d.encode(nil, p.StartMS), c.encode(nil)
	return true, nil
}
