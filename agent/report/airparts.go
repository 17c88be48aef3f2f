package report

import (
	"math"
	"slices"
	"strings"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/chart"
	"loadscribe/agent/display"
	"loadscribe/agent/quantity"
	"loadscribe/agent/store"
)

// perSubject makes a part of what is told of each subject: of one alone its blocks
// stand under the part's heading, of several each has a heading of its own. empty says
// why there is nothing.
func (b *builder) perSubject(part Section, empty string, of func(s subject) []Block) []Section {
	part.Level = 1
	all := b.subjects()
	var below []Section
	for i, s := range all {
		blocks := of(s)
		switch {
		case len(blocks) == 0:
		case len(all) == 1:
			part.Blocks = append(part.Blocks, blocks...)
		default:
			below = append(below, Section{ID: part.ID + "-" + slug(s.name, i), Title: display.Capital(s.kind) + " " + s.name, Level: 2, Blocks: blocks})
		}
	}
	if len(part.Blocks) == 0 && len(below) == 0 {
		part.Blocks = []Block{gap("Nothing can be told", empty)}
	}
	return append([]Section{part}, below...)
}

// told lists figures with what must be read with them; below stands what is absent,
// and why.
func (b *builder) told(of func(name string) ref, names []named) (blocks []Block) {
	var facts []Fact
	absent := reasons{}
	for _, n := range names {
		r := of(n.name)
		if !r.has() {
			absent.add(r, n.shown, "", false)
			continue
		}
		facts = append(facts, Fact{Name: display.Capital(n.shown), Is: b.bounded(r)})
	}
	if len(facts) > 0 {
		blocks = append(blocks, Block{Facts: facts})
	}
	for _, note := range absent.notes() {
		blocks = append(blocks, para(b.wordy(note[0].Text)))
	}
	return blocks
}

// bounded is a figure with its limit and what must be read with it.
func (b *builder) bounded(r ref) Text {
	t := b.withLimit(r)
	if r.Limit != nil && r.LimitBasis != "" {
		t = append(t, Run{Text: " (" + r.LimitBasis + ")"})
	}
	if display.IsShare(r.Figure) && r.Denominator != "" {
		t = append(t, Run{Text: " of " + r.Denominator})
	}
	if r.Note != "" {
		t = append(t, Run{Text: "; " + b.wordy(r.Note)})
	}
	if r.AtLeastWhy != "" {
		t = append(t, Run{Text: "; a lower bound, since " + b.wordy(r.AtLeastWhy)})
	}
	return t
}

// how says once how figures were made: the methods of those that are there.
func (b *builder) how(refs ...ref) []Block {
	var methods []string
	var list []Text
	for _, r := range refs {
		if !r.has() || r.Method == "" || slices.Contains(methods, r.Method) {
			continue
		}
		said := r.Method
		for _, before := range methods {
			said = strings.ReplaceAll(said, before, "as above")
		}
		methods = append(methods, r.Method)
		list = append(list, say(b.sentence(said)))
	}
	switch len(list) {
	case 0:
		return nil
	case 1:
		return []Block{{Text: append(Text{{Text: "How it is told. ", Strong: true}}, list[0]...)}}
	}
	return []Block{{Text: Text{{Text: "How this is told.", Strong: true}}}, {List: list}}
}

// sentence is one of the analysis as it stands in a report: figures by their names in
// words, and no capital on the name of a machine or a system.
func (b *builder) sentence(s string) string {
	s = b.wordy(strings.TrimSpace(s))
	for i := range b.data.Site.Machines {
		if name := b.data.Site.Machines[i].Name; strings.HasPrefix(s, name) {
			return name + lower(sentence("x" + s[len(name):])[1:])
		}
	}
	return sentence(s)
}

