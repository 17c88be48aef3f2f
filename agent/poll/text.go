package poll

import (
	"context"
	"fmt"
	"slices"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/textline"
)

// TextReader asks a question of a text device and returns the text that
// answers it. Errors are those of package textline; any other error counts as
// a lost line.
type TextReader interface {
	Ask(ctx context.Context, a *textline.Ask) (text string, err error)
}

// TextPoller reads one group of one text device that answers questions. It is
// for one goroutine.
type TextPoller struct {
	group *scan.Group
	asks  []textAsk
	rules []codec // one a channel: its valid range
	first int     // which ask the next scan begins with
}

// textAsk is a question and the channels whose values its answer holds.
type textAsk struct {
	textline.Ask
	channels []int
}

// NewTextPoller prepares the reading of g, a group of d, whose map says what
// is asked. It fails when the group and the map disagree.
func NewTextPoller(d *sitefile.Device, g *scan.Group) (*TextPoller, error) {
	p := &TextPoller{group: g}
	var err error
	if p.rules, err = textRules(d, g); err != nil {
		return nil, err
	}
	for i := range d.Map.Text.Asks {
		ta := &d.Map.Text.Asks[i]
		pattern, channels, err := textPattern(d, g, ta.Name, ta.Pattern)
		if err != nil {
			return nil, err
		}
		if len(channels) == 0 {
			continue
		}
		a := textAsk{Ask: textline.Ask{Name: ta.Name, Format: textFormat(&ta.Format), Pattern: pattern}, channels: channels}
		sum := textChecksum(&ta.SendChecksum)
		if a.Send, err = sum.Append(slices.Clone(ta.Send), ta.Send); err != nil {
			return nil, fmt.Errorf("device %q: ask %q: %w: correct send or send_checksum in %s", d.Name, ta.Name, err, d.MapPath)
		}
		a.Send = append(a.Send, ta.SendTail...)
		p.asks = append(p.asks, a)
	}
	return p, nil
}

// Group returns the group that is read.
func (p *TextPoller) Group() *scan.Group { return p.group }

// Poll asks all questions of the group once. The scan's times are those of the
// middle of the exchange. A question without a good answer costs only its own
// channels; when there was no good one the scan has the reason instead of
// values. Silence and a lost line end the scan: what was not asked for has the
// same reason. The reason is AgentStopped when ctx ended before the exchange
// did.
func (p *TextPoller) Poll(ctx context.Context, r TextReader, clock scan.Clock) scan.Scan {
	mono, _ := clock.Now()
	s := scan.Scan{Group: p.group, Values: make([]int64, len(p.rules)), Quality: make([]scan.Reason, len(p.rules))}
	failed := p.askAll(ctx, r, &s)
	// The wall clock as it is now: it may have been set meanwhile, and what another line
	// has handed on since then goes by the new time.
	until, wall := clock.Now()
	s.MonoMS, s.DurationMS = mono+(until-mono)/2, uint32(until-mono)
	s.WallMS = wall - (until - s.MonoMS)
	if failed != scan.Good {
		s.Reason, s.Values, s.Quality = failed, nil, nil
		return s
	}
	if allGood(s.Quality) {
		s.Quality = nil
	}
	return s
}

// read implements groupReader.
func (p *TextPoller) read(ctx context.Context, w *wire, clock scan.Clock) scan.Scan {
	return p.Poll(ctx, w, clock)
}

// askAll returns why there are no values at all, or Good.
func (p *TextPoller) askAll(ctx context.Context, r TextReader, s *scan.Scan) scan.Reason {
	asks, first := p.asks, p.first
	anyRead, why := false, scan.Good
	for k := range asks {
		a := &asks[(first+k)%len(asks)]
		text, err := r.Ask(ctx, &a.Ask)
		reason := textReason(ctx, err)
		switch {
		case reason == scan.AgentStopped:
			return reason
		case reason == scan.Good:
			anyRead = true
			a.Pattern.Decode(text, func(into int, raw int64, reason scan.Reason) {
				s.Values[into], s.Quality[into] = raw, judge(&p.rules[into], raw, reason)
			})
			continue
		}
		a.mark(s, reason)
		if why == scan.Good || reason == scan.Timeout || reason == scan.PortGone {
			why = reason
		}
		if reason == scan.Timeout || reason == scan.PortGone {
			for j := k + 1; j < len(asks); j++ {
				asks[(first+j)%len(asks)].mark(s, reason)
			}
			p.first = (first + k + 1) % len(asks) // so that it cannot hide the others
			break
		}
	}
	if anyRead {
		return scan.Good
	}
	return why
}

