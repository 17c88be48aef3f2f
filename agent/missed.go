package agent

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/report"
	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// Missed is what a record lacks in a window, and how what it depends on stands: the
// answer of /api/v1/missed.
type Missed struct {
	From Stamp `json:"from"` // the window, cut to where there can be readings
	To   Stamp `json:"to"`
	// Devices are those of the site file that are polled or listened to.
	Devices []MissedDevice `json:"devices"`
	// Gaps are longest first, at most mostMissedGaps; GapsMore counts the others.
	Gaps     []MissedGap `json:"gaps"`
	GapsMore int64       `json:"gaps_more"`
	// Channels gave no good value though their devices were read, longest first, at
	// most mostMissedChannels; ChannelsMore counts the others.
	Channels     []MissedChannel `json:"channels"`
	ChannelsMore int64           `json:"channels_more"`
	Clock        MissedClock     `json:"clock"`
	Disk         MissedDisk      `json:"disk"`
	Evidence     MissedEvidence  `json:"evidence"`
	// Awake is left out of a stopped record.
	Awake *AwakeState `json:"awake,omitempty"`
	// Slept is what the computer slept in the window.
	Slept MissedSleep `json:"slept"`
	// Events are what happened to the record in the window, newest first, at most
	// mostMissedEvents; EventsMore counts the others.
	Events     []Event `json:"events"`
	EventsMore int64   `json:"events_more"`
	// Receivers are those to whom samples are sent on, as /api/v1/remote-write has them.
	Receivers []RemoteWrite `json:"receivers"`
	// ToDo is what to do about it, the most pressing first.
	ToDo []MissedToDo `json:"to_do"`
}

const (
	mostMissedGaps   = 100
	mostMissedEvents = 60
	// missedChannels are looked at of a device: if all of them were silent, it was.
	missedChannels = 6
)

// MissedDevice is how well a device was read.
type MissedDevice struct {
	Device string `json:"device"`
	Line   string `json:"line"`
	// Due is how many readings of its fastest poll group the window had room for, by the
	// periods that it had in it, Read how many there are of the channel that has most.
	// PeriodMS is the one at the window's end.
	Due       int64   `json:"due"`
	Read      int64   `json:"read"`
	ReadShare float64 `json:"read_share"`
	PeriodMS  int64   `json:"period_ms"`
	// Gaps counts those of a minute and more; GapS is their sum, LongestS the longest.
	Gaps     int64   `json:"gaps"`
	GapS     float64 `json:"gap_s"`
	LongestS float64 `json:"longest_s"`
	// Absent says why nothing is known; the other numbers are then zero.
	Absent string `json:"absent,omitempty"`
}

// MissedGap is a stretch in which a device was not read.
type MissedGap struct {
	Device string  `json:"device"`
	From   Stamp   `json:"from"`
	To     Stamp   `json:"to"`
	ForS   float64 `json:"for_s"`
	Reason string  `json:"reason"`
	Mend   string  `json:"mend"` // what to do, sentences
	// Open: it reaches to the end of the window.
	Open bool `json:"open"`
	// Counters are what the machine's own counters went on by meanwhile.
	Counters []MissedCounter `json:"counters"`
}

// MissedCounter bounds what happened in a gap: what a counter showed before and after.
type MissedCounter struct {
	Machine string  `json:"machine"`
	Role    string  `json:"role"`
	Channel string  `json:"channel"`
	Before  float64 `json:"before"`
	After   float64 `json:"after"`
	Change  float64 `json:"change"`
	Step    float64 `json:"step"` // the least that the counter shows
	Unit    string  `json:"unit"` // the map's
}

// MissedToDo is one thing to do.
type MissedToDo struct {
	About string `json:"about"` // sleep, device, channel, disk, backup, clock, store or receiver
	What  string `json:"what"`  // what is so, a sentence
	Mend  string `json:"mend"`  // what to do about it, sentences
}

// Missed tells what the record lacks in a window.
func (h *History) Missed(fromMS, toMS int64) (Missed, error) {
	stats := h.store.Stats()
	if stats.FreeBytes < 0 {
		if free, known := freeBytes(h.site.Agent.DataDir); known {
			stats.FreeBytes = free
		}
	}
	m, err := h.missed(fromMS, toMS, h.Now(), &stats)
	if err == nil {
		var sent RemoteWrites
		sent, err = h.RemoteWrites()
		m.Receivers = sent.Receivers
	}
	return m, err
}

// Missed is History's, up to the present, with how the recording stands.
func (a *Agent) Missed(fromMS, toMS int64) (Missed, error) {
	stats := a.store.Stats()
	if a.refuge != nil || stats.FreeBytes < 0 {
		if free, known := freeBytes(a.site.Agent.DataDir); known {
			stats.FreeBytes = free
		}
	}
	m, err := a.missed(fromMS, toMS, a.end(), &stats)
	if err != nil {
		return m, err
	}
	awake, st := a.Awake(), a.storeState()
	m.Awake = &awake
	sent, err := a.RemoteWrites()
	m.Receivers = sent.Receivers
	m.ToDo = slices.Concat(a.toDoNow(&awake, &st), receiversToDo(sent.Receivers), m.ToDo)
	return m, err
}