// wordy writes the names of figures as words; a channel's name, after its device's,
// stays.
func (b *builder) wordy(s string) string {
	names := map[string]bool{}
	for i := range b.data.Figures.Machines[:min(1, len(b.data.Figures.Machines))] {
		for k := range b.data.Figures.Machines[i].Figures {
			names[b.data.Figures.Machines[i].Figures[k].Name] = true
		}
	}
	for i := range b.data.Figures.Systems[:min(1, len(b.data.Figures.Systems))] {
		for k := range b.data.Figures.Systems[i].Figures {
			names[b.data.Figures.Systems[i].Figures[k].Name] = true
		}
	}
	part := func(r byte) bool { return r == '_' || r == '.' || r >= 'a' && r <= 'z' || r >= '0' && r <= '9' }
	var out strings.Builder
	for i := 0; i < len(s); {
		end := i
		for end < len(s) && part(s[end]) {
			end++
		}
		switch word := strings.TrimRight(s[i:end], "."); {
		case end == i:
			out.WriteByte(s[i])
			end++
		case names[word] && !strings.HasSuffix(out.String(), "channel for "): // that is a role
			out.WriteString(analysis.TitleOf(word) + s[i+len(word):end])
		default:
			out.WriteString(s[i:end])
		}
		i = end
	}
	return out.String()
}

// unitOf is a figure's unit as shown, and the factor to it.
func (b *builder) unitOf(unit string) (symbol string, factor, offset float64) {
	symbol, factor, offset = b.data.Site.Units.Display(unit)
	if symbol == "1" {
		symbol = ""
	}
	return symbol, factor, offset
}

// bar is a figure as a bar with the ends of its interval.
func (b *builder) bar(name string, r ref) chart.Bar {
	_, factor, offset := b.unitOf(r.Unit)
	v := *r.Value*factor + offset
	one := chart.Bar{Name: name, Values: chart.Values{v}}
	if half := r.half() * math.Abs(factor); half > 0 {
		one.Low, one.High = v-half, v+half
		if v >= 0 {
			one.Low = max(0, one.Low)
		}
	}
	value, half, _, _ := display.Interval(r.Figure, b.data.Site.Units)
	one.Label = value
	if half != "" {
		one.Label += " " + half
	}
	return one
}

// clock is the window as an axis: hours from its beginning.
type clock struct {
	chart.Axis
	fromMS int64
}

func (c *clock) at(ms int64) float64 { return float64(ms-c.fromMS) / float64(time.Hour.Milliseconds()) }

// mostTicks are as many days as can be named under a chart.
const mostTicks = 10

// clock names local days, or hours where the window is short.
func (b *builder) clock() *clock {
	d := b.data
	c := &clock{Axis: chart.Axis{Label: "time in " + d.Site.Location.String()}, fromMS: d.FromMS}
	toMS := min(d.ToMS, max(d.NowMS, d.FromMS+1))
	c.Max = c.at(toMS)
	days := int(c.Max/24) + 1
	every, form, middle := (days+mostTicks-1)/mostTicks, "Mon 2 Jan", 12
	first := time.UnixMilli(d.FromMS).In(d.Site.Location)
	if days <= 2 {
		first = time.Date(first.Year(), first.Month(), first.Day(), first.Hour(), 0, 0, 0, d.Site.Location)
		step := time.Duration(math.Ceil(c.Max/mostTicks)) * time.Hour
		for at := first; at.UnixMilli() <= toMS; at = at.Add(max(step, time.Hour)) {
			c.tick(at, "15:04")
		}
		return c
	}
	for at := time.Date(first.Year(), first.Month(), first.Day(), middle, 0, 0, 0, d.Site.Location); at.UnixMilli() <= toMS; at = at.AddDate(0, 0, every) {
		c.tick(at, form)
	}
	return c
}

func (c *clock) tick(at time.Time, form string) {
	if x := c.at(at.UnixMilli()); x >= 0 {
		c.Ticks = append(c.Ticks, chart.Tick{At: x, Name: at.Format(form)})
	}
}

// longestShadedMS is how long a window may be in which shifts are shaded.
const longestShadedMS = 35 * 24 * 3_600_000

