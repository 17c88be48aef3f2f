package sitefile

import (
	"bytes"
	"errors"
	"fmt"
	"regexp"
	"strings"
	"time"
)

// Inspect is Load for who wants to see what was read: the files that could be
// read are returned with whatever is wrong with them. problems is empty where
// site is not nil.
func Inspect(path string, opts Options) (site *Site, files []File, problems Problems) {
	return InspectWith(path, opts, readFile)
}

// InspectWith is Inspect of files that read gives, such as a site file that is yet
// to be written. It asks for path, then for each map by its path.
func InspectWith(path string, opts Options, read func(path string) ([]byte, error)) (site *Site, files []File, problems Problems) {
	l := newLoader(path, read)
	site, err := l.load(opts)
	if err != nil && !errors.As(err, &problems) {
		problems = Problems{{File: path, Message: err.Error(), Cause: err}} // load has no other errors
	}
	return site, l.site.Files, problems
}

// CalibrationWarnings says what wants doing about the site's instruments on the
// day of now, each at the line that says so.
func (s *Site) CalibrationWarnings(now time.Time) []Problem {
	var all []Problem
	today := now.In(s.Location).Format(time.DateOnly)
	at := s.places()
	add := func(subject, key, mend, format string, args ...any) {
		p := Problem{File: s.Files[0].Path, Key: "device.instrument." + key, Message: fmt.Sprintf(format, args...), Mend: mend}
		p.Line, p.Col = at.instrument(subject, key)
		all = append(all, p)
	}
	for _, f := range s.InstrumentFacts(now, now) {
		for i := range f.Checks {
			if f.Checks[i].On > today {
				add(f.Subject, "checks", "correct on of its checks", "%s was checked on %s, which is yet to come", f.Subject, f.Checks[i].On)
			}
		}
		switch f.Standing {
		case Expired:
			add(f.Subject, "calibrated", "have it calibrated and write the new day into its instrument",
				"the calibration of %s ended on %s", f.Subject, f.CalibratedUntil)
		case InFuture:
			add(f.Subject, "calibrated", "correct calibrated of its instrument", "%s is calibrated on %s, which is yet to come", f.Subject, f.Calibrated)
		}
	}
	return all
}

// LineAt returns where a line's table begins in the site file; zero where it has
// none.
func (s *Site) LineAt(name string) (line, col int) {
	if t := s.places().named("line", name); t != nil {
		return t.at.line, t.at.col
	}
	return 0, 0
}

// places finds tables in the site file's text.
type places struct{ root *table }

// places reads the site file's text again: a Site keeps no places. What was
// loaded once can be read again.
func (s *Site) places() places {
	if len(s.Files) == 0 {
		return places{&table{}}
	}
	root, err := parseDocument(s.Files[0].Text)
	if err != nil {
		root = &table{}
	}
	return places{root}
}

// named returns the table of a list with this name, or nil.
func (p places) named(list, name string) *table {
	e := p.root.find(list)
	if e == nil {
		return nil
	}
	for _, v := range e.value.list {
		if v.kind != kindTable {
			continue
		}
		if n := v.table.find("name"); n != nil && n.value.text == name {
			return v.table
		}
	}
	return nil
}

// inside returns where the last of these keys stands, each in the table of the one
// before; or the last that is there.
func (p places) inside(keys ...string) (line, col int) {
	t := p.root
	for _, key := range keys {
		e := t.find(key)
		if e == nil {
			break
		}
		line, col = e.at.line, e.at.col
		if e.value.kind != kindTable {
			break
		}
		t = e.value.table
	}
	return line, col
}

// instrument returns where a key of an instrument's record stands, or the record
// where it has no such key of its own. subject is as in InstrumentFacts.
func (p places) instrument(subject, key string) (line, col int) {
	device, channel, _ := strings.Cut(subject, ".")
	t := p.named("device", device)
	if t == nil {
		return 0, 0
	}
	at := t.at
	for _, step := range [...]string{"instrument", "channels", channel, key} {
		if channel == "" && (step == "channels" || step == "") {
			continue
		}
		e := t.find(step)
		if e == nil && step == "calibrated" {
			e = t.find("calibrated_until")
		}
		if e == nil {
			break
		}
		if at = e.at; e.value.kind != kindTable {
			break
		}
		t = e.value.table
	}
	return at.line, at.col
}

// secretKey finds a setting that nobody should read on a page, comments included.
var secretKey = regexp.MustCompile(`(?i)^(.*(?:password|secret|token)[\w.-]*["']?\s*=\s*)(.+)$`)

// ForPages is a file's text as a page may show it: with the values of passwords,
// secrets and tokens taken out, and as many lines as before.
func ForPages(text []byte) string {
	lines := strings.Split(string(bytes.TrimPrefix(text, bomUTF8)), "\n")
	until := "" // what ends a value that goes on
	for i, line := range lines {
		line = strings.TrimSuffix(line, "\r")
		if until != "" {
			if strings.Contains(line, until) {
				until = ""
			}
			lines[i] = "# (not shown)"
			continue
		}
		m := secretKey.FindStringSubmatch(line)
		if m == nil {
			lines[i] = line
			continue
		}
		lines[i] = m[1] + `"(not shown)"`
		for _, open := range [...][2]string{{`"""`, `"""`}, {"'''", "'''"}, {"[", "]"}} {
			if rest, goesOn := strings.CutPrefix(m[2], open[0]); goesOn && !strings.Contains(rest, open[1]) {
				until = open[1]
			}
		}
	}
	return strings.Join(lines, "\n")
}
