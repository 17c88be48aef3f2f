package poll

import (
	"context"
	"errors"
	"fmt"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/textline"
)

// silentPeriods of the slowest group without a text, and at least reopenAfter,
// make a listening line be opened anew: a connection whose other end has
// vanished stays silent for ever.
const silentPeriods = 10

// printed makes the scans of one group of a device that prints by itself.
//
// A set begins with a print that has values for the group; it is complete when
// every print of the group has come, and is closed half a period after its
// beginning at the latest. A print that comes twice in that time counts once,
// so that a group has at most two scans a period.
type printed struct {
	group    *scan.Group
	rules    []codec
	patterns []*textline.Pattern // one a print of the map; nil: nothing for this group
	wanted   int                 // patterns that are not nil

	begunMS, endMS int64 // mono, of the first and the last print of the set
	openUntil      int64 // mono; zero: there is no set
	done           bool  // the set has become a scan, what comes is passed over
	seen           []bool
	count          int
	values         []int64
	quality        []scan.Reason

	gapAtMS        int64  // mono: when the silence becomes a gap
	damaged, wrong int    // texts since the last good scan
	unknown        string // the last of the wrong ones
}

func newPrinted(d *sitefile.Device, g *scan.Group) (*printed, error) {
	p := &printed{group: g}
	var err error
	if p.rules, err = textRules(d, g); err != nil {
		return nil, err
	}
	for i := range d.Map.Text.Prints {
		tp := &d.Map.Text.Prints[i]
		pattern, channels, err := textPattern(d, g, tp.Name, tp.Pattern)
		if err != nil {
			return nil, err
		}
		if len(channels) > 0 {
			p.wanted++
		}
		p.patterns = append(p.patterns, pattern)
	}
	p.seen = make([]bool, len(p.patterns))
	return p, nil
}

// Group implements groupReader.
func (p *printed) Group() *scan.Group { return p.group }

// read implements groupReader; nobody is asked on a line that is listened to.
func (p *printed) read(context.Context, *wire, scan.Clock) scan.Scan {
	panic("poll: a line that is listened to has been asked")
}

// take takes the values of a text out that came at monoMS; it reports whether
// the text has any for this group.
func (p *printed) take(text string, monoMS int64) bool {
	for i, pattern := range p.patterns {
		if pattern == nil || !pattern.Matches(text) {
			continue
		}
		if p.openUntil != 0 && p.done || p.seen[i] {
			return true // passed over
		}
		if p.openUntil == 0 {
			p.begin(monoMS)
		}
		pattern.Decode(text, func(into int, raw int64, reason scan.Reason) {
			p.values[into], p.quality[into] = raw, judge(&p.rules[into], raw, reason)
		})
		p.seen[i], p.endMS = true, monoMS
		p.count++
		return true
	}
	return false
}

// begin opens a set in which no channel has a value yet.
func (p *printed) begin(monoMS int64) {
	p.begunMS, p.openUntil = monoMS, monoMS+max(p.group.PeriodMS/2, 1)
	p.values, p.quality = make([]int64, len(p.rules)), make([]scan.Reason, len(p.rules))
	for i := range p.quality {
		p.quality[i] = scan.Timeout
	}
}

// scan returns the set as a scan, once it is complete or its time is over.
func (p *printed) scan(monoMS, wallMS int64) (scan.Scan, bool) {
	over := p.openUntil != 0 && monoMS >= p.openUntil
	ready := p.openUntil != 0 && !p.done && (over || p.count == p.wanted)
	var s scan.Scan
	if ready {
		middle := (p.begunMS + p.endMS) / 2
		s = scan.Scan{Group: p.group, MonoMS: middle, WallMS: wallMS - (monoMS - middle),
			DurationMS: uint32(p.endMS - p.begunMS), Values: p.values, Quality: p.quality}
		if allGood(s.Quality) {
			s.Quality = nil
		}
		p.done = true
		p.gapAtMS = middle + p.group.GapMS() + 1
		p.damaged, p.wrong = 0, 0
	}
	if over {
		p.openUntil, p.done, p.count = 0, false, 0
		clear(p.seen)
	}
	return s, ready
}

