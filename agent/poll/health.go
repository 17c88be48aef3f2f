package poll

import (
	"maps"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/scan"
)

// LineHealth is what the requests on one line came to since polling began. It
// shares nothing with the Poller.
type LineHealth struct {
	Line string
	// Busy is the part of the last BusyOver, at most a minute, in which a request
	// was under way; a line that is only listened to is never busy.
	Busy, BusyOver time.Duration
	// Reopened counts how often the port was opened again after the first time.
	Reopened, Missed uint64
	// Wire is what the framing saw, over all openings; nil where it does not
	// count: text lines.
	Wire *WireHealth
	// Heard is set on a line that is only listened to, since it was last opened.
	Heard   *modbus.ListenStats
	Devices []DeviceHealth
}

// WireHealth is what came unasked.
type WireHealth struct {
	// Discarded counts bytes that came unasked and were dropped before a request,
	// Overflow those for which there was no room.
	Discarded, Overflow uint64
	// Echo is true when our own requests were last seen to come back.
	Echo bool
}

// DeviceHealth is what the requests to one device came to.
type DeviceHealth struct {
	Device string
	// Requests is the sum of Answers and Failures. What the device refused is a
	// failure with the reason Exception.
	Requests, Answers uint64
	Failures          map[scan.Reason]uint64
	// Retries counts those of the requests that asked the same once more.
	Retries uint64
	// Replies tells how long answers took, refusals included; Replies.Count is 0
	// where none came.
	Replies Replies
	// Late counts answers that came after their request was given up, WorstLate
	// how long after; text lines do not tell.
	Late      uint64
	WorstLate time.Duration
}

// Replies are the times from the end of a request to the end of its answer. Of
// a text line they are whole exchanges, and of the last 128 alone.
type Replies struct {
	Count                 uint64
	Min, Median, P95, Max time.Duration
}

// SuggestedTimeout is the timeout to set for a device that answers like this.
func (r Replies) SuggestedTimeout() time.Duration { return modbus.SuggestTimeout(r.Max) }

// tally counts the requests to one device.
type tally struct {
	requests, answers, retries uint64
	failures                   map[scan.Reason]uint64
}

func (t *tally) count(reason scan.Reason, again bool) {
	t.requests++
	if again {
		t.retries++
	}
	if reason == scan.Good {
		t.answers++
		return
	}
	if t.failures == nil {
		t.failures = map[scan.Reason]uint64{}
	}
	t.failures[reason]++
}

// busySlots seconds are kept to tell how busy a line is.
const busySlots = 61 // the present second is not over

// busy adds up how much of each of the last seconds was taken by requests.
type busy struct {
	since time.Time                // when counting began
	taken [busySlots]time.Duration // by second since then, as a ring
	upTo  int64                    // the second that was counted last
}

func (b *busy) add(from, until time.Time) {
	if b.since.IsZero() {
		b.since = from
	}
	for from.Before(until) {
		second := int64(from.Sub(b.since) / time.Second)
		end := b.since.Add(time.Duration(second+1) * time.Second)
		if until.Before(end) {
			end = until
		}
		b.forward(second)
		b.taken[second%busySlots] += end.Sub(from)
		from = end
	}
}

// forward empties the seconds between the last one and second.
func (b *busy) forward(second int64) {
	for n := max(b.upTo+1, second-busySlots+1); n <= second; n++ {
		b.taken[n%busySlots] = 0
	}
	b.upTo = max(b.upTo, second)
}

// share returns how much of the whole seconds before now was taken, and how
// many seconds that is of; both zero before the first second is over.
func (b *busy) share(now time.Time) (taken, over time.Duration) {
	if b.since.IsZero() {
		return 0, 0
	}
	second := int64(now.Sub(b.since) / time.Second)
	b.forward(second)
	for n := max(second-busySlots+1, 0); n < second; n++ { // the present one is not over
		taken += b.taken[n%busySlots]
		over += time.Second
	}
	return taken, over
}

// counting is a client whose framing counts.
type counting interface{ Stats() modbus.Stats }

// attach notes the client that reads from now on; nil: none. What the one before
// had counted is kept.
func (b *book) attach(client conn) {
	next, _ := client.(counting)
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.client != nil {
		b.before = joined(b.before, b.client.Stats())
	}
	b.client = next
}

// joined adds up what two clients of a line counted.
func joined(a, b modbus.Stats) modbus.Stats {
	sum := modbus.Stats{Units: maps.Clone(a.Units), Discarded: a.Discarded + b.Discarded, Overflow: a.Overflow + b.Overflow, Echo: b.Echo}
	if sum.Units == nil {
		sum.Units = map[byte]modbus.UnitStats{}
	}
	for id, u := range b.Units {
		whole := sum.Units[id]
		whole.Add(&u)
		sum.Units[id] = whole
	}
	return sum
}

// asked enters the outcome of one request, the time it took included.
func (b *book) asked(device int, reason scan.Reason, again bool, from, until time.Time) {
	b.mu.Lock()
	b.devices[device].asked.count(reason, again)
	b.busy.add(from, until)
	b.mu.Unlock()
}

// heardSoFar enters what was heard on a line that is only listened to.
func (b *book) heardSoFar(s modbus.ListenStats) {
	b.mu.Lock()
	b.heard = &s
	b.mu.Unlock()
}

// health returns copies of all that was counted.
func (b *book) health(l *line, now time.Time) LineHealth {
	b.mu.Lock()
	defer b.mu.Unlock()
	h := LineHealth{Line: b.status.Line, Reopened: max(b.status.Opened, 1) - 1, Missed: b.status.Missed}
	h.Busy, h.BusyOver = b.busy.share(now)
	var wire modbus.Stats
	if b.client != nil || b.before.Units != nil {
		wire = b.before
		if b.client != nil {
			wire = joined(b.before, b.client.Stats())
		}
		h.Wire = &WireHealth{wire.Discarded, wire.Overflow, wire.Echo}
	}
	if b.heard != nil {
		heard := *b.heard
		h.Heard = &heard
	}
	for i := range b.devices {
		e := &b.devices[i]
		d := DeviceHealth{Device: e.status.Device, Requests: e.asked.requests, Answers: e.asked.answers,
			Failures: maps.Clone(e.asked.failures), Retries: e.asked.retries}
		if u, ok := wire.Units[l.units[i].device.UnitID]; ok {
			d.Late, d.WorstLate = u.Late, u.WorstLate
			d.Replies = Replies{u.Answers + u.Exceptions, u.MinReply, u.ReplyPercentile(50), u.ReplyPercentile(95), u.MaxReply}
		} else if n := len(e.trips.kept()); n > 0 {
			d.Replies = Replies{uint64(n), e.trips.at(0), e.trips.median(), e.trips.at(95), e.trips.max()}
		}
		h.Devices = append(h.Devices, d)
	}
	return h
}

// Health returns what the requests on each line came to, in the site's order.
// It may be called at any time from any goroutine.
func (p *Poller) Health() []LineHealth {
	lines := p.current()
	all := make([]LineHealth, len(lines))
	for i, l := range lines {
		all[i] = l.book.health(l, l.now())
	}
	return all
}
