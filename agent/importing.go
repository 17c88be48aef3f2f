package agent

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"strconv"
	"strings"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// kindAligned is the kind of event that tells by what the clocks of an import's
// loggers were put right, where that was found from common transitions.
const kindAligned = "clocks_aligned"

// ErrOverlap: what is to be imported does not lie behind what is recorded.
var ErrOverlap = errors.New("the import does not lie behind what the data directory holds")

// ErrNoImport: there is no import of that number.
var ErrNoImport = errors.New("no such import")

// ImportOrder is one import: the scans of all its files in one stream, and what
// is kept about them.
type ImportOrder struct {
	// FromMS is the wall time of the first of the files' scans.
	FromMS int64
	// Scans hands on the files' scans in order of wall time. groups are the
	// site's, in the order of sitefile.Groups; scans must point to these,
	// and are fn's to keep.
	Scans func(ctx context.Context, groups []*scan.Group, fn func(*scan.Scan) error) error
	// Record is another store, whose scans are merged in as they are; nil: none.
	Record *store.Store
	// Text and Data are those of the event; what the store knows is added.
	Text string
	Data map[string]string
	// Aligned is the sentence of an event clocks_aligned; empty: none.
	Aligned string
	// Texts are kept for good, under their hashes: the column mapping.
	Texts [][]byte
	// Progress is told how many scans have come in; may be nil.
	Progress func(scans uint64)
}

// ImportDone is what an import or its undoing did.
type ImportDone struct {
	Number int    // of the import
	Scans  uint64 // of files and record together, or undone
	Record uint64 // of these, of the other store
	// LeftOut are scans of the other store whose clock was never set: nobody
	// knows when they were.
	LeftOut uint64
	Learnt  []string // machines whose levels were learnt from the readings
}

// Import brings scans into a site's data directory, behind what it holds, as
// one unit: it is made in a copy beside, which takes the store's place at the
// end. On an error, a kill or the end of ctx nothing has changed. It returns an
// error that wraps store.ErrLocked while an agent runs, and ErrOverlap.
func Import(ctx context.Context, site *sitefile.Site, order ImportOrder, o Options) (done ImportDone, err error) {
	side, err := openSide(site, &o)
	if err != nil {
		return done, err
	}
	defer func() { err = errors.Join(err, side.Close()) }()
	fromMS := order.FromMS
	if order.Record != nil {
		if oldest := order.Record.Stats().OldestMS; oldest > 0 {
			fromMS = min(fromMS, oldest)
		}
	}
	o.Store.Import = &store.Importing{FromMS: fromMS}
	h, err := openForWriting(besides(site, side), o)
	if err != nil {
		return done, err
	}
	im := &importer{h: h, order: &order, fromMS: fromMS, done: &done}
	if err := errors.Join(im.run(ctx), h.Close(), ctx.Err()); err != nil {
		return done, err
	}
	return done, side.Take()
}

func openSide(site *sitefile.Site, o *Options) (*store.Side, error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Clock == nil {
		o.Clock = scan.NewSystemClock()
	}
	return store.OpenSide(site.Agent.DataDir, o.Store)
}

// besides is the site with its data where the copy is.
func besides(site *sitefile.Site, side *store.Side) *sitefile.Site {
	own := *site
	own.Agent.DataDir = side.Dir()
	return &own
}

// AfterRecord returns ErrOverlap, with what to do instead, unless readings from
// fromMS on lie behind newestMS, the newest one recorded; 0: there is none.
func AfterRecord(fromMS, newestMS int64, site *sitefile.Site) error {
	if newestMS == 0 || fromMS > newestMS {
		return nil
	}
	local := func(ms int64) string { return time.UnixMilli(ms).In(site.Location).Format("2006-01-02 15:04:05") }
	return fmt.Errorf("%w: the files begin at %s, and %s holds readings until %s; two records cannot be interleaved afterwards: "+
		"make a study of both, into a new data directory: loadscribe import --site STUDY.toml --record %s --map MAPPING FILES; "+
		"or, if these files were imported already, take that back first (import --list, import --undo N)",
		ErrOverlap, local(fromMS), site.Agent.DataDir, local(newestMS), site.Agent.DataDir)
}

// importer is an import on its way.
type importer struct {
	h      *History
	order  *ImportOrder
	fromMS int64
	done   *ImportDone
	watch  *watch
	batch  []scan.Scan
	events []store.Event
	first  uint32 // segment
	refold bool   // what the fold depends on has come in
}

