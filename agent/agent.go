package agent

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/awake"
	"loadscribe/agent/messenger"
	"loadscribe/agent/oplog"
	"loadscribe/agent/poll"
	"loadscribe/agent/replay"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// Options are an Agent's seams. The zero value records real lines.
type Options struct {
	Version string
	Log     *slog.Logger // nil: nothing is logged
	Clock   scan.Clock   // nil: the system clock
	Time    poll.Time    // what the polling waits by, in step with Clock; nil: the system's
	// Dial opens a line; nil: poll.Dial.
	Dial func(ctx context.Context, line *sitefile.Line) (poll.Client, error)
	// Store holds further options of the store; Clock, Log and Summariser are
	// set by the agent.
	Store store.Options
	// Awake keeps the computer awake while Run records, and says whether it may fall
	// asleep; nil: nobody does, and nobody knows.
	Awake *awake.Keeper
	// RemoteTransport takes the place of the network to a receiver of samples; nil: the
	// network.
	RemoteTransport func(name string) http.RoundTripper
	// Refuge is where readings wait that an earlier agent could not bring to the
	// data directory; nil: there is none.
	Refuge     *Refuge
	intoRefuge bool // record there
}

// Agent records a site: it polls its lines, keeps every scan and knows the
// present. It is made by Open, and Run uses it up.
type Agent struct {
	History
	log       *slog.Logger
	poller    *poll.Poller
	queue     *queue
	events    chan store.Event
	keeping   atomic.Bool        // keepEvents runs
	settle    chan chan struct{} // closed when what is in events has gone to the store
	refuge    *Refuge            // not nil: this agent records into memory
	board     *board
	looked    atomic.Pointer[looked] // for the metrics; nil: not yet
	watch     *watch
	turning   turning
	alarms    *alarms
	messages  *messenger.Messenger // nil: the site file names nobody to tell
	receivers []sampleReceiver     // of samples; fixed
	awake     *awake.Keeper        // nil: none
	walks     walks
	tagging   sync.Mutex // one entry of a leak tag at a time
	tests     tests
	replays   jobs[replay.Answer]
	reports   jobs[ReportMade]
	levelsMu  sync.Mutex // held while levels change
	secret    string     // of local commands
	left      instanceLeft
	started   time.Time
	publish   atomic.Pointer[func(kind string, data any)]
	refused   atomic.Uint64 // scans that are in no event: not storable, or too late at a stop
	lossMu    sync.Mutex    // protects noted, and that it and the store's count change together
	noted     uint64        // of the scans the queue dropped, those in an event
	sleptMS   int64         // of the computer, told in events; for show alone
	lostNotes atomic.Uint64 // events that found no room
	shown     map[string]MachineState
	pace      backupPace
	closing   sync.Once
	closeErr  error
}

// eventQueue bounds the events that wait for the store: lines and devices
// going up and down. More in a burst are counted and logged.
const eventQueue = 1024

// Open opens the store of a site for writing and prepares the polling. Close
// releases it where Run is not called.
func Open(site *sitefile.Site, o Options) (*Agent, error) {
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
	a := &Agent{
		History: *h, log: o.Log, queue: newQueue(queueBytes), awake: o.Awake, events: make(chan store.Event, eventQueue), settle: make(chan chan struct{}),
		board: newBoard(h.groups), secret: newSecret(), started: time.Now(), shown: map[string]MachineState{},
		replays: jobs[replay.Answer]{kind: replayKind(), log: o.Log}, reports: jobs[ReportMade]{kind: reportKind(), log: o.Log},
	}
	if o.intoRefuge {
		a.refuge = o.Refuge
	} else if err := a.takeOver(o.Refuge); err != nil {
		return nil, errors.Join(fmt.Errorf("keep what waited in memory: %w", err), h.store.Close())
	}
	if a.watch, err = h.watch(); err != nil {
		return nil, errors.Join(err, h.store.Close())
	}
	monoMS, wallMS := o.Clock.Now()
	if a.alarms, err = h.newAlarms(a.watch, wallMS); err != nil {
		return nil, errors.Join(err, h.store.Close())
	}
	a.alarms.engine.Begin(monoMS)
	if a.messages, err = openMessages(site, o.Log); err != nil {
		return nil, errors.Join(err, h.store.Close())
	}
	if err := a.openReceivers(&o); err != nil {
		return nil, errors.Join(err, h.store.Close())
	}
	a.poller, err = poll.New(site, h.groups, a.queue, poll.Options{
		Dial: o.Dial, Clock: o.Clock, Time: o.Time, Log: o.Log, OnLine: a.lineChanged, OnDevice: a.deviceChanged, OnWedged: a.lineWedged,
	})
	if err != nil {
		return nil, errors.Join(err, h.store.Close())
	}
	return a, nil
}