// mark says why the question's channels have no value.
func (a *textAsk) mark(s *scan.Scan, reason scan.Reason) {
	for _, i := range a.channels {
		s.Values[i], s.Quality[i] = 0, reason
	}
}

// textReason turns an error of a TextReader into the reason of a gap.
func textReason(ctx context.Context, err error) scan.Reason {
	if err != nil && ctx.Err() != nil {
		return scan.AgentStopped
	}
	return textline.ReasonOf(err)
}

func allGood(quality []scan.Reason) bool {
	return !slices.ContainsFunc(quality, func(q scan.Reason) bool { return q != scan.Good })
}

// judge holds a good raw value against the channel's valid range.
func judge(rule *codec, raw int64, reason scan.Reason) scan.Reason {
	if reason == scan.Good && rule.valid {
		if v := rule.channel.Value(raw); v < rule.low || v > rule.high {
			return scan.Implausible
		}
	}
	return reason
}

// textRules returns the valid range of each channel of g.
func textRules(d *sitefile.Device, g *scan.Group) ([]codec, error) {
	if d.Map == nil || d.Map.Text == nil {
		return nil, fmt.Errorf("device %q: map %q is not a text map: use a map with protocol = \"text\" on a text line", d.Name, d.MapPath)
	}
	rules := make([]codec, len(g.Channels))
	for i := range g.Channels {
		mc, err := mapChannel(d, g.Channels[i].Name)
		if err != nil {
			return nil, err
		}
		if mc.Text == nil {
			return nil, fmt.Errorf("device %q: channel %q stands in no text: correct it in %s", d.Name, mc.Name, d.MapPath)
		}
		if ch := &g.Channels[i]; ch.Kind != mc.Kind() || ch.Bit != mc.IsBit() {
			return nil, fmt.Errorf("device %q: channel %q is read as %q, but the group says kind %d, bit %t", d.Name, mc.Name, mc.Text.As, ch.Kind, ch.Bit)
		}
		rules[i].channel = g.Channels[i]
		rules[i].setValid(mc)
	}
	return rules, nil
}

// textPattern makes the pattern of an ask or print and returns which channels
// of g it fills; nil where it fills none.
func textPattern(d *sitefile.Device, g *scan.Group, source, expr string) (*textline.Pattern, []int, error) {
	var fields []textline.Field
	var channels []int
	for i := range g.Channels {
		mc, err := mapChannel(d, g.Channels[i].Name)
		if err != nil {
			return nil, nil, err
		}
		if mc.Text.Source != source {
			continue
		}
		fields = append(fields, textline.Field{Group: mc.Text.Group, Into: i, Form: textForm(mc)})
		channels = append(channels, i)
	}
	if fields == nil {
		return nil, nil, nil
	}
	pattern, err := textline.NewPattern(expr, fields)
	if err != nil {
		return nil, nil, fmt.Errorf("device %q: %q: %w: correct it in %s", d.Name, source, err, d.MapPath)
	}
	return pattern, channels, nil
}

func textForm(mc *sitefile.MapChannel) textline.Form {
	t := mc.Text
	f := textline.Form{Decimals: t.Decimals, Comma: t.Comma, Signed: t.Signed, Bit: mc.Bit, Words: t.Words, Absent: t.Absent}
	switch t.As {
	case "fixed":
		f.As = textline.Fixed
	case "hexadecimal":
		f.As = textline.Hexadecimal
	case "word":
		f.As = textline.Word
	}
	return f
}

func textFormat(f *sitefile.TextFormat) textline.Format {
	return textline.Format{Begins: f.Begins, Ends: f.Ends, Quiet: f.Quiet, Checksum: textChecksum(&f.Checksum)}
}

func textChecksum(c *sitefile.TextChecksum) textline.Checksum {
	sum := textline.Checksum{Raw: c.Raw, LowFirst: c.LowFirst, After: c.After, Before: c.Before, BehindEnd: c.BehindEnd}
	switch c.Kind {
	case "sum-8":
		sum.Kind = textline.Sum8
	case "xor-8":
		sum.Kind = textline.XOR8
	case "crc-16/modbus":
		sum.Kind = textline.CRC16
	}
	return sum
}
