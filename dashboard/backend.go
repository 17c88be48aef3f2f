package dashboard

import (
	"context"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// Backend is what the pages and the API are served from: a running agent, or a
// stopped store. All methods may be called from several goroutines. Windows are
// half open, in Unix milliseconds UTC.
type Backend interface {
	// Site returns the site as loaded; never nil.
	Site() *sitefile.Site
	// Groups returns all poll groups the store knows, oldest first, those of
	// earlier site files too.
	Groups() []*scan.Group
	// State returns what is known now. The caller owns it.
	State() agent.State
	// Series returns about points cells of a channel, ascending, gaps kept as
	// cells of count 0.
	Series(channelID string, fromMS, toMS int64, points int) (store.Series, error)
	// StateRuns returns a machine's states, ascending, without holes.
	StateRuns(machine string, fromMS, toMS int64) ([]agent.StateRun, error)
	// StateBand returns a machine's states for a drawing of so many parts: where
	// stepMS is above 0, what it did most of in each part that wide.
	StateBand(machine string, fromMS, toMS int64, parts int) (runs []agent.StateRun, stepMS int64, err error)
	// Span is what a channel read between two moments, to the reading.
	Span(channelID string, fromMS, toMS int64) (store.Span, error)
	// ReadingAt is the reading of a channel that held at a moment; ok is false in
	// a gap.
	ReadingAt(channelID string, wallMS int64) (r store.Reading, ok bool, err error)
	// BelowMinimum lists when a system's pressure lay below its minimum.
	BelowMinimum(system string, fromMS, toMS int64) (analysis.Below, error)
	// Figures returns every figure; machine empty means all machines and
	// systems.
	Figures(fromMS, toMS int64, machine string) (analysis.Report, error)
	// Demand returns a system's demand for air by steps.
	Demand(system string, fromMS, toMS, stepMS int64) (analysis.Demand, error)
	// Nights tells of a system's quiet hours. An error of type
	// *analysis.DemandError says what is wrong with the request.
	Nights(system string, fromMS, toMS int64) (analysis.Nights, error)
	// Leaks lists a system's leak tags beside its measured leak; errors as Nights.
	Leaks(system string, fromMS, toMS int64) (agent.Leaks, error)
	// Events returns a page of events, newest first. The error wraps
	// agent.ErrCursor where the query's After is none.
	Events(q agent.EventQuery) (agent.EventPage, error)
	// Faults tells of each fault code of the window, the latest first.
	Faults(fromMS, toMS int64) ([]agent.Fault, error)
	// Service tells when each service item of each machine is due.
	Service() ([]analysis.MachineService, error)
	// ServiceEffect sets the days before a service beside those after it. An error
	// of type *agent.FieldError says what is wrong with the request.
	ServiceEffect(r agent.ServiceEffectRequest) (analysis.ServiceEffect, error)
	// Compare tells what was saved between two periods. An error of type
	// *agent.FieldError says what is wrong with the request.
	Compare(r agent.CompareRequest) (analysis.Comparison, error)
	// Days are the local dates of a window; it sets the query's NowMS. An error of
	// type *agent.FieldError says what is wrong with the request.
	Days(q analysis.DaysQuery) (analysis.Days, error)
	// Money tells where the electricity of a window went and what it cost; it sets
	// the query's NowMS. An error of type *agent.FieldError says what is wrong with
	// the request.
	Money(q analysis.MoneyQuery) (analysis.Money, error)
	// Missed tells what the record lacks in a window, and how what it depends on
	// stands.
	Missed(fromMS, toMS int64) (agent.Missed, error)
	// Periods sets two periods side by side. An error of type *agent.FieldError
	// says what is wrong with the request.
	Periods(r agent.PeriodsRequest) (analysis.Periods, error)
	// Text returns a version of a site file or map that was kept, by its hash.
	// The error wraps store.ErrNoText where there is none.
	Text(hash string) ([]byte, error)
	// Intervals returns a machine's 15-minute cells, ascending.
	Intervals(machine string, fromMS, toMS int64) ([]analysis.Interval, error)
	// Unloads lays a machine's unloads over one another; it sets the query's
	// NowMS.
	Unloads(machine string, q analysis.UnloadQuery) (analysis.Unloads, error)
	// Cycles tells of a machine's load cycles and starts; it sets the query's NowMS.
	Cycles(machine string, q analysis.CyclesQuery) (analysis.Cycles, error)
	// Tests lists the guided tests: what was found, and of a running agent what
	// runs.
	Tests() (agent.Tests, error)
	// Audit tells how the audit that was begun last stands.
	Audit() (agent.Audit, error)
	// Alarms tells what stands and what is watched.
	Alarms() (agent.Alarms, error)
	// RemoteWrites tells how it stands with receivers of samples.
	RemoteWrites() (agent.RemoteWrites, error)
	// Levels tells from which levels the machines' states come.
	Levels() ([]analysis.HeldLevels, error)
	// SiteFiles is the site file with its maps as they run, and what would happen
	// with those on disk.
	SiteFiles() (agent.SiteFiles, error)
	// Evidence is the newest checkpoint of the evidence log. The error wraps
	// store.ErrNoEvidence where there is none yet.
	Evidence() (agent.EvidenceHead, error)
	// VerifyEvidence makes the log again from what is stored and compares it, and
	// with the text of a checkpoint that was kept, where kept is not empty. An
	// error of type *agent.FieldError says what is wrong with that.
	VerifyEvidence(ctx context.Context, kept string, progress func(done, total int64)) (agent.EvidenceVerdict, error)
	// Scans calls fn for each scan of the window in the store's order, outside
	// any transaction of the store, and stops with fn's error. devices empty
	// means all. fn must not keep the scan.
	Scans(fromMS, toMS int64, devices []string, fn func(*scan.Scan) error) error
	// Ready reports whether the store is writing and at least one line
	// answers; if not, why.
	Ready() (ok bool, why string)
	// Now is the moment an age in a query counts from: the present while the
	// agent runs, the last scan of a stopped store.
	Now() time.Time
	// Version is the program's version.
	Version() string
}