// silence returns why there is a gap, once there is one, else nil.
func (p *printed) silence(monoMS int64) error {
	if monoMS < p.gapAtMS {
		return nil
	}
	p.gapAtMS = monoMS + p.group.PeriodMS
	switch {
	case p.damaged > 0:
		return textline.ErrBadChecksum
	case p.wrong > 0:
		return fmt.Errorf("%w: no pattern matches %.60q", textline.ErrWrongAnswer, p.unknown)
	}
	return textline.ErrTimeout
}

// wakeMS is when something is to be done even if nothing comes.
func (p *printed) wakeMS() int64 {
	if p.openUntil != 0 {
		return min(p.openUntil, p.gapAtMS)
	}
	return p.gapAtMS
}

// prints reports whether the line's device prints by itself.
func (l *line) prints() bool {
	_, ok := l.slots[0].reader.(*printed)
	return ok
}

// runPrinted takes what is printed until ctx ends. It never sends.
func (l *line) runPrinted(ctx context.Context) {
	mono, _ := l.opts.Clock.Now()
	var longest time.Duration
	for _, s := range l.slots {
		p := s.reader.(*printed)
		p.gapAtMS = mono + p.group.GapMS()
		longest = max(longest, s.period)
	}
	format := textFormat(&l.units[0].device.Map.Text.Format)
	patience := max(reopenAfter, silentPeriods*longest)
	start := time.Now()
	if l.openAt.Before(start) { // else it rests
		l.openAt = start
	}
	heardAt := start
	defer l.close()
	for ctx.Err() == nil {
		wake := l.wakePrinted()
		if l.client == nil {
			if l.openAt.Before(wake) {
				wake = l.openAt
			}
			if !l.waitBySystem(ctx, wake) {
				return
			}
			if !l.openAt.After(time.Now()) {
				l.open(ctx)
				heardAt = time.Now()
			}
			l.settlePrinted(ctx)
			continue
		}
		l.life.pulse.Busy("waiting for what is printed", time.Until(wake))
		heard, err := l.client.(TextClient).Hear(ctx, &format, wake)
		switch {
		case ctx.Err() != nil:
			return
		case err == nil:
			heardAt = time.Now()
			l.heardText(heard)
		case errors.Is(err, textline.ErrTimeout):
			if time.Since(heardAt) >= patience {
				l.reopen()
				heardAt = time.Now()
			}
		default:
			wasProven := l.proven
			l.close()
			if l.openAt = time.Now(); !wasProven {
				l.down(err)
			}
		}
		l.settlePrinted(ctx)
	}
}

// wakePrinted returns when the next set or silence is over.
func (l *line) wakePrinted() time.Time {
	mono, _ := l.opts.Clock.Now()
	wake := int64(1<<63 - 1)
	for _, s := range l.slots {
		wake = min(wake, s.reader.(*printed).wakeMS())
	}
	return time.Now().Add(time.Duration(max(wake-mono, 1)) * time.Millisecond)
}

// heardText gives a text to every group that has a pattern for it.
func (l *line) heardText(heard textline.Heard) {
	l.proven = true
	if l.pauses.failures > 0 {
		l.pauses.reset()
		l.up()
	}
	mono, _ := l.opts.Clock.Now()
	known := false
	for _, s := range l.slots {
		p := s.reader.(*printed)
		if !heard.Damaged && p.take(heard.Text, mono) {
			known = true
		}
	}
	if heard.Damaged {
		l.book.damaged(0)
	}
	for _, s := range l.slots {
		p := s.reader.(*printed)
		switch {
		case heard.Damaged:
			p.damaged++
		case !known:
			p.wrong++
			p.unknown = heard.Text
		}
	}
}

// settlePrinted hands on the sets that are ready and the gaps.
func (l *line) settlePrinted(ctx context.Context) {
	if ctx.Err() != nil {
		return
	}
	l.life.pulse.Busy("working on what was printed", 0)
	mono, wall := l.opts.Clock.Now()
	for _, s := range l.slots {
		p := s.reader.(*printed)
		if ready, ok := p.scan(mono, wall); ok {
			l.finish(s, ready, nil)
		}
		if gap := p.silence(mono); gap != nil {
			reason := textline.ReasonOf(gap)
			if l.client == nil {
				reason = scan.PortGone
			}
			l.finish(s, l.blank(s, reason), gap)
		}
	}
}
