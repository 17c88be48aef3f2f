package agent

import (
	"errors"
	"log/slog"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// Recorder puts scans that were made elsewhere into a site's store, through
// the same writer, watch and fold as live ones. The demo fills its week with
// it. It holds the data directory as a running agent does.
type Recorder struct {
	history *History
	watch   *watch
	alarms  *alarms // rules on scans alone
}

// OpenRecorder opens the store of a site for writing; Close releases it.
func OpenRecorder(site *sitefile.Site, o Options) (*Recorder, error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Clock == nil {
		o.Clock = scan.NewSystemClock()
	}
	h, err := openForWriting(site, o)
	if err != nil {
		return nil, err
	}
	w, err := h.watch()
	if err != nil {
		return nil, errors.Join(err, h.Close())
	}
	_, wallMS := o.Clock.Now()
	a, err := h.newAlarms(w, wallMS)
	if err != nil {
		return nil, errors.Join(err, h.Close())
	}
	return &Recorder{h, w, a}, nil
}

// Groups are the site's poll groups; scans must point to these.
func (r *Recorder) Groups() []*scan.Group { return r.history.groups }

// Append takes over a batch of scans in time order, and keeps the events that
// they tell of, alarms among them; messages go out of a running agent alone.
func (r *Recorder) Append(batch []scan.Scan) error {
	var events []store.Event
	for i := range batch {
		events = append(events, r.watch.step(&batch[i])...)
		for _, record := range r.alarms.seeScan(&batch[i]) {
			events = append(events, r.history.alarmEvent(&record))
		}
	}
	if err := r.history.store.Append(batch); err != nil {
		return err
	}
	for _, e := range events {
		if _, err := r.history.store.AppendEvent(e); err != nil {
			return err
		}
	}
	return nil
}

// Note keeps what a person wrote, as Agent.AddNote does.
func (r *Recorder) Note(n Note) (Event, error) {
	kept, err := r.history.addNote(n, r.Now())
	return EventOf(kept), err
}

// Setup keeps what the site file and its maps say, as an agent does when it
// starts.
func (r *Recorder) Setup(at time.Time) error {
	_, err := r.history.keepSetup(at.UnixMilli())
	return err
}

// Now is the time of the last scan, or the clock's where there is none.
func (r *Recorder) Now() time.Time {
	if t, ok := r.Newest(); ok {
		return t
	}
	_, wallMS := r.history.clock.Now()
	return time.UnixMilli(wallMS)
}

// Newest is the time of the last scan kept; ok is false where there is none.
func (r *Recorder) Newest() (t time.Time, ok bool) {
	newest := r.history.store.Present().NewestMS
	return time.UnixMilli(newest), newest > 0
}

// Close brings everything to disk and releases the data directory.
func (r *Recorder) Close() error { return r.history.Close() }
