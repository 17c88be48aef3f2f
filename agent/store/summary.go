package store

import (
	"encoding/binary"
	"fmt"
	"slices"

	"github.com/klauspost/compress/zstd"
	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/scan"
)

const (
	pieceMS = 15 * minuteMS
	// packTarget is the size, before compression, at which a list of pieces or
	// events is followed by another one; maxPack is what a reader accepts.
	packTarget = 1 << 20
	maxPack    = 1 << 25
)

// appendList writes a list as the body of a value.
func appendList(dst, raw []byte, enc *zstd.Encoder) []byte {
	dst = binary.AppendUvarint(dst, uint64(len(raw)))
	return enc.EncodeAll(raw, dst)
}

// readList is the inverse; the result is new memory.
func readList(body []byte, dec *zstd.Decoder) ([]byte, error) {
	r := reader{b: body}
	n := r.uint()
	// zstd's best case here is far from 1:20000
	if r.bad || n > maxPack || n > 20000*uint64(len(r.b)) {
		return nil, fmt.Errorf("%w: list of %d bytes", ErrDamaged, n)
	}
	raw, err := dec.DecodeAll(r.b, make([]byte, 0, n))
	if err != nil || uint64(len(raw)) != n {
		return nil, fmt.Errorf("%w: list: %v", ErrDamaged, err)
	}
	return raw, nil
}

func appendPiece(b []byte, p *Piece) []byte {
	b = appendString(b, p.Key)
	b = appendInt(b, p.StartMS)
	b = binary.AppendUvarint(b, uint64(p.Segment))
	b = binary.AppendUvarint(b, p.FirstSeq)
	b = binary.AppendUvarint(b, p.LastSeq)
	b = binary.AppendUvarint(b, uint64(p.Version))
	b = appendString(b, p.Config)
	b = appendBytes(b, p.Entry)
	b = appendBytes(b, p.Delta)
	return appendBytes(b, p.Exit)
}

// readPiece reads the next piece. Its bytes are the reader's own; key and
// config stand in for equal texts, which all pieces of a window share.
func readPiece(r *reader, key, config string) Piece {
	text := func(known string) string {
		if b := r.take(r.uint()); string(b) != known { // the comparison does not allocate
			return string(b)
		}
		return known
	}
	data := func() []byte { return r.take(r.uint()) }
	return Piece{Key: text(key), StartMS: r.int(), Segment: uint32(r.uint()), FirstSeq: r.uint(), LastSeq: r.uint(),
		Version: uint16(r.uint()), Config: text(config), Entry: data(), Delta: data(), Exit: data()}
}

// putPieces stores pieces, those of one key and hour in one value.
func (s *Store) putPieces(tx *bolt.Tx, pieces []Piece) error {
	type key struct {
		name string
		hour int64
	}
	lists := map[key][]*Piece{}
	var order []key
	for i := range pieces {
		k := key{pieces[i].Key, hourOf(pieces[i].StartMS)}
		if lists[k] == nil {
			order = append(order, k)
		}
		lists[k] = append(lists[k], &pieces[i])
	}
	for _, k := range order {
		list := lists[k]
		for part := 0; len(list) > 0; part++ {
			var raw []byte
			first := list[0].FirstSeq
			for len(list) > 0 && len(raw) < packTarget {
				raw = appendPiece(raw, list[0])
				list = list[1:]
			}
			day, err := makeTidyDay(tx, bucketPieces, dayOf(k.hour))
			if err != nil {
				return err
			}
			name := packKey(k.hour, first, fmt.Sprintf("%04x%s", part, k.name))
			if err := day.Put(name, wrap(nil, typePieces, appendList(nil, raw, s.enc))); err != nil {
				return err
			}
		}
	}
	return nil
}

