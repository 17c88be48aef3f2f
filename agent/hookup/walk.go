package hookup

import (
	"errors"
	"fmt"
	"slices"
	"sync"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Step is what the person lets the machine do.
type Step string

// The steps, in their order.
const (
	Stopped       Step = "stopped"
	Unloaded      Step = "unloaded"
	Loaded        Step = "loaded"
	UnloadedAgain Step = "unloaded_again"
)

// Steps lists the steps in the order of the walk.
func Steps() []Step { return []Step{Stopped, Unloaded, Loaded, UnloadedAgain} }

const (
	// WindowMS is how much of a step is averaged at least.
	WindowMS = 20_000
	// limitMS is how long a step may take to settle: blow-down takes tens of
	// seconds, an oil that warms up minutes.
	limitMS = 300_000
	// By how much the halves of a settled window may differ, beside what
	// scatters. One that blows down sheds more than that in ten seconds; one
	// that fills a small receiver draws some percent more in that time (10 psi
	// are 5 % of power), and may not have long.
	settledShare       = 0.05
	settledShareLoaded = 0.15
)

// ErrRefused is wrapped by errors about what the person asked for.
var ErrRefused = errors.New("hook-up check")

// ErrNoMachine is wrapped when a machine is not in the site file.
var ErrNoMachine = errors.New("no such machine")

// wanted are the roles a walk looks at.
func wanted() []scan.Role {
	return []scan.Role{scan.MotorRunning, scan.Loaded, scan.MotorCurrent, scan.VoltageAB, scan.VoltageBC, scan.VoltageCA,
		scan.Power, scan.PowerFactor, scan.ApparentPower, scan.DischargePressure}
}

// channel is where a role's values come from.
type channel struct {
	role   scan.Role
	group  *scan.Group
	index  int
	id     string
	device string
	unit   quantity.Unit
}

// Walk is one machine's hook-up check.
type Walk struct {
	machine  sitefile.Machine
	channels []channel // in the order of wanted

	mu      sync.Mutex // protects what follows
	results map[Step]*result
	window  *window // nil while the person is awaited
	fromMS  int64   // monotonic, of the step's beginning
	nowMS   int64
	detail  string // what hinders, or why the step is to be done again
	told    bool   // Conclusion has given this walk's
}

// result is what a step has given.
type result struct {
	skipped  bool
	readings map[scan.Role]Reading
}

// New makes the walk of a machine of the site. groups are those the scans point
// to. The error wraps ErrNoMachine, or ErrRefused where the machine has no
// channel to look at.
func New(site *sitefile.Site, machine string, groups []*scan.Group) (*Walk, error) {
	at := slices.IndexFunc(site.Machines, func(m sitefile.Machine) bool { return m.Name == machine })
	if at < 0 {
		return nil, fmt.Errorf("machine %q: %w in the site file", machine, ErrNoMachine)
	}
	w := &Walk{machine: site.Machines[at], results: map[Step]*result{}}
	for _, role := range wanted() {
		id := w.machine.Roles[role]
		device, name, ok := scan.SplitID(id)
		if !ok {
			continue
		}
		for _, g := range groups {
			i := g.Index(name)
			if g.Device != device || i < 0 {
				continue
			}
			unit, err := quantity.ParseUnit(g.Channels[i].Unit)
			if err != nil {
				return nil, fmt.Errorf("channel %s: %w", id, err)
			}
			w.channels = append(w.channels, channel{role: role, group: g, index: i, id: id, device: device, unit: unit})
		}
	}
	if len(w.channels) == 0 {
		return nil, fmt.Errorf("%w: machine %q has no channel with the role of a bit, current, voltage, power or pressure: "+
			"give the channels of its map a role, or list them under roles in the site file", ErrRefused, machine)
	}
	return w, nil
}

// Machine is the machine's name.
func (w *Walk) Machine() string { return w.machine.Name }

// next is the first step without a result; ok is false when all have one.
func (w *Walk) next() (step Step, ok bool) {
	for _, s := range Steps() {
		if w.results[s] == nil {
			return s, true
		}
	}
	return "", false
}

// Begin says that the machine now does what step says. nowMS is the monotonic
// time of the scans' clock; scans up to then do not count. A step that has been
// done is done again, with those after it. With skip the step is left out;
// unloaded and loaded cannot be. The error wraps ErrRefused.
func (w *Walk) Begin(step Step, skip bool, nowMS int64) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	at := slices.Index(Steps(), step)
	if at < 0 {
		return fmt.Errorf("%w: step %q is unknown; the steps are stopped, unloaded, loaded, unloaded_again", ErrRefused, step)
	}
	next, more := w.next()
	if more && at > slices.Index(Steps(), next) {
		return fmt.Errorf("%w: %s comes before %s", ErrRefused, next, step)
	}
	if skip && (step == Unloaded || step == Loaded) {
		return fmt.Errorf("%w: %s cannot be left out: nothing can be judged without it", ErrRefused, step)
	}
	for _, s := range Steps()[at:] {
		delete(w.results, s)
	}
	w.detail, w.window, w.told = "", nil, false
	if skip {
		w.results[step] = &result{skipped: true}
		return nil
	}
	w.window = newWindow(w.channels, step)
	w.fromMS, w.nowMS = nowMS, nowMS
	return nil
}

// Observe takes the next scan. It keeps nothing of s.
func (w *Walk) Observe(s *scan.Scan) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.window == nil || s.MonoMS <= w.fromMS {
		return
	}
	w.nowMS = max(w.nowMS, s.MonoMS)
	w.window.add(w.channels, s)
	readings, state, detail := w.window.judge(w.channels, w.nowMS)
	step, _ := w.next()
	switch {
	case state == complete:
		w.results[step] = &result{readings: readings}
		w.window, w.detail = nil, ""
	case state == changed:
		w.window, w.detail = nil, detail
	case w.nowMS-w.fromMS > limitMS:
		w.window = nil
		w.detail = fmt.Sprintf("nothing settled in %d min: %s; do this step again", limitMS/60_000, detail)
	default:
		w.detail = detail
	}
}

// Mean returns a role's mean of a step, in SI; ok is false where there is none.
func (w *Walk) Mean(step Step, role scan.Role) (r Reading, ok bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.results[step] == nil {
		return Reading{}, false
	}
	r, ok = w.results[step].readings[role]
	return r, ok
}

// Conclusion returns the finished walk's report once; ok is false before and
// after.
func (w *Walk) Conclusion() (r Report, ok bool) {
	w.mu.Lock()
	_, more := w.next()
	ok = !more && !w.told
	w.told = w.told || ok
	w.mu.Unlock()
	if ok {
		r = w.Report()
	}
	return r, ok
}
