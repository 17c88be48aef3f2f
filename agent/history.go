package agent

import (
	"errors"
	"fmt"
	"log/slog"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// History is what has been recorded at a site: its store, and the fold that
// makes figures of it. Its methods may be called from several goroutines.
// Windows are half open, in Unix milliseconds UTC.
type History struct {
	site    *sitefile.Site
	store   *store.Store
	folder  *analysis.Folder
	groups  []*scan.Group // the site's own, registered; nil for a stopped store
	clock   scan.Clock
	version string
	// refolded is true where the folder made every piece anew, so that the
	// store's own must not count a second time.
	refolded bool
	bundling chan struct{} // full while a BundleFile is there
	past     *past         // as of when it is asked; nil: the present
}

// OpenHistory opens what a stopped agent has left, for reading. It fails with
// an error that wraps store.ErrLocked while an agent runs on it, and
// store.ErrNoStore where nothing was ever recorded.
func OpenHistory(site *sitefile.Site, version string, log *slog.Logger) (*History, error) {
	h := &History{site: site, clock: scan.NewSystemClock(), version: version, bundling: make(chan struct{}, 1)}
	h.folder = analysis.NewFolder(site, sitefile.Groups(site))
	s, err := store.OpenReadOnly(site.Agent.DataDir, store.Options{Clock: h.clock, Log: log})
	switch {
	case errors.Is(err, store.ErrNoStore):
		return nil, fmt.Errorf("%w: nothing has been recorded in %s yet; start it with: loadscribe run --site %s",
			store.ErrNoStore, site.Agent.DataDir, site.Path)
	case err != nil:
		return nil, fmt.Errorf("open %s: %w", site.Agent.DataDir, err)
	}
	h.store = s
	if err := h.fold(); err != nil {
		return nil, errors.Join(fmt.Errorf("read %s: %w", site.Agent.DataDir, err), s.Close())
	}
	return h, nil
}

// fold brings the folder from the store's saved summaries to its last scan. An
// agent that was stopped in order has left nothing to do; a killed one has
// left up to an hour. Where the site file has changed what is folded, all is
// folded anew, in memory only.
func (h *History) fold() error {
	if err := h.store.Calibrate(h.folder); err != nil {
		return err
	}
	state, upTo, err := h.store.Summary()
	if err != nil {
		return err
	}
	// pieces at times that were put right since are made anew as well
	if h.folder.Restore(state) != nil || h.store.LabelsMoved() {
		h.refolded, upTo = true, 0
		if err := h.folder.Restore(nil); err != nil {
			return err
		}
	}
	q := store.ScanQuery{FromSeq: upTo + 1}
	if h.refolded {
		q.FromMS = h.store.RawFrom()
	}
	return h.store.Scans(q, func(s *scan.Scan) error {
		h.folder.Step(s)
		return nil
	})
}

// unsummarised is a store without those of its pieces that are made again from
// raw.
type unsummarised struct{ *store.Store }

// Pieces returns those whose raw scans are no longer kept.
func (u unsummarised) Pieces(key string, fromMS, toMS int64) ([]store.Piece, error) {
	kept := u.RawFrom()
	if kept == 0 || fromMS >= kept {
		return nil, nil
	}
	if toMS == 0 || toMS > kept {
		toMS = kept
	}
	return u.Store.Pieces(key, fromMS, toMS)
}

// Close releases the store.
func (h *History) Close() error { return h.store.Close() }

// Site returns the site as loaded; never nil.
func (h *History) Site() *sitefile.Site { return h.site }

// Groups returns all poll groups the store knows, oldest first.
func (h *History) Groups() []*scan.Group { return h.store.Groups() }

// Version is the program's version.
func (h *History) Version() string { return h.version }

// Now is the time of the last scan kept, or the present where there is none.
func (h *History) Now() time.Time {
	if h.past != nil {
		return h.past.now
	}
	if newest := h.store.Present().NewestMS; newest > 0 {
		// A window that ends "now" includes the last scan.
		return time.UnixMilli(newest + 1)
	}
	return time.Now()
}

// First is the time of the oldest scan kept; ok is false where there is none.
func (h *History) First() (t time.Time, ok bool) {
	oldest := h.store.Present().OldestMS
	return time.UnixMilli(oldest), oldest > 0
}

// source is the store with what is not sealed yet.
func (h *History) source() analysis.Source {
	src := analysis.WithPending(h.store, h.folder)
	if h.refolded {
		src = analysis.WithPending(unsummarised{h.store}, h.folder)
	}
	if h.past != nil {
		src = analysis.AsOf(src, h.site, h.past.at, h.past.knew)
	}
	return src
}

// Figures returns every figure of a window; machine empty means all machines
// and systems.
func (h *History) Figures(fromMS, toMS int64, machine string) (analysis.Report, error) {
	return h.figures(fromMS, toMS, h.Now(), machine)
}

func (h *History) figures(fromMS, toMS int64, now time.Time, machine string) (analysis.Report, error) {
	report, err := analysis.Compute(h.source(), h.site, fromMS, toMS, now.UnixMilli(), machine)
	if err == nil && !report.Observed() {
		some, err := h.anyScan(fromMS, toMS)
		if err != nil {
			return report, err
		}
		if some {
			report.Notes = append(report.Notes, nothingTold)
		} else {
			report.Notes = append(report.Notes, h.nothingHere())
		}
	}
	return report, err
}

// nothingTold is said of a window in which scans came, with a value or without, and
// none was one that a figure begins with.
const nothingTold = "scans were recorded here, but none told what a machine does, or the pressure at a tap: What we missed and Hook-up say why"

// anyScan reports whether raw scans of a window are kept.
func (h *History) anyScan(fromMS, toMS int64) (some bool, err error) {
	err = h.source().Scans(store.ScanQuery{FromMS: fromMS, ToMS: toMS}, func(*scan.Scan) error {
		some = true
		return errEnough
	})
	if errors.Is(err, errEnough) {
		err = nil
	}
	return some, err
}

// nothingHere is what there is instead, where a window holds nothing.
func (h *History) nothingHere() string {
	oldestMS, newestMS := h.store.Present().OldestMS, h.store.Present().NewestMS
	if h.past != nil {
		newestMS = h.past.newestMS
	}
	if newestMS == 0 {
		return "nothing has been recorded yet"
	}
	local := func(ms int64) string {
		return time.UnixMilli(ms).In(h.site.Location).Format("Mon 2006-01-02 15:04:05 MST")
	}
	return fmt.Sprintf("nothing was recorded here; the record runs from %s to %s", local(oldestMS), local(newestMS))
}

// Demand returns a system's demand for air by steps.
func (h *History) Demand(system string, fromMS, toMS, stepMS int64) (analysis.Demand, error) {
	return h.demand(system, fromMS, toMS, stepMS, h.Now())
}

func (h *History) demand(system string, fromMS, toMS, stepMS int64, now time.Time) (analysis.Demand, error) {
	return analysis.AirDemand(h.source(), h.site, system, fromMS, toMS, stepMS, now.UnixMilli())
}

// Nights tells of a system's quiet hours.
func (h *History) Nights(system string, fromMS, toMS int64) (analysis.Nights, error) {
	return h.nights(system, fromMS, toMS, h.Now())
}

func (h *History) nights(system string, fromMS, toMS int64, now time.Time) (analysis.Nights, error) {
	return analysis.NightsOf(h.source(), h.site, system, fromMS, toMS, now.UnixMilli())
}

// StateRuns returns a machine's states, ascending, without holes.
func (h *History) StateRuns(machine string, fromMS, toMS int64) ([]StateRun, error) {
	runs, err := analysis.StateRuns(h.source(), h.site, machine, fromMS, toMS)
	return shownRuns(runs), err
}

func shownRuns(runs []analysis.Run) []StateRun {
	shown := make([]StateRun, len(runs))
	for i, r := range runs {
		shown[i] = StateRun{State: r.State.String(), From: Stamp(r.FromMS), To: Stamp(r.ToMS), Reason: r.Reason}
	}
	return shown
}

// StateBand returns a machine's states for a drawing of about so many parts.
// Where they change more often than it could show, they are what the machine did
// most of in each part, whose width is then stepMS, else 0.
func (h *History) StateBand(machine string, fromMS, toMS int64, parts int) (runs []StateRun, stepMS int64, err error) {
	all, err := analysis.StateRuns(h.source(), h.site, machine, fromMS, toMS)
	if err != nil {
		return nil, 0, err
	}
	all, stepMS = analysis.Mostly(all, parts)
	return shownRuns(all), stepMS, nil
}

// Unloads lays a machine's unloads over one another; q.NowMS is set here.
func (h *History) Unloads(machine string, q analysis.UnloadQuery) (analysis.Unloads, error) {
	q.NowMS = h.Now().UnixMilli()
	return analysis.UnloadsOf(h.source(), h.site, machine, q)
}

// Cycles tells of a machine's load cycles and starts; q.NowMS is set here.
func (h *History) Cycles(machine string, q analysis.CyclesQuery) (analysis.Cycles, error) {
	return h.cycles(machine, q, h.Now())
}

func (h *History) cycles(machine string, q analysis.CyclesQuery, now time.Time) (analysis.Cycles, error) {
	q.NowMS = now.UnixMilli()
	return analysis.CyclesOf(h.source(), h.site, machine, q)
}

// Intervals returns a machine's 15-minute cells, ascending.
func (h *History) Intervals(machine string, fromMS, toMS int64) ([]analysis.Interval, error) {
	return analysis.Intervals(h.source(), h.site, machine, fromMS, toMS)
}

// Series returns about points cells of a channel, ascending, gaps kept as
// cells of count 0.
func (h *History) Series(channelID string, fromMS, toMS int64, points int) (store.Series, error) {
	return h.store.Series(channelID, fromMS, toMS, points)
}

// Span is what a channel read between two moments, to the reading.
func (h *History) Span(channelID string, fromMS, toMS int64) (store.Span, error) {
	return h.store.Span(channelID, fromMS, toMS)
}

// ReadingAt is the reading of a channel that held at a moment; ok is false where
// none did.
func (h *History) ReadingAt(channelID string, wallMS int64) (r store.Reading, ok bool, err error) {
	return h.store.ReadingAt(channelID, wallMS)
}

// RawFrom is the time from which raw readings are kept; ok is false where none
// was dropped.
func (h *History) RawFrom() (t time.Time, ok bool) {
	from := h.store.RawFrom()
	return time.UnixMilli(from), from != 0
}

// Backup copies the whole record as one file; the caller reads and closes it.
func (h *History) Backup() (*store.Backup, error) { return h.store.Backup() }

// Scans calls fn for each scan of the window in the store's order and stops
// with fn's error. devices empty means all. fn must not keep the scan.
func (h *History) Scans(fromMS, toMS int64, devices []string, fn func(*scan.Scan) error) error {
	return h.store.Scans(store.ScanQuery{Devices: devices, FromMS: fromMS, ToMS: toMS}, fn)
}

// BelowMinimum lists when a system's pressure lay below its minimum.
func (h *History) BelowMinimum(system string, fromMS, toMS int64) (analysis.Below, error) {
	return h.below(system, fromMS, toMS, h.Now())
}

func (h *History) below(system string, fromMS, toMS int64, now time.Time) (analysis.Below, error) {
	return analysis.BelowMinimum(h.source(), h.site, system, fromMS, toMS, now.UnixMilli())
}
