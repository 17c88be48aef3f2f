package intake

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// target is where a field goes: a channel of a group, by their places.
type target struct {
	group, channel int
	codec          *codec
}

// loggerPlan is a logger with what the site says of its channels.
type loggerPlan struct {
	*Logger
	index   int
	in      *Intake
	loc     *time.Location
	listed  map[string]target // by column name; unit that of the mapping
	columns map[string]*Column
	period  int64 // the shortest of its groups, ms
}

// place finds a channel of the site.
func (in *Intake) place(id string) (group, channel int, ok bool) {
	p, ok := in.places[id]
	return p[0], p[1], ok
}

// newPlan resolves a logger's columns; mistakes of the mapping are added to
// problems.
func (in *Intake) newPlan(l *Logger, index int, problems *sitefile.Problems) *loggerPlan {
	p := &loggerPlan{Logger: l, index: index, in: in, loc: in.site.Location, listed: map[string]target{}, columns: map[string]*Column{}}
	if l.Time.Zone != "" {
		loc, err := location(l.Time.Zone)
		if err != nil {
			*problems = append(*problems, placed(l.Time.place, err.Error(), zoneForm))
			return p
		}
		p.loc = loc
	}
	for i := range l.Columns {
		c := &l.Columns[i]
		t, problem := p.newTarget(c.Channel, c.Unit, c)
		if problem == nil {
			problem = p.claim(t.group, c)
		}
		if problem != nil {
			*problems = append(*problems, *problem)
			continue
		}
		p.listed[c.Name], p.columns[c.Name] = t, c
	}
	p.period = in.shortest(p.listed)
	return p
}

func placed(p sitefile.Problem, message, mend string) sitefile.Problem {
	p.Message, p.Mend = message, mend
	return p
}

// shortest is the least period of the groups that are filled.
func (in *Intake) shortest(targets map[string]target) int64 {
	least := int64(0)
	for _, t := range targets {
		if ms := in.groups[t.group].PeriodMS; least == 0 || ms < least {
			least = ms
		}
	}
	return max(least, 1)
}

// newTarget makes the way to a channel. c is nil where columns are named as
// exports name them.
func (p *loggerPlan) newTarget(id, unit string, c *Column) (target, *sitefile.Problem) {
	place := p.place
	if c != nil {
		place = c.place
	}
	g, i, ok := p.in.place(id)
	if !ok {
		mend := "channels are written device.channel, as in the site file and its maps"
		if near := quantity.Nearest(id, p.in.known()); near != "" {
			mend = "did you mean " + strconv.Quote(near) + "?"
		}
		problem := placed(place, "the site has no channel "+shown(id), mend)
		return target{}, &problem
	}
	group := p.in.groups[g]
	d, mc, _ := p.in.site.Channel(id)
	codec, err := newCodec(d, mc, &group.Channels[i], unit, c == nil, p.Logger)
	if err != nil {
		problem := placed(place, err.Error(), "the channel's unit is "+strconv.Quote(group.Channels[i].Unit))
		problem.Key = "logger.column.unit"
		return target{}, &problem
	}
	empty := slices.Clone(p.Empty)
	if c != nil {
		empty = append(empty, c.Empty...)
		codec.words = c.Words
	}
	for _, e := range empty {
		codec.empty = append(codec.empty, []byte(strings.TrimSpace(e)))
	}
	return target{g, i, codec}, nil
}

// claim makes a group this logger's: the scans of one group come from one
// clock.
func (p *loggerPlan) claim(group int, c *Column) *sitefile.Problem {
	owner := p.in.owner[group]
	if owner == nil || owner == p {
		p.in.owner[group] = p
		return nil
	}
	place := p.place
	if c != nil {
		place = c.place
	}
	g := p.in.groups[group]
	problem := placed(place, fmt.Sprintf("the channels of device %q that are read every %s come from two loggers, %s and %s", g.Device, g.Name, owner.Name, p.Name),
		"give each logger a device of its own in the site file")
	return &problem
}

// plan says which column of one file is what.
type plan struct {
	names  []string // of the columns; "3" where there is no header
	width  int      // 0: not known before the first row
	timeAt []int
	// The wide layout.
	cells  []planCell
	groups []int
	// The long layout; -1: there is none.
	device, channel, value, unit, quality int
	unread                                []string // columns that nothing reads
}

type planCell struct {
	column int
	target
	part int // of the row's parts
}