// Pieces returns the pieces of a key, sealed or waiting for a seal that failed, whose 15-minute cell overlaps the
// half-open window, ordered by start and first sequence number. ToMS 0 means
// no bound. Scans that no Flush has handed out are in none of them. The pieces'
// bytes are shared with other readers: they must not be changed. A list that
// cannot be read is left out, which becomes a data_damaged event.
func (s *Store) Pieces(key string, fromMS, toMS int64) ([]Piece, error) {
	if toMS == 0 {
		toMS = maxWallMS
	}
	first, last := hourOf(fromMS), hourOf(toMS)
	out := make([]Piece, 0, max(0, min((toMS-fromMS)/pieceMS+8, 4096)))
	config, age := "", s.lists.now()
	var lost []loss
	s.mu.RLock()
	flushed := s.pieces // before the database: what is committed meanwhile comes twice, never not at all
	s.mu.RUnlock()
	err := s.view(func(tx *bolt.Tx) error {
		return eachDay(tx, bucketPieces, dayOf(first), dayOf(last), false, func(_ int64, b *bolt.Bucket) (bool, error) {
			c := b.Cursor()
			for k, v := c.Seek(append64(nil, first)); k != nil && get64(k) <= last; k, v = c.Next() {
				if len(k) < 20 || string(k[20:]) != key {
					continue
				}
				before := len(out)
				err := s.eachPiece(k, v, age, key, config, func(p Piece) {
					config = p.Config
					if p.StartMS < toMS && p.StartMS+pieceMS > fromMS {
						out = append(out, p)
					}
				})
				if err != nil {
					out, lost = out[:before], append(lost, lostPieces(key, get64(k), err))
				}
			}
			return true, nil
		})
	})
	for i := 0; i < len(lost) && err == nil; i++ {
		err = s.tellLoss(&lost[i])
	}
	if err != nil {
		return nil, fmt.Errorf("read pieces of %s: %w", key, err)
	}
	sealed := len(out)
	for _, p := range flushed {
		if p.Key == key && p.StartMS < toMS && p.StartMS+pieceMS > fromMS &&
			!slices.ContainsFunc(out[:sealed], func(q Piece) bool { return q.FirstSeq == p.FirstSeq }) {
			out = append(out, p)
		}
	}
	slices.SortFunc(out, func(a, b Piece) int {
		switch {
		case a.StartMS != b.StartMS:
			return compare(a.StartMS, b.StartMS)
		default:
			return compare(a.FirstSeq, b.FirstSeq)
		}
	})
	return out, nil
}

// eachPiece calls fn for the pieces of a list.
func (s *Store) eachPiece(key, value []byte, age uint64, name, config string, fn func(Piece)) error {
	raw, err := s.pieceList(key, value, age)
	if err != nil {
		return err
	}
	for r := (reader{b: raw}); len(r.b) > 0; {
		p := readPiece(&r, name, config)
		if r.bad {
			return fmt.Errorf("%w: piece", ErrDamaged)
		}
		config = p.Config
		fn(p)
	}
	return nil
}

func lostPieces(key string, hour int64, err error) loss {
	return loss{summaries: true, device: key, fromMS: hour * hourMS, toMS: (hour + 1) * hourMS,
		why: "they cannot be read; the next start of the agent makes them again from the readings, if those are kept", cause: err.Error()}
}

// pieceList decodes a list of pieces, or finds it decoded.
func (s *Store) pieceList(key, value []byte, age uint64) ([]byte, error) {
	if raw := s.lists.get(key); raw != nil {
		return raw, nil
	}
	body, err := unwrap(value, typePieces)
	if err != nil {
		return nil, err
	}
	raw, err := readList(body, s.dec)
	if err == nil {
		s.lists.put(key, raw, age)
	}
	return raw, err
}

func compare[T int64 | uint64](a, b T) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

func putSummary(tx *bolt.Tx, seq uint64, state []byte) error {
	if err := putMetaUint(tx, metaSummarySeq, seq); err != nil {
		return err
	}
	return tx.Bucket([]byte(bucketMeta)).Put([]byte(metaSummaryState), state)
}

