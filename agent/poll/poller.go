package poll

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/pulse"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/textline"
)

// Sink takes scans. Offer never blocks and owns the scan; what happens when it
// cannot be taken is the sink's to count. It is called from one goroutine per
// line, several at a time.
type Sink interface {
	Offer(scan.Scan)
}

// Client reads from the units of one open line, one request at a time. Errors
// of Read are those of package modbus. Err returns nil while the Client can be
// used; the Poller looks at it after each exchange and opens the line anew.
type Client interface {
	Read(ctx context.Context, unit byte, req frame.ReadRequest, timeout time.Duration) (payload []byte, err error)
	Err() error
	Close() error
}

// TextClient asks over one open text line, one question at a time, or listens
// to it. Errors are those of package textline. Err is as in Client.
type TextClient interface {
	Ask(ctx context.Context, a *textline.Ask, timeout time.Duration) (text string, err error)
	Hear(ctx context.Context, f *textline.Format, until time.Time) (textline.Heard, error)
	Err() error
	Close() error
}

// conn is what Client and TextClient have in common.
type conn interface {
	Err() error
	Close() error
}

// Time tells the present and waits. It is called from one goroutine per line.
type Time interface {
	Now() time.Time
	// Wait waits until t or the end of ctx; false means that ctx has ended.
	Wait(ctx context.Context, t time.Time) bool
}

// Options are the seams of a Poller. The zero value polls real lines.
type Options struct {
	// Dial opens a line. It looks the port's name up anew at each call and
	// ends with ctx. nil: Dial of this package.
	Dial func(ctx context.Context, line *sitefile.Line) (Client, error)
	// DialText does the same for text lines. nil: DialText of this package.
	DialText func(ctx context.Context, line *sitefile.Line) (TextClient, error)
	// Listen opens a line with listen = true. nil: Listen of this package.
	Listen func(ctx context.Context, line *sitefile.Line) (Ears, error)
	// Clock stamps the scans. nil: a scan.SystemClock.
	Clock scan.Clock
	// Time is what lines that are asked wait by; it must be in step with Clock. nil: the
	// system's. Lines that are only listened to go by the system's in any case.
	Time Time
	// Log gets the first failure, one summary a minute, and the recovery. nil:
	// nothing is logged.
	Log *slog.Logger
	// OnLine and OnDevice are called when Up changes, and when it is known for
	// the first time. They must return soon and may be called from several
	// lines at once. nil: not called.
	OnLine   func(LineStatus)
	OnDevice func(DeviceStatus)
	// OnWedged is called when a line that hung was begun anew. It must return soon.
	// nil: not called.
	OnWedged func(Wedge)
	// Random gives numbers in [0, 1) for the pauses between attempts to open a
	// line. nil: math/rand.
	Random func() float64
}

// Poller polls all lines of a site.
type Poller struct {
	devices []string // the site's order
	renewed func(old *line) (*line, error)
	log     *slog.Logger
	wedged  func(Wedge)
	pulse   pulse.Pulse // of the watch over the lines

	mu    sync.RWMutex // protects the rest
	lines []*line
	stuck map[string]string // by line: why it cannot be begun anew
}

// New prepares the polling of groups, which are those of site's devices. What
// is imported from files is left out. It fails when a group does not fit its device's map, with an error that names
// device, channel and map.
func New(site *sitefile.Site, groups []*scan.Group, sink Sink, opts Options) (*Poller, error) {
	if opts.Dial == nil {
		opts.Dial = Dial
	}
	if opts.DialText == nil {
		opts.DialText = DialText
	}
	if opts.Listen == nil {
		opts.Listen = Listen
	}
	if opts.Clock == nil {
		opts.Clock = scan.NewSystemClock()
	}
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	p := &Poller{log: opts.Log, wedged: opts.OnWedged}
	p.renewed = func(old *line) (*line, error) { return newLine(site, old.site, groups, sink, opts) }
	for i := range site.Lines {
		if site.Lines[i].Kind == sitefile.FromFile {
			continue
		}
		l, err := newLine(site, &site.Lines[i], groups, sink, opts)
		if err != nil {
			return nil, err
		}
		p.lines = append(p.lines, l)
	}
	for i := range site.Devices {
		p.devices = append(p.devices, site.Devices[i].Name)
	}
	return p, nil
}

func newLine(site *sitefile.Site, sl *sitefile.Line, groups []*scan.Group, sink Sink, opts Options) (*line, error) {
	l := &line{
		site: sl, sink: sink, opts: opts, life: &life{running: new(atomic.Int32)},
		pauses:  pauses{random: opts.Random},
		trouble: trouble{log: opts.Log.With("line", sl.Name)},
		book: &book{onLine: opts.OnLine, onDevice: opts.OnDevice,
			status: LineStatus{Line: sl.Name, Detail: "not opened yet"}},
	}
	for i := range site.Devices {
		d := &site.Devices[i]
		if d.Line != sl.Name {
			continue
		}
		u := &unit{index: len(l.units), device: d, full: sl.Timeout, reading: "reading from " + d.Name,
			trouble: trouble{log: opts.Log.With("device", d.Name)}}
		var err error
		if u.verify, err = newVerifier(d, opts.Log); err != nil {
			return nil, fmt.Errorf("line %q: %w", sl.Name, err)
		}
		l.units = append(l.units, u)
		entry := deviceEntry{status: DeviceStatus{
			Device: d.Name, Line: sl.Name, Detail: "not asked yet", Errors: map[scan.Reason]uint64{}}}
		for _, g := range groups {
			if g.Device != d.Name {
				continue
			}
			reader, err := newReader(sl, d, g, opts.Log)
			if err != nil {
				return nil, fmt.Errorf("line %q: %w", sl.Name, err)
			}
			l.slots = append(l.slots, &slot{reader: reader, unit: u, period: time.Duration(g.PeriodMS) * time.Millisecond,
				index: len(entry.status.Groups)})
			entry.status.Groups = append(entry.status.Groups, GroupStatus{Name: g.Name, PeriodMS: g.PeriodMS})
		}
		l.book.devices = append(l.book.devices, entry)
	}
	if sl.Listen {
		var err error
		if l.heard, err = constantsOf(l.units); err != nil {
			return nil, fmt.Errorf("line %q: %w", sl.Name, err)
		}
	}
	return l, nil
}

// newReader prepares the reading of g over a line.
func newReader(sl *sitefile.Line, d *sitefile.Device, g *scan.Group, log *slog.Logger) (groupReader, error) {
	switch {
	case sl.Listen:
		return newOverheard(d, g)
	case sl.Kind != sitefile.Text:
		return newGroupPoller(sl, d, g, log)
	case d.Map != nil && d.Map.Text != nil && d.Map.Text.Listen:
		return newPrinted(d, g)
	}
	return NewTextPoller(d, g)
}

// Status returns how polling goes. It may be called at any time from any
// goroutine.
func (p *Poller) Status() Snapshot {
	var s Snapshot
	byName := make(map[string]DeviceStatus)
	for _, l := range p.current() {
		status, devices := l.book.read()
		s.Lines = append(s.Lines, status)
		for _, d := range devices {
			byName[d.Device] = d
		}
	}
	for _, name := range p.devices {
		if d, ok := byName[name]; ok {
			s.Devices = append(s.Devices, d)
		}
	}
	return s
}
