package agent

import (
	"cmp"
	"fmt"
	"slices"
	"sync"
	"time"

	"loadscribe/agent/alarm"
	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/agent/transfer"
)

const kindAlarm = "alarm"

// How often kinds are looked at that are not seen in scans. The fast ones are looked
// at every alarmLook; that long without a look is no gap yet.
const (
	alarmLook       = 2 * time.Second
	fastEveryMS     = 20_000
	cyclingEveryMS  = 60_000
	dailyEveryMS    = 15 * 60_000 // what changes by the day: service, calibration
	quietEveryMS    = 3_600_000
	slowAlarmsPause = time.Minute // at a start, whose work comes first
)

func alarmEveryMS(kind sitefile.AlarmKind) int64 {
	switch kind {
	case sitefile.AlarmCycling:
		return cyclingEveryMS
	case sitefile.AlarmService, sitefile.AlarmCalibration:
		return dailyEveryMS
	case sitefile.AlarmQuiet:
		return quietEveryMS
	}
	return fastEveryMS
}

// alarms are the rules of a site while it records.
type alarms struct {
	mu     sync.Mutex // protects engine and what follows it
	engine *alarm.Engine
	// clock steps make counts by the wall clock unsure until then, monotonic.
	clockOffMS   int64
	clockKnown   bool
	unsureUntil  int64
	inScans      map[*scan.Group][]alarmInScan // fixed
	byKind       map[sitefile.AlarmKind][]*alarm.Point
	ended        []alarm.Record // of rules that are gone; told at the start
	out          chan alarm.Record
	outLost      int
	shifts       shiftDay         // for who holds mu
	lastUnseenMS map[string]int64 // machine: when its state was last not known, monotonic
}

// alarmInScan is a point with the place of its channel in a scan.
type alarmInScan struct {
	point   *alarm.Point
	in      int
	channel *scan.Channel
	unit    quantity.Unit
	minusPa float64  // an absolute pressure is judged as gauge
	fault   *watched // of a fault code, else nil
}

// outAlarms bounds the alarms that wait to be handed to the messages.
const outAlarms = 256

// newAlarms makes the alarms of a site from what is stored of them.
func (h *History) newAlarms(w *watch, nowMS int64) (*alarms, error) {
	history, err := h.alarmRecords()
	if err != nil {
		return nil, err
	}
	a := &alarms{inScans: map[*scan.Group][]alarmInScan{}, byKind: map[sitefile.AlarmKind][]*alarm.Point{}, out: make(chan alarm.Record, outAlarms),
		lastUnseenMS: map[string]int64{}, shifts: shiftDay{site: h.site}}
	a.engine, a.ended = alarm.New(h.site, h.alarmSources(w), history, nowMS)
	points := map[string][]*alarm.Point{}
	for _, r := range a.engine.Rules() {
		for _, p := range r.Points {
			if p.Channel == "" {
				a.byKind[r.On] = append(a.byKind[r.On], p)
			} else {
				points[p.Channel] = append(points[p.Channel], p)
			}
		}
	}
	for _, g := range h.groups {
		for i := range g.Channels {
			c := &g.Channels[i]
			for _, p := range points[c.ID()] {
				seen := alarmInScan{point: p, in: i, channel: c, fault: w.faultAt(g, i)}
				if unit, err := quantity.ParseUnit(c.Unit); err == nil { // a unit of a checked map always parses
					seen.unit = unit
				}
				if seen.unit.Absolute && p.Unit == "kPa" {
					seen.minusPa = h.site.BarometerPa
				}
				a.inScans[g] = append(a.inScans[g], seen)
			}
		}
	}
	return a, nil
}

// alarmRecords are what is stored of alarms, in the order in which it was stored.
func (h *History) alarmRecords() ([]alarm.Record, error) {
	kept, err := h.eventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == kindAlarm })
	if err != nil {
		return nil, fmt.Errorf("read past alarms: %w", err)
	}
	slices.SortFunc(kept, func(x, y store.Event) int { return cmp.Compare(x.Seq, y.Seq) })
	var all []alarm.Record
	for i := range kept {
		if r, ok := alarm.RecordOf(kept[i].WallMS, kept[i].Data); ok {
			all = append(all, r)
		}
	}
	return all, nil
}

// alarmSources tells the rules where what they watch comes from. w may be nil.
func (h *History) alarmSources(w *watch) alarm.Sources {
	groups := h.groups
	if groups == nil {
		groups = sitefile.Groups(h.site)
	}
	gaps := map[string]int64{}
	for _, g := range groups {
		if h.site.Polled(g.Device) {
			for i := range g.Channels {
				gaps[g.Channels[i].ID()] = g.GapMS()
			}
		}
	}
	src := alarm.Sources{
		Tap:      analysis.PressureTap,
		GapMS:    func(channel string) int64 { return gaps[channel] },
		BridgeMS: analysis.LowBridgeMS, EveryMS: alarmEveryMS,
	}
	if w == nil {
		w = newWatch(h.site, groups, nil, 0)
	}
	for _, g := range groups {
		for _, x := range w.groups[g] {
			if x.fault {
				src.Faults = append(src.Faults, alarm.FaultChannel{Channel: x.channel.ID(), Subject: x.subject, Device: x.channel.Device})
			}
		}
	}
	return src
}