func (h *History) missed(fromMS, toMS int64, now time.Time, stats *store.Stats) (Missed, error) {
	fromMS, toMS = max(fromMS, h.store.RecordFrom()), min(toMS, now.UnixMilli())
	m := Missed{From: Stamp(fromMS), To: Stamp(max(fromMS, toMS)), Devices: []MissedDevice{}, Gaps: []MissedGap{}, Channels: []MissedChannel{}, Events: []Event{}, Receivers: []RemoteWrite{}, ToDo: []MissedToDo{},
		Clock: h.missedClock(), Disk: h.missedDisk(stats), Evidence: h.missedEvidence()}
	if fromMS < toMS && stats.NewestMS > 0 {
		if err := h.missedReadings(&m, fromMS, toMS); err != nil {
			return m, err
		}
	}
	if err := h.missedEvents(&m, fromMS, toMS); err != nil {
		return m, err
	}
	m.ToDo = h.toDo(&m)
	return m, nil
}

// missedReadings fills in devices and gaps.
func (h *History) missedReadings(m *Missed, fromMS, toMS int64) error {
	f := gapFinder{h: h, fromMS: fromMS, toMS: toMS, series: map[string]store.Series{}, runs: map[string][]analysis.Run{}}
	seen, err := h.seenOver(&f)
	if err != nil {
		return err
	}
	points := int(min((toMS-fromMS)/time.Minute.Milliseconds()+1, reportPoints))
	var ids []string
	for i := range h.site.Devices {
		d := &h.site.Devices[i]
		if !h.site.Polled(d.Name) {
			continue
		}
		one := MissedDevice{Device: d.Name, Line: d.Line, Absent: "nothing was ever read of it"}
		over, some, err := h.readOver(&f, d.Name, points)
		if err != nil {
			return err
		}
		if len(some) > 0 {
			over.Device, over.Line = d.Name, d.Line
			one = over
			if one.Due > 0 {
				one.ReadShare = float64(one.Read) / float64(one.Due)
			}
			ids = append(ids, some...)
		}
		m.Devices = append(m.Devices, one)
	}
	gaps := f.gaps(ids)
	h.missedChannels(m, seen, gaps)
	return h.missedGaps(m, gaps)
}

// readCounts counts the readings of some channels of a group over a stretch, those that
// a machine uses first; read is the count of the fullest. keep: their curves over the
// whole window are kept too.
func (h *History) readCounts(f *gapFinder, over asked, points int, keep bool) (ids []string, read int64, err error) {
	group := over.group
	channels := make([]*scan.Channel, len(group.Channels))
	for i := range group.Channels {
		channels[i] = &group.Channels[i]
	}
	slices.SortStableFunc(channels, func(a, b *scan.Channel) int {
		without := func(c *scan.Channel) int {
			if c.Role == "" {
				return 1
			}
			return 0
		}
		return cmp.Compare(without(a), without(b))
	})
	for _, c := range channels[:min(len(channels), missedChannels)] {
		s, err := h.store.Series(c.ID(), over.from, over.to, points)
		if errors.Is(err, store.ErrUnknown) {
			continue
		}
		if err != nil {
			return nil, 0, err
		}
		count := int64(0)
		for i := range s.Cells {
			count += int64(s.Cells[i].Count)
		}
		if whole := over.stretch == (stretch{f.fromMS, f.toMS}); keep && !whole {
			if s, err = h.store.Series(c.ID(), f.fromMS, f.toMS, points); err != nil {
				return nil, 0, err
			}
		}
		if keep {
			f.series[c.ID()] = s
		}
		ids, read = append(ids, c.ID()), max(read, count)
	}
	return ids, read, nil
}

// missedGaps fills in the gaps, and what they come to of each device.
func (h *History) missedGaps(m *Missed, gaps []deviceGap) error {
	for i := range gaps {
		g := &gaps[i]
		k := slices.IndexFunc(m.Devices, func(d MissedDevice) bool { return d.Device == g.device })
		if k < 0 {
			continue // not polled
		}
		d := &m.Devices[k]
		forS := float64(g.silentMS) / 1000
		d.Gaps, d.GapS, d.LongestS = d.Gaps+1, d.GapS+forS, max(d.LongestS, forS)
		if len(m.Gaps) == mostMissedGaps {
			m.GapsMore++
			continue
		}
		one := MissedGap{Device: g.device, From: Stamp(g.from), To: Stamp(g.to), ForS: forS, Reason: g.why, Mend: mendOf(g.why),
			Open: g.to >= int64(m.To), Counters: []MissedCounter{}}
		if !one.Open {
			var err error
			if one.Counters, err = h.countersOver(g); err != nil {
				return err
			}
		}
		m.Gaps = append(m.Gaps, one)
	}
	return nil
}

// missedEvents fills in what happened to the record.
func (h *History) missedEvents(m *Missed, fromMS, toMS int64) error {
	all, err := h.eventsWhere(fromMS, toMS, 0, func(e *store.Event) bool { return slices.Contains(report.RecordKinds, e.Kind) })
	if err != nil {
		return fmt.Errorf("events: %w", err)
	}
	for i := len(all) - 1; i >= 0; i-- {
		e := &all[i]
		switch e.Kind {
		case "computer_slept":
			m.Slept.Times++
			m.Slept.ForS += numberIn(e, "slept_ms") / 1000
		case "clock_step":
			m.Clock.Steps++
			m.Clock.LargestStepS = max(m.Clock.LargestStepS, max(numberIn(e, "step_ms"), -numberIn(e, "step_ms"))/1000)
		}
		if len(m.Events) == mostMissedEvents {
			m.EventsMore++
			continue
		}
		m.Events = append(m.Events, EventOf(*e))
	}
	return nil
}
