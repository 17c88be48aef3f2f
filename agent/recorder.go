package agent

import (
	"log/slog"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// Recorder puts scans that were made elsewhere into a site's store, through
// the same writer and fold as live ones. The demo fills its week with it. It
// holds the data directory as a running agent does.
type Recorder struct{ history *History }

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
	return &Recorder{h}, nil
}

// Groups are the site's poll groups; scans must point to these.
func (r *Recorder) Groups() []*scan.Group { return r.history.groups }

// Append takes over a batch of scans in time order.
func (r *Recorder) Append(batch []scan.Scan) error { return r.history.store.Append(batch) }

// Note keeps an event.
func (r *Recorder) Note(e store.Event) error {
	_, err := r.history.store.AppendEvent(e)
	return err
}

// Newest is the time of the last scan kept; ok is false where there is none.
func (r *Recorder) Newest() (t time.Time, ok bool) {
	newest := r.history.store.Stats().NewestMS
	return time.UnixMilli(newest), newest > 0
}

// Close brings everything to disk and releases the data directory.
func (r *Recorder) Close() error { return r.history.Close() }