// startFold brings the Summariser to where the store is: from its saved state
// over what was sealed without it and the journal's tail; or, where the state
// cannot be used, over everything, with new pieces.
func (s *Store) startFold() error {
	sum := s.o.Summariser
	if sum == nil {
		return nil
	}
	if err := s.Calibrate(sum); err != nil {
		return err
	}
	state, upTo, err := s.Summary()
	if err != nil {
		return err
	}
	err = sum.Restore(state)
	if err == nil && upTo > s.sealed.scan {
		err = fmt.Errorf("%w: the summaries are ahead of the scans", ErrDamaged)
	}
	if err != nil {
		s.log.Info("summaries are made again from raw", "why", err)
		if err := s.dropPieces(); err != nil {
			return err
		}
		upTo = 0
		if err := sum.Restore(nil); err != nil {
			return fmt.Errorf("summaries: a new start failed: %w", err)
		}
	}
	if err := s.foldStored(upTo); err != nil {
		return fmt.Errorf("summaries: %w", err)
	}
	s.fold = true
	return nil
}

// Summary returns the Summariser's state as last saved and the sequence number
// up to which it and the pieces go; 0 and nil where there is none. A reader of
// a stopped store continues from there with Scans.
func (s *Store) Summary() (state []byte, seq uint64, err error) {
	err = s.view(func(tx *bolt.Tx) error {
		if seq = metaUint(tx, metaSummarySeq); seq > 0 {
			state = slices.Clone(tx.Bucket([]byte(bucketMeta)).Get([]byte(metaSummaryState)))
		}
		return nil
	})
	if err != nil {
		return nil, 0, fmt.Errorf("read summary state: %w", err)
	}
	return state, seq, nil
}

// dropPieces removes all pieces that can be made again. What is made anew is
// committed with the number it goes to, so that a later Open goes on there;
// before the first such commit the missing state makes it begin again.
func (s *Store) dropPieces() error {
	s.lists.drop()
	err := s.update(func(tx *bolt.Tx) error {
		kept, err := keptScans(tx)
		if err != nil {
			return err
		}
		if err := s.emptyPieces(tx, kept); err != nil {
			return err
		}
		if err := putMoved(tx, 0); err != nil {
			return err
		}
		return putSummary(tx, 0, nil)
	})
	if err == nil {
		s.mu.Lock()
		s.movedFrom = 0 // scans are read by the labels that hold now
		s.mu.Unlock()
	}
	return err
}

// foldStored steps the Summariser over all scans after upTo. Pieces are cut
// where the hour turns and where the sealed scans end, as a seal does, and
// committed a day at a time.
func (s *Store) foldStored(upTo uint64) error {
	const hoursACommit = 24
	var pieces []Piece
	hours, lastHour, lastSeq, open := 0, int64(0), upTo, false
	flush := func(commit bool) error {
		p, state := s.o.Summariser.Flush()
		pieces, open = append(pieces, p...), false
		if hours++; !commit && hours < hoursACommit {
			return nil
		}
		err := s.update(func(tx *bolt.Tx) error {
			if err := s.putPieces(tx, pieces); err != nil {
				return err
			}
			return putSummary(tx, lastSeq, state)
		})
		hours, pieces = 0, nil
		return err
	}
	sealed := s.sealed.scan
	err := s.Scans(ScanQuery{FromSeq: upTo + 1}, func(sc *scan.Scan) error {
		hour := hourOf(sc.WallMS)
		if open && (sc.Seq > sealed || hour != lastHour) {
			if err := flush(sc.Seq > sealed); err != nil {
				return err
			}
		}
		s.o.Summariser.Step(sc)
		if sc.Seq <= sealed {
			open, lastHour, lastSeq = true, hour, sc.Seq
		}
		return nil
	})
	if err == nil && (open || pieces != nil) {
		err = flush(true)
	}
	return err
}
