package poll

import (
	"context"
	"errors"
	"fmt"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Ears hears what another master reads on one open line. Errors of Next are the
// context's, or wrap modbus.ErrLineLost.
type Ears interface {
	Next(ctx context.Context) (modbus.Heard, error)
	Stats() modbus.ListenStats
	Err() error
	Close() error
}

// Listen opens a line whose traffic is listened to. What it returns cannot
// send.
func Listen(ctx context.Context, line *sitefile.Line) (Ears, error) {
	if line.Kind != sitefile.ModbusRTU {
		return nil, fmt.Errorf("kind %q cannot be listened to: use modbus-rtu", line.Kind)
	}
	link, err := modbus.OpenSerial(ctx, line.Port, modbus.Serial(line.Serial))
	if err != nil {
		return nil, err
	}
	return modbus.NewListener(link, modbus.RTU), nil
}

// overheard makes the scans of one group from what another master reads. A
// value counts with the answer that it came in whole: words of two answers are
// never put together.
type overheard struct {
	device  *sitefile.Device
	group   *scan.Group
	decoder *Decoder
	blocks  []Block // where the group's channels are

	values  []int64 // the last of each channel
	quality []scan.Reason
	at      []time.Time // when each came; zero: not yet
	since   time.Time   // when listening began
	told    time.Time   // what came until then has been handed on
}

func newOverheard(d *sitefile.Device, g *scan.Group) (*overheard, error) {
	if d.Map == nil || d.Map.Protocol != "modbus" {
		return nil, fmt.Errorf("device %q: map %q is not a Modbus map: use one, or put the device on a line of kind \"text\"", d.Name, d.MapPath)
	}
	decoder, err := NewDecoder(d, g)
	if err != nil {
		return nil, err
	}
	blocks, err := Plan(d, g)
	if err != nil {
		return nil, err
	}
	n := len(g.Channels)
	return &overheard{device: d, group: g, decoder: decoder, blocks: blocks,
		values: make([]int64, n), quality: make([]scan.Reason, n), at: make([]time.Time, n)}, nil
}

// Group implements groupReader.
func (o *overheard) Group() *scan.Group { return o.group }

// read implements groupReader; nobody is asked on a line that is listened to.
func (o *overheard) read(context.Context, *wire, scan.Clock) scan.Scan {
	panic("poll: a line that is listened to has been asked")
}

// begin forgets what was heard before the line was opened.
func (o *overheard) begin(now time.Time) {
	o.since, o.told = now, now
	clear(o.at)
}

// take keeps what an answer says of the group's channels.
func (o *overheard) take(h *modbus.Heard) {
	if h.Unit != o.device.UnitID {
		return
	}
	from := int(h.Request.Address)
	covered := Block{Request: h.Request}
	for i := range o.blocks {
		b := &o.blocks[i]
		if b.Request.Function != h.Request.Function {
			continue
		}
		for _, f := range b.Fields {
			f.Offset += int(b.Request.Address) - from
			if f.Offset >= 0 && f.end() <= int(h.Request.Quantity) {
				covered.Fields = append(covered.Fields, f)
				o.at[f.Channel] = h.At
			}
		}
	}
	// A Listener gives as many bytes as were asked for, so this cannot fail.
	if err := o.decoder.Decode(covered, h.Payload, o.values, o.quality); err != nil {
		for _, f := range covered.Fields {
			o.at[f.Channel] = time.Time{}
		}
	}
}

// scan returns what is known at now. There is a scan as soon as anything of the
// group has come since the last one; its time is the middle of when that came.
// A channel not heard for longer than the group's gap has no value, and once
// that holds for all of them the scan says so. What has not come anew is not
// handed on again: ok is false then.
func (o *overheard) scan(now time.Time, mono, wall int64) (s scan.Scan, ok bool) {
	gap := time.Duration(o.group.GapMS()) * time.Millisecond
	latest := o.since
	var first, last time.Time // of what is new
	for _, at := range o.at {
		if at.After(latest) {
			latest = at
		}
		if at.After(o.told) {
			if first.IsZero() || at.Before(first) {
				first = at
			}
			if at.After(last) {
				last = at
			}
		}
	}
	s = scan.Scan{Group: o.group, MonoMS: mono, WallMS: wall}
	if first.IsZero() {
		s.Reason = scan.Timeout
		return s, now.Sub(latest) > gap
	}
	ago := now.Sub(first.Add(last.Sub(first) / 2)).Milliseconds()
	s.MonoMS, s.WallMS, s.DurationMS = mono-ago, wall-ago, uint32(last.Sub(first).Milliseconds())
	s.Values, s.Quality = append([]int64(nil), o.values...), append([]scan.Reason(nil), o.quality...)
	for i, at := range o.at {
		if at.IsZero() || now.Sub(at) > gap {
			s.Values[i], s.Quality[i] = 0, scan.Timeout
		}
	}
	if allGood(s.Quality) {
		s.Quality = nil
	}
	o.told = last
	return s, true
}

// runPassive takes what another master reads until ctx ends. It never sends.
func (l *line) runPassive(ctx context.Context) {
	start := time.Now()
	if l.openAt.Before(start) { // else it rests
		l.openAt = start
	}
	for _, s := range l.slots {
		s.due = start.Add(s.period)
	}
	heardAt := start
	defer l.close()
	for {
		s := next(l.slots, nil)
		if l.client == nil {
			wake := s.due
			if l.openAt.Before(wake) {
				wake = l.openAt
			}
			if !l.waitBySystem(ctx, wake) {
				return
			}
			if !l.openAt.After(time.Now()) {
				l.open(ctx)
				heardAt = time.Now()
				for _, s := range l.slots {
					s.reader.(*overheard).begin(heardAt)
				}
				continue
			}
		} else if err := l.hear(ctx, s.due, &heardAt); err != nil {
			if ctx.Err() != nil {
				return
			}
			l.close()
			l.down(err)
			continue
		}
		l.passOn(s)
		s.advance(time.Now())
		if l.client != nil && time.Since(heardAt) >= reopenAfter {
			l.reopen() // an adapter that hangs comes back only when it is opened anew
		}
	}
}

// hear takes answers until the given time.
func (l *line) hear(ctx context.Context, until time.Time, heardAt *time.Time) error {
	limited, cancel := context.WithDeadline(ctx, until)
	defer cancel()
	for limited.Err() == nil {
		l.life.pulse.Busy("listening", time.Until(until))
		h, err := l.client.(Ears).Next(limited)
		if err != nil {
			if ctx.Err() == nil && limited.Err() != nil && errors.Is(err, limited.Err()) {
				break
			}
			return err
		}
		*heardAt = time.Now()
		l.book.heardSoFar(l.client.(Ears).Stats())
		for _, s := range l.slots {
			s.reader.(*overheard).take(&h)
		}
		for i := range l.heard {
			l.heard[i].take(&h)
		}
	}
	return ctx.Err()
}

// passOn hands a group's scan on, if there is one.
func (l *line) passOn(s *slot) {
	l.life.pulse.Busy("working on what it heard", 0)
	if l.client == nil {
		l.finish(s, l.blank(s, l.whyClosed()), nil)
		return
	}
	if l.pauses.failures > 0 { // it has stayed open for a while
		l.pauses.reset()
		l.up()
	}
	mono, wall := l.opts.Clock.Now()
	result, ok := s.reader.(*overheard).scan(time.Now(), mono, wall)
	switch {
	case !ok:
	case result.Reason == scan.Good && s.unit.verify != nil && s.unit.verify.detail != "":
		s.unit.detail = s.unit.verify.detail
		l.finish(s, l.blank(s, scan.StartMismatch), nil)
	case result.Reason == scan.Good:
		l.finish(s, result, nil)
	default:
		l.finish(s, result, errors.New(l.unheard(s.unit.device)))
	}
}

// unheard says why nothing is heard of a device.
func (l *line) unheard(d *sitefile.Device) string {
	const manyBytes = 50 // a line at rest gives none
	heard := l.client.(Ears).Stats()
	switch {
	case heard.Requests == 0 && heard.Bytes > manyBytes:
		return fmt.Sprintf("what is heard on %s is not Modbus RTU at %s: check the serial settings and A/B wiring", l.site.Port, l.site.Serial)
	case heard.Requests == 0:
		return fmt.Sprintf("nothing is heard on %s: check that the other master runs, and the A/B wiring", l.site.Port)
	}
	return fmt.Sprintf("the other master reads nothing that %s has of unit %d (last heard: %s): check unit id, tables and addresses",
		d.MapPath, d.UnitID, heard.LastAsked)
}

// notRead says which channels of a scan the other master does not read; empty
// when it reads all.
func notRead(s *scan.Scan) string {
	first, n := -1, 0
	for i, q := range s.Quality {
		if q == scan.Timeout {
			n++
			if first < 0 {
				first = i
			}
		}
	}
	if n == 0 {
		return partly(s)
	}
	return fmt.Sprintf("%d of %d channels are not read by the other master, first %q: check its entry in the map, or take it out",
		n, len(s.Quality), s.Group.Channels[first].Name)
}