// worked are the hours in which somebody works, as shaded stretches.
func (b *builder) worked(c *clock) (spans []chart.Span) {
	d := b.data
	toMS := min(d.ToMS, d.NowMS)
	if len(d.Site.Shifts) == 0 || toMS-d.FromMS > longestShadedMS {
		return nil
	}
	const minuteMS = 60_000
	var off [24 * 60]bool
	day := -1
	for ms := d.FromMS; ms < toMS; ms += minuteMS {
		local := time.UnixMilli(ms).In(d.Site.Location)
		if local.YearDay() != day {
			day, off = local.YearDay(), d.Site.OffShiftOn(local)
		}
		if off[local.Hour()*60+local.Minute()] {
			continue
		}
		if n := len(spans); n > 0 && spans[n-1].To == c.at(ms) {
			spans[n-1].To = c.at(ms + minuteMS)
			continue
		}
		spans = append(spans, chart.Span{From: c.at(ms), To: c.at(ms + minuteMS)})
	}
	return spans
}

// mostPoints of a line: beyond them cells are put together, and their lowest and
// highest kept.
const mostPoints = 700

// point is what lies in a stretch of a line.
type point struct {
	firstX, lastX, x     float64
	sum, mean, low, high float64
	n                    int64
}

// curve is a channel over the window in the site's units; empty where nothing was read.
func (b *builder) curve(c *clock, s store.Series, name string) (line chart.Series, unit string) {
	from, err := quantity.ParseUnit(s.Unit)
	if err != nil {
		return line, ""
	}
	to := b.data.Site.Units.Unit(from.Dimension)
	shown := func(v float64) float64 {
		si := from.ToSI(v)
		if from.Absolute {
			si -= b.data.Site.BarometerPa // pressures are shown gauge
		}
		return to.FromSI(si)
	}
	everyMS := int64(0)
	if device, ch, ok := b.data.Site.Channel(s.Channel); ok {
		if everyMS = device.Every.Milliseconds(); ch.Every > 0 {
			everyMS = ch.Every.Milliseconds()
		}
	}
	width := max((b.data.ToMS-b.data.FromMS)/mostPoints, s.StepMS, 1)
	if s.StepMS > 0 {
		width = (width + s.StepMS - 1) / s.StepMS * s.StepMS
	}
	var pts []point
	var at int64 = math.MinInt64
	for i := range s.Cells {
		cell := &s.Cells[i]
		if cell.Count == 0 {
			continue
		}
		if bucket := (cell.StartMS - b.data.FromMS) / width; bucket != at || len(pts) == 0 {
			at = bucket
			pts = append(pts, point{low: math.Inf(1), high: math.Inf(-1), firstX: c.at(cell.FirstMS)})
		}
		p := &pts[len(pts)-1]
		p.sum, p.n = p.sum+cell.Sum, p.n+cell.Count
		p.low, p.high, p.lastX = min(p.low, cell.Min), max(p.high, cell.Max), c.at(cell.LastMS)
	}
	for i := range pts {
		p := &pts[i]
		p.x = (p.firstX + p.lastX) / 2
		p.mean, p.low, p.high = shown(p.sum/float64(p.n)), shown(p.low), shown(p.high)
	}
	return broken(name, pts, 3*float64(max(everyMS, s.StepMS))/float64(time.Hour.Milliseconds())), to.Symbol
}

// broken joins points to a line that is broken where more than gap lies between them.
func broken(name string, pts []point, gap float64) chart.Series {
	line := chart.Series{Name: name}
	add := func(x, y, low, high float64) {
		line.X, line.Y = append(line.X, x), append(line.Y, y)
		line.Low, line.High = append(line.Low, low), append(line.High, high)
	}
	for i := range pts {
		p := &pts[i]
		if i > 0 && p.firstX-pts[i-1].lastX > gap {
			add((p.firstX+pts[i-1].lastX)/2, math.NaN(), math.NaN(), math.NaN())
		}
		add(p.x, p.mean, p.low, p.high)
	}
	return line
}

// stampMS is a time of an answer, in Unix ms.
func stampMS(stamp string) (int64, bool) {
	t, err := time.Parse(time.RFC3339Nano, stamp)
	return t.UnixMilli(), err == nil
}

// local is a time as the site's clocks show it.
func (b *builder) local(ms int64) time.Time { return time.UnixMilli(ms).In(b.data.Site.Location) }
