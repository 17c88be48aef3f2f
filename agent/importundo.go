package agent

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// Imported is one import as the events tell of it.
type Imported struct {
	Number int    `json:"import"`
	Time   Stamp  `json:"time"` // when it was made
	Text   string `json:"text"`
	From   string `json:"from"` // of its readings
	To     string `json:"to"`
	Scans  uint64 `json:"scans"`
	Undone bool   `json:"undone"`
	// Data is all that its event says.
	Data map[string]string `json:"data"`
}

// ImportsOf lists the imports that events tell of, the first one first. Events
// of other kinds are passed over.
func ImportsOf(events []Event) []Imported {
	all := []Imported{}
	for _, e := range events {
		if e.Kind != store.KindImport {
			continue
		}
		number, _ := strconv.Atoi(e.Data["import"])            // 0 where the event is no such thing:
		scans, _ := strconv.ParseUint(e.Data["scans"], 10, 64) // nothing can be undone by it
		all = append(all, Imported{Number: number, Time: e.Time, Text: e.Text, From: e.Data["from"], To: e.Data["to"], Scans: scans, Data: e.Data})
	}
	slices.SortFunc(all, func(a, b Imported) int { return cmp.Compare(a.Number, b.Number) })
	for _, e := range events {
		if e.Kind != store.KindImportUndone {
			continue
		}
		for i := range all {
			all[i].Undone = all[i].Undone || strconv.Itoa(all[i].Number) == e.Data["import"]
		}
	}
	return all
}

// UndoImport deletes the readings of an import, as one unit like Import itself.
// That it was there, and the hashes of what it held, stay.
func UndoImport(ctx context.Context, site *sitefile.Site, number int, o Options) (done ImportDone, err error) {
	side, err := openSide(site, &o)
	if err != nil {
		return done, err
	}
	defer func() { err = errors.Join(err, side.Close()) }()
	done.Number = number
	was, err := dropImport(side, number, &done, o)
	if err != nil {
		return done, err
	}
	if err := ctx.Err(); err != nil {
		return done, err
	}
	o.Store.Import = &store.Importing{}
	h, err := openForWriting(besides(site, side), o) // makes the summaries anew
	if err != nil {
		return done, err
	}
	_, nowMS := h.clock.Now()
	_, err = h.store.AppendEvent(store.Event{Kind: store.KindImportUndone, WallMS: nowMS,
		Text: fmt.Sprintf("import %d was undone: its %d scans from %s to %s are gone, and every figure is made without them", number, done.Scans, was.From, was.To),
		Data: map[string]string{"import": strconv.Itoa(number), "scans": strconv.FormatUint(done.Scans, 10),
			"from": was.From, "to": was.To, "first_seq": was.Data["first_seq"], "last_seq": was.Data["last_seq"]}})
	if err == nil { // levels learnt from the import are gone with it
		err = (&importer{h: h, done: &done}).learn(ctx)
	}
	if err := errors.Join(err, h.Close(), ctx.Err()); err != nil {
		return done, err
	}
	return done, side.Take()
}

// dropImport finds an import in the copy and deletes its readings.
func dropImport(side *store.Side, number int, done *ImportDone, o Options) (was Imported, err error) {
	so := o.Store
	so.Clock, so.Log, so.Import = o.Clock, o.Log, &store.Importing{}
	s, err := store.Open(side.Dir(), so)
	if errors.Is(err, store.ErrNoStore) {
		return was, fmt.Errorf("%w: nothing was ever recorded here", ErrNoImport)
	}
	if err != nil {
		return was, err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	kept, err := s.EventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == store.KindImport || e.Kind == store.KindImportUndone })
	if err != nil {
		return was, err
	}
	events := make([]Event, len(kept))
	for i := range kept {
		events[i] = EventOf(kept[i])
	}
	all := ImportsOf(events)
	i := slices.IndexFunc(all, func(im Imported) bool { return im.Number == number })
	switch {
	case i < 0 && len(all) == 0:
		return was, fmt.Errorf("%w: %d; nothing was imported here", ErrNoImport, number)
	case i < 0:
		return was, fmt.Errorf("%w: %d; see import --list, which has %d", ErrNoImport, number, len(all))
	case all[i].Undone:
		return was, fmt.Errorf("%w: %d was undone already", ErrNoImport, number)
	}
	was = all[i]
	var segments []uint32
	for text := range strings.SplitSeq(was.Data["segments"], ",") {
		n, err := strconv.ParseUint(text, 10, 32)
		if err != nil {
			return was, fmt.Errorf("%w: %d: its event names no segments", ErrNoImport, number)
		}
		segments = append(segments, uint32(n))
	}
	done.Scans, err = s.DropImported(segments)
	return was, err
}