func openForWriting(site *sitefile.Site, o Options) (*History, error) {
	h := &History{site: site, clock: o.Clock, version: o.Version, bundling: make(chan struct{}, 1)}
	groups := sitefile.Groups(site)
	h.folder = analysis.NewFolder(site, groups)
	so := o.Store
	so.Clock, so.Log, so.Summariser = o.Clock, o.Log, h.folder
	dir := site.Agent.DataDir
	if o.intoRefuge {
		dir = o.Refuge.dir
	}
	s, err := store.Open(dir, so)
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", dir, err)
	}
	if h.groups, err = s.Register(groups); err != nil {
		return nil, errors.Join(fmt.Errorf("open %s: %w", dir, err), s.Close())
	}
	h.store = s
	return h, nil
}

// OnUpdate sets what is told of each change, with the kinds and data of the
// live socket. It must return soon.
func (a *Agent) OnUpdate(publish func(kind string, data any)) { a.publish.Store(&publish) }

func (a *Agent) tell(kind string, data any) {
	if f := a.publish.Load(); f != nil {
		(*f)(kind, data)
	}
}

// Secret is what agent.json tells local commands to send as a bearer token.
func (a *Agent) Secret() string { return a.secret }

// Now is the present.
func (a *Agent) Now() time.Time {
	_, wallMS := a.clock.Now()
	return time.UnixMilli(wallMS)
}

// Figures is History's, reckoned from the present.
func (a *Agent) Figures(fromMS, toMS int64, machine string) (analysis.Report, error) {
	return a.figures(fromMS, toMS, a.end(), machine)
}

// Demand is History's, reckoned from the present.
func (a *Agent) Demand(system string, fromMS, toMS, stepMS int64) (analysis.Demand, error) {
	return a.demand(system, fromMS, toMS, stepMS, a.end())
}

// Nights is History's, reckoned from the present.
func (a *Agent) Nights(system string, fromMS, toMS int64) (analysis.Nights, error) {
	return a.nights(system, fromMS, toMS, a.end())
}

// Cycles is History's, reckoned from the present.
func (a *Agent) Cycles(machine string, q analysis.CyclesQuery) (analysis.Cycles, error) {
	return a.cycles(machine, q, a.end())
}

// BelowMinimum is History's, reckoned from the present.
func (a *Agent) BelowMinimum(system string, fromMS, toMS int64) (analysis.Below, error) {
	return a.below(system, fromMS, toMS, a.end())
}

// Close releases the store. Run does it by itself.
func (a *Agent) Close() error {
	a.closing.Do(func() {
		a.replays.close() // they read it
		a.reports.close()
		a.closeErr = a.store.Close()
	})
	return a.closeErr
}

// Run records until ctx ends or a part fails, then stops in order: polling,
// the last scans to the store and to disk, serve, the store. serve shows the
// data at address and runs until its own context ends; it may be nil. What hangs at the
// stop is left behind after StopBudget and named in the error (ErrLeftBehind); where a loop
// hangs before, the error wraps ErrHung. While
// Run runs, agent.json in the data directory says how to ask it.
func (a *Agent) Run(ctx context.Context, address string, serve func(ctx context.Context) error) error {
	remove, err := a.leaveInstance(a.site.Agent.DataDir, address)
	switch {
	case err == nil:
		defer remove()
	case a.refuge == nil:
		return errors.Join(err, a.Close())
	default:
		a.log.Warn("commands do not find this agent while the data directory takes nothing", "err", err)
	}
	a.tellStart()
	a.log.Log(ctx, oplog.Notice, "recording", "site", a.site.Name, "version", a.version, "address", address, "data", a.site.Agent.DataDir)
	p := a.startParts(ctx, serve)
	select {
	case <-ctx.Done():
	case err = <-p.failed:
		if !errors.Is(err, ErrDiskBack) {
			a.log.Error("stopping", "err", err)
		}
	}
	err = errors.Join(err, a.stop(p, err))
	a.log.Log(ctx, oplog.Notice, "recording has stopped")
	return err
}

// kept logs that something is not kept.
func (a *Agent) kept(err error, not string) {
	if err != nil {
		a.log.Error(not, "err", err)
	}
}

// tellStart keeps how the last run ended, that one begins, and under what site file
// and maps.
func (a *Agent) tellStart() {
	a.kept(a.tellRestart(), "how the last run ended is not kept")
	a.kept(a.note(kindStarted, "", "recording starts", map[string]string{
		"version": a.version, "site_hash": a.site.Hash, "pid": fmt.Sprint(os.Getpid())}), "event not kept")
	a.kept(a.tellSetup(), "what the site file and maps say is not kept")
	a.kept(a.endAlarms(), "that alarms are watched no more is not kept")
}