// newPlan finds the columns by the header, nil where there is none.
func (p *loggerPlan) filePlan(file string, header []string, line int64) (*plan, error) {
	f := &plan{names: header, width: len(header), device: -1, channel: -1, value: -1, unit: -1, quality: -1}
	find := func(name string) (int, error) {
		if !p.Header {
			return columnNumber(name) - 1, nil
		}
		at := slices.Index(header, name)
		if at < 0 {
			return 0, &Mistake{File: file, Line: line, Message: "there is no column " + shown(name), Mend: columnMend(name, header, p.Separator)}
		}
		if slices.Contains(header[at+1:], name) {
			return 0, &Mistake{File: file, Line: line, Column: name, Message: "two columns have this name", Mend: "rename one of them in the file"}
		}
		return at, nil
	}
	used := map[int]bool{}
	want := func(into *int, name string) error {
		if name == "" {
			return nil
		}
		at, err := find(name)
		if err == nil {
			*into = at
			used[at] = true
		}
		return err
	}
	f.timeAt = make([]int, len(p.Time.Columns))
	for i, name := range p.Time.Columns {
		if err := want(&f.timeAt[i], name); err != nil {
			return nil, err
		}
	}
	if p.Layout == Long {
		for _, c := range []struct {
			into *int
			name string
		}{{&f.device, p.Long.Device}, {&f.channel, p.Long.Channel}, {&f.value, p.Long.Value}, {&f.unit, p.Long.Unit}, {&f.quality, p.Long.Quality}} {
			if err := want(c.into, c.name); err != nil {
				return nil, err
			}
		}
		return f, nil
	}
	if err := p.wideCells(file, f, line, used, want); err != nil {
		return nil, err
	}
	for i, name := range header {
		if !used[i] && name != "" {
			f.unread = append(f.unread, name)
		}
	}
	return f, nil
}

// wideCells finds what each column of the wide layout fills.
func (p *loggerPlan) wideCells(file string, f *plan, line int64, used map[int]bool, want func(*int, string) error) error {
	add := func(column int, t target) {
		part := slices.Index(f.groups, t.group)
		if part < 0 {
			part = len(f.groups)
			f.groups = append(f.groups, t.group)
		}
		f.cells = append(f.cells, planCell{column, t, part})
	}
	for i := range p.Columns {
		column := 0
		if err := want(&column, p.Columns[i].Name); err != nil {
			return err
		}
		add(column, p.listed[p.Columns[i].Name])
	}
	if len(p.Columns) > 0 {
		return nil
	}
	for i, name := range f.names {
		if used[i] {
			continue
		}
		id, unit, ok := ownName(name)
		if !ok {
			return &Mistake{File: file, Line: line, Column: name, Message: "the column is not named as an export names them, device.channel [unit]",
				Mend: "add [[logger.column]] with the names of the columns to read"}
		}
		t, problem := p.newTarget(id, unit, nil)
		if problem == nil {
			problem = p.claim(t.group, nil)
		}
		if problem != nil {
			return &Mistake{File: file, Line: line, Column: name, Message: problem.Message, Mend: problem.Mend}
		}
		used[i] = true
		add(i, t)
	}
	if len(f.cells) == 0 {
		return &Mistake{File: file, Line: line, Message: "no column holds readings", Mend: "is separator right?"}
	}
	return nil
}

func columnMend(name string, header []string, separator byte) string {
	if near := quantity.Nearest(name, header); near != "" {
		return "did you mean " + shown(near) + "?"
	}
	if len(header) == 1 {
		return fmt.Sprintf("the header is one column, %s: is separator %q right?", shown(header[0]), separator)
	}
	names := make([]string, 0, len(header))
	for _, h := range header[:min(len(header), 20)] {
		names = append(names, shown(h))
	}
	return "the header has " + strings.Join(names, ", ")
}

// ownName takes the name of an export's wide column apart. The apostrophe that
// keeps a spreadsheet from running a name is taken off.
func ownName(name string) (id, unit string, ok bool) {
	name, ok = strings.CutSuffix(plainText(name), "]")
	if !ok {
		return "", "", false
	}
	return strings.Cut(name, " [")
}

// plainText takes off the apostrophe that an export sets before what a
// spreadsheet would run.
func plainText[T string | []byte](s T) T {
	if len(s) > 1 && s[0] == '\'' && strings.IndexByte("=+-@\t\r", s[1]) >= 0 {
		return s[1:]
	}
	return s
}

// name returns a column's name for a mistake.
func (f *plan) name(column int) string {
	if column >= 0 && column < len(f.names) && f.names[column] != "" {
		return f.names[column]
	}
	return strconv.Itoa(column + 1)
}

// known are the ids of all channels of the site.
func (in *Intake) known() []string {
	all := make([]string, 0, len(in.places))
	for id := range in.places {
		all = append(all, id)
	}
	slices.Sort(all)
	return all
}

// groupsOf makes the table of the site's channels.
func placesOf(groups []*scan.Group) map[string][2]int {
	places := map[string][2]int{}
	for g, group := range groups {
		for i := range group.Channels {
			places[group.Channels[i].ID()] = [2]int{g, i}
		}
	}
	return places
}
