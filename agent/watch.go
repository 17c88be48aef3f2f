package agent

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/agent/transfer"
)

// The kinds of event that a watch makes.
const (
	kindFault          = "fault"
	kindCounterReset   = "counter_reset"
	kindCounterWrapped = "counter_wrapped"
)

// watch turns what fault codes and counters do into events: a fault that comes
// or goes, a counter that wraps or begins anew. It is for the writer's
// goroutine.
type watch struct {
	location *time.Location
	groups   map[*scan.Group][]*watched
	faults   map[string]*faultRecord // by channel id and code
}

// watched is one channel with its last good reading.
type watched struct {
	in         int // place in the scan
	channel    *scan.Channel
	subject    string // the machine, or the device where it is none's
	fault      bool   // a code; else a counter
	texts      map[int64]string
	modulus    int64
	countS     float64 // seconds that a count stands for, of an hour meter; else 0
	has        bool
	raw        int64
	mono       int64
	here       bool  // read in this run: mono and raisedMono are of its clock
	raisedMS   int64 // wall time at which the fault that is on came
	raisedMono int64 // likewise, if it came in this run
	raisedHere bool
	unseenMS   int64 // of the time since then nobody read the code
	seenMS     int64 // wall time of the last good reading, of an earlier start too
}

// faultRecord is how often a fault came, and when it last did.
type faultRecord struct {
	times  int
	lastMS int64
}

// newWatch watches the counters and fault codes of groups. past are events
// kept earlier, in the order of their numbers: a wall time may be of a clock
// that was not set; newestMS is when the last scan of the past was.
func newWatch(site *sitefile.Site, groups []*scan.Group, past []store.Event, newestMS int64) *watch {
	w := &watch{location: site.Location, groups: map[*scan.Group][]*watched{}, faults: map[string]*faultRecord{}}
	machines, roles := map[string]string{}, map[string]scan.Role{}
	for i := range site.Machines {
		for role, id := range site.Machines[i].Roles {
			machines[id], roles[id] = site.Machines[i].Name, role
		}
	}
	byID := map[string]*watched{}
	for _, g := range groups {
		for i := range g.Channels {
			c := &g.Channels[i]
			_, mc, ok := site.Channel(c.ID())
			role := cmp.Or(roles[c.ID()], c.Role)
			isFault := role == scan.FaultCode || ok && mc.Faults != nil
			if !ok || !isFault && !role.Counter() {
				continue
			}
			x := &watched{in: i, channel: c, subject: cmp.Or(machines[c.ID()], c.Device), fault: isFault,
				texts: mc.Faults, modulus: mc.Modulus(), countS: countS(c), has: isFault, seenMS: newestMS}
			w.groups[g] = append(w.groups[g], x)
			byID[c.ID()] = x
		}
	}
	for i := range past {
		w.recall(byID, &past[i])
	}
	return w
}

// watch watches what the site records from now on.
func (h *History) watch() (*watch, error) {
	past, err := h.store.EventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == kindFault })
	if err != nil {
		return nil, fmt.Errorf("read past faults: %w", err)
	}
	slices.SortFunc(past, func(x, y store.Event) int { return cmp.Compare(x.Seq, y.Seq) })
	return newWatch(h.site, h.groups, past, h.store.Present().NewestMS), nil
}

// recall takes a fault of the past into account.
func (w *watch) recall(byID map[string]*watched, e *store.Event) {
	x := byID[e.Data["channel"]]
	code, err := strconv.ParseInt(e.Data["code"], 10, 64)
	if e.Kind != kindFault || x == nil || !x.fault || err != nil {
		return
	}
	x.raw = 0
	if e.Data["state"] == "raised" {
		w.record(x, code, e.WallMS)
		x.raw, x.raisedMS = code, e.WallMS
	}
}

// record notes that a fault came, and returns what was known of it before.
func (w *watch) record(x *watched, code, wallMS int64) faultRecord {
	key := fmt.Sprintf("%s %d", x.channel.ID(), code)
	r := w.faults[key]
	if r == nil {
		r = &faultRecord{}
		w.faults[key] = r
	}
	before := *r
	r.times++
	r.lastMS = wallMS
	return before
}

// step returns the events that a scan tells of.
func (w *watch) step(s *scan.Scan) []store.Event {
	var events []store.Event
	for _, x := range w.groups[s.Group] {
		raw, ok := s.Get(x.in)
		if !ok {
			continue
		}
		if x.fault {
			raw = int64(x.channel.Kind.Counts(raw)) // a code in a text has digits
		}
		if x.fault && x.raw != 0 {
			if since := x.notReadMS(s); since > s.Group.GapMS() {
				x.unseenMS += since
			}
		}
		var e store.Event
		switch {
		case x.fault && raw != x.raw:
			e = w.faultEvent(x, raw, s)
		case !x.fault && x.has:
			e = counterEvent(x, raw, s.MonoMS-x.mono)
		}
		if e.Kind != "" {
			e.WallMS, e.MonoMS, e.Subject = s.WallMS, s.MonoMS, x.subject
			e.Data["channel"] = x.channel.ID()
			events = append(events, e)
		}
		x.has, x.here, x.raw, x.mono, x.seenMS = true, true, raw, s.MonoMS, s.WallMS
	}
	return events
}

