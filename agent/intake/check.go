package intake

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"loadscribe/agent/scan"
)

// Report is what Check found.
type Report struct {
	Loggers      []LoggerReport
	FromMS, ToMS int64 // true time of the first and the last scan
	Scans        int64
}

// LoggerReport is what was found of one logger.
type LoggerReport struct {
	Name         string
	Clock        Clock
	Files        []FileReport
	Groups       []GroupReport
	FromMS, ToMS int64 // true time of the first and the last scan
	Rows, Scans  int64
	Blank        int64 // empty lines
	Backward     int64 // rows that go back in time within their file
	Doubled      int64 // rows in an hour that is there twice
	Repeated     int64 // rows of a time that was there already
	Differing    int64 // readings among them that differ, where the mapping allows it
	NoValue      int64 // readings that are no value, or whose quality is not good
	Implausible  int64 // readings outside the channel's valid range
	Unread       []string
	// Notes are what was odd, in sentences.
	Notes []string
}

// FileReport is one file.
type FileReport struct {
	Path         string
	SHA256       string
	Bytes, Rows  int64
	FromMS, ToMS int64 // by the logger's own clock
}

// GroupReport is one poll group.
type GroupReport struct {
	Device, Every string
	PeriodMS      int64
	StepMS        int64 // how far scans lie apart, the median; 0: there is one only
	Scans         int64
}

// counts is what a pass counts.
type counts struct {
	loggers []LoggerReport
	groups  []groupCount
}

type groupCount struct {
	owner         *loggerPlan
	scans, lastMS int64
	steps         map[int64]int64
}

// mostSteps bounds how many lengths of step are told apart.
const mostSteps = 4096

func (in *Intake) newCounts() *counts {
	return &counts{loggers: make([]LoggerReport, len(in.loggers)), groups: make([]groupCount, len(in.groups))}
}

func (c *counts) logger(p *loggerPlan) *LoggerReport { return &c.loggers[p.index] }

func (c *counts) scan(group int, s *pending, out *scan.Scan) {
	l := c.logger(s.logger)
	if l.Scans == 0 {
		l.FromMS = out.WallMS
	}
	l.ToMS = out.WallMS
	l.Scans++
	for _, cell := range s.cells {
		switch {
		case !cell.said || cell.quality == scan.Good:
		case cell.quality == scan.Implausible:
			l.Implausible++
		default:
			l.NoValue++
		}
	}
	g := &c.groups[group]
	if g.scans++; g.steps == nil {
		g.owner, g.steps = s.logger, map[int64]int64{}
	} else if step := out.WallMS - g.lastMS; len(g.steps) < mostSteps || g.steps[step] > 0 {
		g.steps[step]++
	}
	g.lastMS = out.WallMS
}

// median returns the step that half of all steps do not exceed.
func (g *groupCount) median() int64 {
	var all []int64
	var total, sum int64
	for step, n := range g.steps {
		all = append(all, step)
		total += n
	}
	slices.Sort(all)
	for _, step := range all {
		if sum += g.steps[step]; 2*sum >= total {
			return step
		}
	}
	return 0
}

// Check reads all files and reports what is in them. Nothing that is wrong in a
// file gets past it, but for what is written to the file later. progress, if
// not nil, is told how many bytes are done.
func (in *Intake) Check(ctx context.Context, progress func(done, total int64)) (Report, error) {
	in.progress, in.done, in.told = progress, 0, 0
	defer func() { in.progress = nil }()
	in.total = 0
	for _, s := range in.sources {
		in.total += 2 * s.size
	}
	for _, s := range in.sources {
		if err := s.lookAt(ctx); err != nil {
			return Report{}, err
		}
	}
	m := &merger{in: in, ctx: ctx, groups: in.groups, count: in.newCounts(), emit: func(*scan.Scan) error { return nil }}
	if err := m.run(); err != nil {
		return Report{}, err
	}
	report, err := in.report(m.count)
	in.checked = err == nil
	return report, err
}

// tick tells of progress, about a hundred times.
func (in *Intake) tick(bytes int64) {
	in.done = min(in.done+bytes, in.total)
	if in.progress != nil && (in.done-in.told)*100 >= in.total {
		in.told = in.done
		in.progress(in.done, in.total)
	}
}

// Scans reads all files again and calls fn with each scan in the order of true
// time, which is its wall and its monotonic time. groups are the store's own of
// Groups, in the same order; nil: those of Groups. The scan is fn's to keep. It
// stops with fn's error.
func (in *Intake) Scans(ctx context.Context, groups []*scan.Group, fn func(*scan.Scan) error) error {
	if !in.checked {
		return errNotChecked
	}
	own := slices.Clone(in.groups)
	if groups != nil {
		n := 0
		for i := range own {
			if in.owner[i] == nil {
				continue
			}
			if n == len(groups) || groups[n].Device != own[i].Device || len(groups[n].Channels) != len(own[i].Channels) {
				return fmt.Errorf("intake: the groups given are not those of Groups")
			}
			own[i] = groups[n]
			n++
		}
	}
	m := &merger{in: in, ctx: ctx, groups: own, count: in.newCounts(), emit: fn}
	return m.run()
}