func (im *importer) run(ctx context.Context) error {
	h := im.h
	if err := AfterRecord(im.fromMS, h.store.Present().NewestMS, h.site); err != nil {
		return err
	}
	past, err := h.store.EventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == store.KindImport })
	if err != nil {
		return err
	}
	im.done.Number = len(past) + 1
	segments := h.store.Segments()
	im.first = segments[len(segments)-1].Number
	if im.watch, err = h.watch(); err != nil {
		return err
	}
	_, nowMS := h.clock.Now()
	if _, err := h.keepSetup(nowMS); err != nil {
		return err
	}
	for _, text := range im.order.Texts {
		if _, err := h.store.PutText(text); err != nil {
			return err
		}
	}
	if err := im.scans(ctx); err != nil {
		return err
	}
	if err := im.learn(ctx); err != nil {
		return err
	}
	return im.tell(nowMS)
}

// tell keeps the events of the import itself.
func (im *importer) tell(nowMS int64) error {
	data := maps.Clone(im.order.Data)
	if data == nil {
		data = map[string]string{}
	}
	var segments []string
	first := uint64(0)
	newest := im.h.store.Present().NewestMS
	for _, seg := range im.h.store.Segments() {
		if seg.Number >= im.first {
			segments = append(segments, strconv.FormatUint(uint64(seg.Number), 10))
			if first == 0 {
				first = seg.FirstSeq
			}
		}
	}
	data["import"], data["scans"] = strconv.Itoa(im.done.Number), strconv.FormatUint(im.done.Scans, 10)
	data["from"], data["to"] = Stamp(im.fromMS).String(), Stamp(newest).String()
	data["first_seq"], data["last_seq"] = strconv.FormatUint(first, 10), strconv.FormatUint(im.h.store.LastSeq(), 10)
	data["segments"], data["site_hash"] = strings.Join(segments, ","), im.h.site.Hash
	if im.order.Record != nil {
		data["record_scans"] = strconv.FormatUint(im.done.Record, 10)
	}
	_, err := im.h.store.AppendEvent(store.Event{Kind: store.KindImport, WallMS: nowMS, Text: im.order.Text, Data: data})
	if err != nil || im.order.Aligned == "" {
		return err
	}
	_, err = im.h.store.AppendEvent(store.Event{Kind: kindAligned, WallMS: nowMS, Text: im.order.Aligned,
		Data: map[string]string{"import": strconv.Itoa(im.done.Number)}})
	return err
}

// importBatch is how many scans go to the store at a time.
const importBatch = 600

// add takes a scan over. Those of files are watched for what they tell of.
func (im *importer) add(s *scan.Scan, watched bool) error {
	if watched {
		im.events = append(im.events, im.watch.step(s)...)
	}
	im.batch = append(im.batch, *s)
	if len(im.batch) < importBatch {
		return nil
	}
	return im.flush()
}

func (im *importer) flush() error {
	err := im.h.store.Append(im.batch)
	if errors.Is(err, store.ErrBacklog) { // the disk is slower than the files
		if err = im.h.store.Sync(); err == nil {
			err = im.h.store.Append(im.batch)
		}
	}
	if err == nil { // recording would wait for a disk to recover; who imports can be told
		err = im.h.store.TakesNothing()
	}
	if err != nil {
		return err
	}
	im.done.Scans += uint64(len(im.batch))
	im.batch = im.batch[:0]
	for _, e := range im.events {
		if _, err := im.h.store.AppendEvent(e); err != nil {
			return err
		}
	}
	im.events = im.events[:0]
	if im.order.Progress != nil {
		im.order.Progress(im.done.Scans)
	}
	return nil
}

// learn learns the levels of machines whose states hang on assumed ones, as an
// agent does while it records, and folds anew where that changes anything.
func (im *importer) learn(ctx context.Context) error {
	h := im.h
	for i := range h.site.Machines {
		name := h.site.Machines[i].Name
		_, levels, err := h.learnable(name)
		if err != nil {
			return fmt.Errorf("learn the levels of %s: %w", name, err)
		}
		if levels == nil {
			continue
		}
		if _, err := h.store.AppendEvent(levels.Event(name, levels.Text(h.source(), h.site, name))); err != nil {
			return err
		}
		im.done.Learnt, im.refold = append(im.done.Learnt, name), true
	}
	if !im.refold {
		return nil
	}
	return h.refold(ctx)
}