// notReadMS is how long a code that is on was not read before s. Before this
// run there is only the wall clock to go by.
func (x *watched) notReadMS(s *scan.Scan) int64 {
	if x.here {
		return s.MonoMS - x.mono
	}
	return s.WallMS - max(x.seenMS, x.raisedMS)
}

// onFor says how long the fault was on that ends with s.
func (x *watched) onFor(s *scan.Scan) string {
	lasted := s.WallMS - x.raisedMS
	if x.raisedHere {
		lasted = s.MonoMS - x.raisedMono
	}
	if lasted < 0 {
		return "a time that is not known, since the clock was set back"
	}
	return spoken(lasted)
}

// faultEvent says that a code has changed to raw: a fault came or went.
func (w *watch) faultEvent(x *watched, raw int64, s *scan.Scan) store.Event {
	if raw == 0 {
		return store.Event{Kind: kindFault, Text: fmt.Sprintf("%s: cleared after %s", x.faultText(x.raw), x.onFor(s)), Data: x.faultData("cleared", x.raw)}
	}
	before := w.record(x, raw, s.WallMS)
	e := store.Event{Kind: kindFault, Data: x.faultData("raised", raw)}
	e.Data["before"], e.Data["times"] = strconv.FormatInt(x.raw, 10), strconv.Itoa(before.times+1)
	x.raisedMS, x.raisedMono, x.raisedHere = s.WallMS, s.MonoMS, true
	if before.times == 0 {
		e.Text = x.faultText(raw) + ": for the first time on record"
		return e
	}
	e.Data["last"] = Stamp(before.lastMS).String()
	e.Text = fmt.Sprintf("%s: %d times on record, before this at %s", x.faultText(raw), before.times+1,
		time.UnixMilli(before.lastMS).In(w.location).Format("2006-01-02 15:04"))
	return e
}

// faultData is what an event says of a code beside its sentence: the map's text
// for it, and of the code that ends here, how long nobody read it.
func (x *watched) faultData(state string, code int64) map[string]string {
	data := map[string]string{"state": state, "code": strconv.FormatInt(code, 10)}
	if text := x.texts[code]; text != "" {
		data["text"] = text
	}
	if x.unseenMS > 0 {
		data["unseen_s"] = strconv.FormatFloat(float64(x.unseenMS)/1000, 'f', -1, 64)
	}
	x.unseenMS = 0
	return data
}

// faultText is a code in words.
func (x *watched) faultText(code int64) string {
	if text := x.texts[code]; text != "" {
		return fmt.Sprintf("%s (code %d)", text, code)
	}
	return fmt.Sprintf("fault code %d", code)
}

// counterEvent says what is odd about a counter that went to raw within
// elapsedMS; its kind is empty where nothing is, which is decided before any
// words are made: it is asked of each counter of each scan.
func counterEvent(x *watched, raw, elapsedMS int64) store.Event {
	c := x.channel
	fell := c.Kind.Counts(raw) < c.Kind.Counts(x.raw)
	if !fell && !x.fasterThanTime(raw, elapsedMS) {
		return store.Event{}
	}
	before, after := reading(c, x.raw), reading(c, raw)
	e := store.Event{Kind: kindCounterReset, Data: map[string]string{"before": before, "after": after}}
	switch {
	case !fell:
		e.Text = fmt.Sprintf("%s went from %s to %s within %s, faster than time: it was set by hand, or the device was changed",
			c.ID(), before, after, (time.Duration(elapsedMS) * time.Millisecond).Round(time.Second))
	case c.Kind == scan.KindInt && analysis.CounterFall(x.raw, raw, x.modulus) == analysis.Wrapped:
		e.Kind = kindCounterWrapped
		e.Text = fmt.Sprintf("%s went over the end of its register, from %s to %s: figures count across it", c.ID(), before, after)
	default:
		e.Text = fmt.Sprintf("%s fell from %s to %s: the device was restarted, reset or changed; what it counted meanwhile is not known",
			c.ID(), before, after)
	}
	return e
}

// reading is a raw value with its unit.
func reading(c *scan.Channel, raw int64) string {
	text := string(transfer.AppendValue(nil, c, raw))
	if c.Unit != "1" {
		text += " " + c.Unit
	}
	return text
}

// fasterThanTime reports whether an hour meter that goes to raw has counted more
// than the time that passed. Two counts and a twentieth are allowed for: a meter
// that counts whole hours steps by one.
func (x *watched) fasterThanTime(raw, elapsedMS int64) bool {
	k := x.channel.Kind
	rose := (k.Counts(raw) - k.Counts(x.raw)) * x.countS
	return x.countS > 0 && rose > 1.05*float64(elapsedMS)/1000+2*x.countS
}

// countS is how many seconds a count of the channel stands for; 0 where it
// counts no time.
func countS(c *scan.Channel) float64 {
	unit, err := quantity.ParseUnit(c.Unit)
	if err != nil || unit.Dimension != quantity.Duration {
		return 0
	}
	return c.Scale * unit.Scale
}