// report sums up, and refuses a period that would leave nothing observed.
func (in *Intake) report(c *counts) (Report, error) {
	var r Report
	for i, p := range in.loggers {
		if !slices.ContainsFunc(in.sources, func(s *source) bool { return s.logger == p }) {
			continue
		}
		r.Loggers = append(r.Loggers, c.loggers[i])
		l := &r.Loggers[len(r.Loggers)-1]
		l.Name, l.Clock = p.Name, p.Clock
		for _, s := range in.sources {
			if s.logger == p {
				l.add(s)
			}
		}
		for g := range c.groups {
			if count := &c.groups[g]; count.owner == p {
				if err := l.addGroup(in.groups[g], count, p); err != nil {
					return r, err
				}
			}
		}
		if l.Scans == 0 {
			return r, placed(p.place, "no row of logger "+p.Name+" has a reading of a channel", "see the names of its columns and channels")
		}
		if r.Scans == 0 {
			r.FromMS, r.ToMS = l.FromMS, l.ToMS
		}
		r.FromMS, r.ToMS = min(r.FromMS, l.FromMS), max(r.ToMS, l.ToMS)
		r.Scans += l.Scans
		l.note(p)
	}
	return r, nil
}

func (l *LoggerReport) add(s *source) {
	l.Files = append(l.Files, FileReport{Path: s.path, SHA256: s.looked.sha256, Bytes: s.size, Rows: s.looked.rows,
		FromMS: s.looked.firstMS, ToMS: s.looked.lastMS})
	l.Blank += s.looked.blank
	l.Backward += s.looked.backward
	l.Doubled += s.looked.doubled
	for _, name := range append(s.plan.unread, s.unlisted...) {
		if !slices.Contains(l.Unread, name) {
			l.Unread = append(l.Unread, name)
		}
	}
}

// addGroup holds the rows' period against the device's. Time between two scans
// that is longer than three periods is a gap (design, section 4 rule 2).
func (l *LoggerReport) addGroup(g *scan.Group, c *groupCount, p *loggerPlan) error {
	step := c.median()
	l.Groups = append(l.Groups, GroupReport{Device: g.Device, Every: g.Name, PeriodMS: g.PeriodMS, StepMS: step, Scans: c.scans})
	every := fmt.Sprintf("every = %q", periodText(step))
	switch {
	case step > g.GapMS():
		return placed(p.place, fmt.Sprintf("readings of device %q lie %s apart, but the site file says %s: all time between them would be a gap", g.Device, periodText(step), g.Name),
			"write "+every+" for the device, or for the channels in its map")
	case step > 0 && (2*step < g.PeriodMS || 2*step > 3*g.PeriodMS):
		l.Notes = append(l.Notes, fmt.Sprintf("readings of device %q lie %s apart, but the site file says %s: write %s", g.Device, periodText(step), g.Name, every))
	}
	return nil
}

func periodText(ms int64) string {
	if ms%1000 == 0 {
		return fmt.Sprintf("%ds", ms/1000)
	}
	return fmt.Sprintf("%dms", ms)
}

// note puts what is odd into sentences.
func (l *LoggerReport) note(p *loggerPlan) {
	say := func(n int64, one, many string) {
		switch {
		case n == 1:
			l.Notes = append(l.Notes, "1 "+one)
		case n > 1:
			l.Notes = append(l.Notes, fmt.Sprintf("%d %s", n, many))
		}
	}
	say(l.Backward, "row goes back in time within its file; it was put in order", "rows go back in time within their file; they were put in order")
	say(l.Repeated, "row repeats a time that was there already; it counts once", "rows repeat a time that was there already; they count once")
	say(l.Differing, "reading differs from another of the same time; the "+p.Repeated+" was kept", "readings differ from others of the same time; the "+p.Repeated+" was kept")
	say(l.Doubled, "row lies in the hour that is there twice when daylight saving ends; it was taken by ambiguous = "+p.Time.Ambiguous,
		"rows lie in the hour that is there twice when daylight saving ends; they were taken by ambiguous = "+p.Time.Ambiguous)
	say(l.NoValue, "reading is no value", "readings are no value")
	say(l.Implausible, "reading is outside its channel's valid range", "readings are outside their channel's valid range")
	say(l.Blank, "line is empty", "lines are empty")
	if n := len(l.Unread); n > 0 {
		names := make([]string, 0, n)
		for _, name := range l.Unread[:min(n, 20)] {
			names = append(names, shown(name))
		}
		if n > len(names) {
			names = append(names, "…")
		}
		l.Notes = append(l.Notes, "not read: "+strings.Join(names, ", "))
	}
	slices.SortStableFunc(l.Groups, func(a, b GroupReport) int { return cmp.Compare(a.Device, b.Device) })
}

// unlisted remembers channels of a long file that the mapping does not list.
func (in *Intake) unlisted(s *source, name string) {
	if len(s.unlisted) < 100 && !slices.Contains(s.unlisted, name) {
		s.unlisted = append(s.unlisted, name)
	}
}
