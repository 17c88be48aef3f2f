package agent

import (
	"cmp"
	"slices"
	"strconv"
	"time"

	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// Fault is what one fault code did in a window.
type Fault struct {
	Subject string `json:"subject"` // the machine, or the device where it is none's
	Channel string `json:"channel"`
	Code    string `json:"code"`
	Text    string `json:"text"`  // from the register map; empty where it has none
	Times   int64  `json:"times"` // times it came in the window
	// First and Last are when it first and last came in the window; null where
	// it had come before and was still on.
	First Stamp `json:"first"`
	Last  Stamp `json:"last"`
	// OnS is how long it was on in the window, from reading to reading;
	// UnseenS of these nobody read the code.
	OnS     float64 `json:"on_s"`
	UnseenS float64 `json:"unseen_s"`
	On      bool    `json:"on"` // still, at the end of the window
	// Came lists when it was on in the window, the latest first, mostCame at most.
	Came []FaultCame `json:"came"`
}

// FaultCame is one time that a fault was on. One that the window cuts is told
// whole.
type FaultCame struct {
	From Stamp `json:"from"`
	To   Stamp `json:"to"` // null while it is on
}

// mostCame of a fault are listed; the events have them all.
const mostCame = 50

// Faults tells of each fault code that came or was on in the window, the
// latest first. It is made of the same events that tell of each fault.
func (h *History) Faults(fromMS, toMS int64) ([]Fault, error) { return h.faults(fromMS, toMS, h.Now()) }

// Faults is History's, up to the present.
func (a *Agent) Faults(fromMS, toMS int64) ([]Fault, error) { return a.faults(fromMS, toMS, a.end()) }

func (h *History) faults(fromMS, toMS int64, now time.Time) ([]Fault, error) {
	events, err := h.eventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == kindFault })
	if err != nil {
		return nil, err
	}
	slices.SortFunc(events, func(x, y store.Event) int { return cmp.Compare(x.Seq, y.Seq) })
	b := faultBook{from: fromMS, to: toMS, now: now.UnixMilli(), site: h.site, segments: h.segments(), on: map[string]*faultSpan{}, faults: map[faultKey]*Fault{}}
	for i := range events {
		b.take(&events[i])
	}
	for channel := range b.on {
		b.end(channel, nil)
	}
	all := []Fault{}
	for _, f := range b.faults {
		slices.Reverse(f.Came)
		f.Came = f.Came[:min(len(f.Came), mostCame)]
		all = append(all, *f)
	}
	slices.SortFunc(all, func(x, y Fault) int {
		return cmp.Or(cmp.Compare(y.Last, x.Last), cmp.Compare(x.Channel, y.Channel), cmp.Compare(x.Code, y.Code))
	})
	return all, nil
}

type faultKey struct{ channel, code string }

// faultSpan is a fault that is on.
type faultSpan struct {
	begin  *store.Event
	unseen int64 // ms
}

// faultBook counts fault events in the order in which they came: a label may be
// of a clock that was wrong. A channel shows one code at a time: another code
// ends the one before.
type faultBook struct {
	from, to int64
	now      int64 // what is on is on until then
	site     *sitefile.Site
	segments []store.Segment
	on       map[string]*faultSpan // by channel
	faults   map[faultKey]*Fault
}

func (b *faultBook) take(e *store.Event) {
	channel := e.Data["channel"]
	if s := b.on[channel]; s != nil {
		s.unseen += milliseconds(e.Data["unseen_s"])
	}
	b.end(channel, e)
	if e.Data["state"] != "raised" {
		return
	}
	b.on[channel] = &faultSpan{begin: e}
	if e.WallMS >= b.from && e.WallMS < b.to {
		f := b.fault(e)
		f.Times++
		f.Last = Stamp(e.WallMS)
		f.First = cmp.Or(f.First, f.Last)
	}
}

func milliseconds(seconds string) int64 {
	s, err := strconv.ParseFloat(seconds, 64)
	if err != nil {
		return 0 // events of earlier versions do not say it
	}
	return int64(s * 1000)
}

// end ends the fault that is on with the event that ends it, nil where nothing
// has yet.
func (b *faultBook) end(channel string, with *store.Event) {
	s := b.on[channel]
	delete(b.on, channel)
	if s == nil {
		return
	}
	lasted, seen := int64(0), int64(0)
	for _, p := range onTime(s.begin, with, min(b.to, b.now), b.segments) {
		lasted += p.to - p.from
		seen += max(min(p.to, b.to)-max(p.from, b.from), 0)
	}
	still := s.begin.WallMS < b.to && (with == nil || with.WallMS >= b.to)
	if seen == 0 && !still {
		return
	}
	f := b.fault(s.begin)
	f.On = still
	came := FaultCame{From: Stamp(s.begin.WallMS)}
	if !still {
		came.To = Stamp(with.WallMS)
	}
	f.Came = append(f.Came, came)
	f.OnS += float64(seen) / 1000
	if lasted > 0 && !still { // of a fault that the window cuts, the share that lies inside
		f.UnseenS += float64(s.unseen) / 1000 * float64(seen) / float64(lasted)
	}
}

func (b *faultBook) fault(e *store.Event) *Fault {
	key := faultKey{e.Data["channel"], e.Data["code"]}
	f := b.faults[key]
	if f == nil {
		f = &Fault{Subject: e.Subject, Channel: key.channel, Code: key.code, Came: []FaultCame{}}
		b.faults[key] = f
	}
	if f.Text = cmp.Or(e.Data["text"], f.Text); f.Text == "" {
		f.Text = b.mapText(key) // of an event of an earlier version
	}
	return f
}

func (b *faultBook) mapText(key faultKey) string {
	code, err := strconv.ParseInt(key.code, 10, 64)
	_, c, ok := b.site.Channel(key.channel)
	if err != nil || !ok {
		return ""
	}
	return c.Faults[code]
}