// faultAt is the fault code at a place of a group's scans; nil where none is.
func (w *watch) faultAt(g *scan.Group, in int) *watched {
	for _, x := range w.groups[g] {
		if x.fault && x.in == in {
			return x
		}
	}
	return nil
}

// seeAlarms judges what a scan shows. It is for show: it waits for nothing but
// who asks what stands, and allocates nothing while nothing happens.
func (a *Agent) seeAlarms(s *scan.Scan) {
	list := a.alarms.inScans[s.Group]
	if len(list) == 0 {
		return
	}
	a.alarms.mu.Lock()
	defer a.alarms.mu.Unlock()
	for i := range list {
		sight := a.alarms.sight(&list[i], s)
		a.alarmsHappened(a.alarms.engine.See(list[i].point, &sight))
	}
}

// seeScan judges what a scan shows, of a Recorder.
func (l *alarms) seeScan(s *scan.Scan) (records []alarm.Record) {
	for i := range l.inScans[s.Group] {
		sight := l.sight(&l.inScans[s.Group][i], s)
		records = append(records, l.engine.See(l.inScans[s.Group][i].point, &sight)...)
	}
	return records
}

// shiftDay is when nobody works on a local day.
type shiftDay struct {
	site   *sitefile.Site
	day    time.Time
	off    [24 * 60]bool
	filled bool
}

// offShift reports whether nobody works by the site file at a wall time.
func (d *shiftDay) offShift(wallMS int64) bool {
	at := time.UnixMilli(wallMS).In(d.site.Location)
	if year, month, day := at.Date(); !d.filled || year != d.day.Year() || month != d.day.Month() || day != d.day.Day() {
		d.day, d.off, d.filled = at, d.site.OffShiftOn(at), true
	}
	return d.off[at.Hour()*60+at.Minute()]
}

// sight is what a scan shows of a point, whose rule may not count outside the shifts.
func (l *alarms) sight(x *alarmInScan, s *scan.Scan) alarm.Sight {
	v := x.sight(s)
	if x.point.Rule.InShifts && v.Verdict == alarm.Bad && l.shifts.offShift(s.WallMS) {
		v.Verdict, v.Why = alarm.Fine, "the shift is over"
	}
	return v
}

// sight is what a scan shows of a point.
func (x *alarmInScan) sight(s *scan.Scan) alarm.Sight {
	v := alarm.Sight{MonoMS: s.MonoMS, WallMS: s.WallMS}
	raw, ok := s.Get(x.in)
	if !ok {
		v.Why = s.ReasonOf(x.in).String()
		return v
	}
	v.Seen = true
	if x.fault != nil {
		v.Of = int64(x.channel.Kind.Counts(raw))
		if v.Verdict = alarm.Fine; v.Of != 0 {
			v.Verdict, v.Why = alarm.Bad, x.fault.faultText(v.Of)
		}
		return v
	}
	v.Value = x.unit.ToSI(transfer.Value(x.channel, raw)) - x.minusPa
	v.Verdict = x.point.Limit.Judge(v.Value)
	return v
}

// alarmsHappened keeps records and hands on those that are to be told. alarms.mu is
// held, so that the store gets them in the order of the book.
func (a *Agent) alarmsHappened(records []alarm.Record) {
	for i := range records {
		r := &records[i]
		a.queueEvent(a.alarmEvent(r))
		if r.Told && (r.State == alarm.Raised || r.State == alarm.Returned) {
			a.handOn(r)
		}
	}
	if len(records) > 0 {
		a.tell(kindAlarm, nil)
	}
}

// handOn gives a record to the messages without waiting.
func (a *Agent) handOn(r *alarm.Record) {
	if a.messages == nil {
		return
	}
	select {
	case a.alarms.out <- *r:
	default:
		if a.alarms.outLost++; a.alarms.outLost == 1 {
			a.log.Error("no room for messages of alarms: some are not sent; the history has them", "rule", r.Rule, "subject", r.Subject)
		}
	}
}

// alarmEvent is a record as it is stored.
func (h *History) alarmEvent(r *alarm.Record) store.Event {
	e := store.Event{WallMS: r.AtMS, MonoMS: r.MonoMS, Kind: kindAlarm, Subject: r.Subject, Text: r.Text(h.site.Location), Data: r.Data()}
	if r.On == string(sitefile.AlarmDisk) || r.On == string(sitefile.AlarmUndelivered) {
		e.Subject = "" // no part of the site
	}
	return e
}

// endAlarms keeps, at a start, that alarms stand no more whose rule is gone.
func (a *Agent) endAlarms() error {
	for i := range a.alarms.ended {
		e, err := a.store.AppendEvent(a.alarmEvent(&a.alarms.ended[i]))
		if err != nil {
			return err
		}
		a.tell("event", EventOf(e))
	}
	a.alarms.ended = nil
	return nil
}
