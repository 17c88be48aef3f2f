package intake

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"loadscribe/agent/sitefile"
)

// Mapping says which column of which files is what.
type Mapping struct {
	Path    string
	Text    []byte // as read
	Loggers []Logger
}

// Layout is how readings are laid out in rows.
type Layout string

// The layouts.
const (
	Wide Layout = "wide" // one stamp a row, one column a channel
	Long Layout = "long" // one reading a row
)

// Encoding is how characters are written.
type Encoding string

// The encodings.
const (
	UTF8        Encoding = "utf-8"
	UTF16       Encoding = "utf-16"
	Windows1252 Encoding = "windows-1252"
)

// What is done with two rows of one time that differ.
const (
	RepeatedError = "error"
	RepeatedFirst = "first"
	RepeatedLast  = "last"
)

// Logger is one recorder: its clock, and how its files are written.
type Logger struct {
	Name            string
	Files           []string // globs, relative to the mapping's folder
	Layout          Layout
	Separator       byte
	Comma           bool // the decimal sign is a comma
	Encoding        Encoding
	SkipLines       int
	Header          bool // columns have names; else they are numbered from 1
	SkipAfterHeader int
	Empty           []string // texts that mean "no value", in any column
	Repeated        string
	Time            Times
	Clock           Clock
	Long            LongColumns
	// Columns are those that are read; none: columns are named as an export of
	// this program names them.
	Columns []Column

	place sitefile.Problem
}

// Times says where the stamps are and how they are written.
type Times struct {
	Columns   []string // joined with a space
	Format    string
	Zone      string // IANA name or "+01:00"; empty: the site's
	Ambiguous string

	pattern *pattern
	place   sitefile.Problem // of zone
}

// What an hour that is there twice at the end of daylight saving counts as.
const (
	AmbiguousError   = "error"
	AmbiguousEarlier = "earlier"
	AmbiguousLater   = "later"
	AmbiguousOrder   = "order" // as the order of the rows tells
)

// LongColumns names the columns of the long layout; empty: there is none.
type LongColumns struct {
	Device, Channel, Value, Unit, Quality string
	Good                                  []string // qualities that count
}

// Column is one column of the wide layout, or one channel of the long one.
type Column struct {
	Name    string // in the file
	Channel string // "device.channel" of the site
	Unit    string // in the file; empty: the channel's
	Empty   []string
	Words   map[string]int64

	place sitefile.Problem
}

// File is one file of one logger.
type File struct{ Logger, Path string }

// ReadMapping reads a column mapping. The error is of type sitefile.Problems.
func ReadMapping(path string) (*Mapping, error) {
	doc, err := sitefile.OpenDocument(path, "name an existing column mapping; docs/importing.md shows how one is written")
	if err != nil {
		return nil, err
	}
	return readMapping(path, doc)
}

// ParseMapping is ReadMapping for a text that has been read.
func ParseMapping(path string, data []byte) (*Mapping, error) {
	doc, err := sitefile.ParseDocument(path, data)
	if err != nil {
		return nil, err
	}
	return readMapping(path, doc)
}

func readMapping(path string, doc *sitefile.Document) (*Mapping, error) {
	m := &Mapping{Path: path, Text: doc.Text}
	sections := doc.Subs("logger")
	doc.Done()
	if len(sections) == 0 {
		doc.Problem("logger", "add [[logger]] with a name, its time and its columns", "the mapping has no logger")
	}
	for _, s := range sections {
		l := readLogger(s)
		if l.Name != "" && m.Logger(l.Name) != nil {
			s.Problem("name", "give each its own name", "the name %q is used twice", l.Name)
		}
		m.Loggers = append(m.Loggers, l)
	}
	return m, doc.Err()
}

// Logger finds a logger by its name, or nil.
func (m *Mapping) Logger(name string) *Logger {
	for i := range m.Loggers {
		if m.Loggers[i].Name == name {
			return &m.Loggers[i]
		}
	}
	return nil
}

const mostSkipped = 10_000

func readLogger(s sitefile.Section) Logger {
	l := Logger{
		Name:     s.Ident("name", `name the logger, like name = "power-logger"`),
		Files:    s.Texts("files"),
		Layout:   Layout(s.Choice("layout", string(Wide), string(Wide), string(Long))),
		Comma:    s.Choice("decimal", ".", ".", ",") == ",",
		Encoding: Encoding(s.Choice("encoding", string(UTF8), string(UTF8), string(UTF16), string(Windows1252))),
		SkipLines: int(s.Integer("skip_lines", 0, 0, mostSkipped,
			"write how many lines stand above the header")),
		Header: s.Bool("header", true),
		SkipAfterHeader: int(s.Integer("skip_after_header", 0, 0, mostSkipped,
			"write how many lines, of units say, stand between the header and the first reading")),
		Empty:    s.Texts("empty"),
		Repeated: s.Choice("repeated", RepeatedError, RepeatedError, RepeatedFirst, RepeatedLast),
		place:    s.Place("name"),
	}
	l.readSeparator(s)
	l.readTime(s)
	l.readClock(s)
	l.readLong(s)
	for _, c := range s.Subs("column") {
		l.readColumn(c)
	}
	l.checkColumns(s)
	s.Done()
	return l
}

func (l *Logger) readSeparator(s sitefile.Section) {
	const mend = `write separator = ",", ";", "\t" or "|"`
	text := s.Text("separator", ",")
	l.Separator = ','
	if len(text) == 1 && strings.Contains(",;\t|", text) {
		l.Separator = text[0]
	} else if s.Has("separator") {
		s.Problem("separator", mend, "%q cannot separate columns", text)
	}
	if l.Comma && l.Separator == ',' && !l.Header {
		s.Problem("decimal", `give the file a header or another separator`,
			"a comma for decimals and between columns, without a header, cannot be told apart")
	}
}

func (l *Logger) readLong(s sitefile.Section) {
	t, given := s.Sub("long")
	if l.Layout != Long {
		if given {
			s.Problem("long", `write layout = "long", or remove it`, `the layout is "wide"`)
		}
		return
	}
	own := LongColumns{Device: "device", Channel: "channel", Value: "value", Unit: "unit", Quality: "quality"}
	if !given {
		l.Long = own
		return
	}
	l.Long = LongColumns{
		Device:  t.Text("device", ""),
		Channel: t.Need("channel", `name the column that says which channel it is, like channel = "channel"`),
		Value:   t.Need("value", `name the column with the readings, like value = "value"`),
		Unit:    t.Text("unit", ""),
		Quality: t.Text("quality", ""),
		Good:    t.Texts("good"),
	}
	if l.Long.Quality == "" && t.Has("good") {
		t.Problem("good", `name the column, like quality = "status"`, "good without a quality column")
	}
	t.Done()
}

func (l *Logger) readColumn(c sitefile.Section) {
	col := Column{
		Name:    strings.TrimSpace(c.Need("name", `name the file's column, like name = "Flow m3/h"`)),
		Channel: c.Need("channel", `name the site's channel, like channel = "meter.flow"`),
		Unit:    c.Text("unit", ""),
		Empty:   c.Texts("empty"),
		Words:   c.Words("words"),
		place:   c.Place("channel"),
	}
	for i := range l.Columns {
		switch o := &l.Columns[i]; {
		case col.Name != "" && o.Name == col.Name:
			c.Problem("name", "give each column once", "column %q is there twice", col.Name)
		case col.Channel != "" && o.Channel == col.Channel:
			c.Problem("channel", "fill each channel from one column", "channel %q is filled from column %q already", col.Channel, o.Name)
		}
	}
	c.Done()
	l.Columns = append(l.Columns, col)
}

// checkColumns refuses what needs names where there are none.
func (l *Logger) checkColumns(s sitefile.Section) {
	if l.Header {
		return
	}
	const mend = `columns without a header are named by their number, like name = "3"`
	names := slices.Clone(l.Time.Columns)
	if l.Layout == Long {
		for _, n := range []string{l.Long.Device, l.Long.Channel, l.Long.Value, l.Long.Unit, l.Long.Quality} {
			if n != "" {
				names = append(names, n)
			}
		}
	} else {
		for i := range l.Columns {
			names = append(names, l.Columns[i].Name)
		}
		if len(l.Columns) == 0 {
			s.Problem("header", "add [[logger.column]]", "without a header nothing says which channel a column is")
		}
	}
	for _, n := range names {
		if n != "" && columnNumber(n) == 0 {
			s.Problem("header", mend, "%q is no column number", n)
		}
	}
}

// columnNumber reads a column's number from 1; 0: it is none.
func columnNumber(name string) int {
	n := 0
	for _, c := range name {
		if c < '0' || c > '9' || n > mostColumns {
			return 0
		}
		n = 10*n + int(c-'0')
	}
	if n > mostColumns {
		return 0
	}
	return n
}

// ErrFiles is returned when the files given and the mapping's loggers do not
// fit together.
var ErrFiles = errors.New("no files to import")

// FilesOf returns the files to read: those of the command line, written
// NAME=PATH, or PATH where there is one logger; a logger without one has those
// that its files in the mapping match. A logger without either is left out,
// unless no file is given at all.
func (m *Mapping) FilesOf(args []string) ([]File, error) {
	var all []File
	for _, arg := range args {
		f := File{Path: arg}
		if name, path, ok := strings.Cut(arg, "="); ok && m.Logger(name) != nil {
			f = File{name, path}
		} else if len(m.Loggers) == 1 {
			f.Logger = m.Loggers[0].Name
		} else {
			return nil, fileMistake(arg, "which of the loggers "+m.names()+" wrote this file is not said", "write NAME="+arg)
		}
		all = append(all, f.alike()...)
	}
	for i := range m.Loggers {
		l := &m.Loggers[i]
		if slices.ContainsFunc(all, func(f File) bool { return f.Logger == l.Name }) {
			continue
		}
		if len(l.Files) == 0 && len(args) > 0 {
			continue
		}
		own, err := l.glob(filepath.Dir(m.Path))
		if err != nil {
			return nil, err
		}
		all = append(all, own...)
	}
	return all, nil
}

// alike is a file of the command line, or the files that a pattern there means: no
// shell finds those of NAME=logs/*.csv, and none of Windows those of logs/*.csv. A file
// that is there under that very name is meant itself.
func (f File) alike() []File {
	if _, err := os.Lstat(f.Path); err == nil || !strings.ContainsAny(f.Path, "*?[") {
		return []File{f}
	}
	found, err := filepath.Glob(f.Path)
	if err != nil || len(found) == 0 {
		return []File{f} // and reading it says that there is none
	}
	var all []File
	for _, path := range found { // which Glob has sorted
		all = append(all, File{f.Logger, path})
	}
	return all
}

func (l *Logger) glob(dir string) ([]File, error) {
	if len(l.Files) == 0 {
		p := l.place
		p.Key, p.Message, p.Mend = "logger.files", "logger "+l.Name+" has no files", `write files = ["logs/*.csv"], or give them to import as `+l.Name+"=PATH"
		return nil, errors.Join(ErrFiles, p)
	}
	var all []File
	for _, g := range l.Files {
		path := filepath.FromSlash(g)
		if !filepath.IsAbs(path) {
			path = filepath.Join(dir, path)
		}
		found, err := filepath.Glob(path)
		if err != nil || len(found) == 0 {
			p := l.place
			p.Key, p.Message, p.Mend = "logger.files", "no file is like "+g, "files are found relative to the mapping; correct the pattern or put the files there"
			return nil, errors.Join(ErrFiles, p)
		}
		slices.Sort(found)
		for _, f := range found {
			if !slices.Contains(all, File{l.Name, f}) {
				all = append(all, File{l.Name, f})
			}
		}
	}
	return all, nil
}

func (m *Mapping) names() string {
	var all []string
	for i := range m.Loggers {
		all = append(all, m.Loggers[i].Name)
	}
	return strings.Join(all, ", ")
}

func fileMistake(file, message, mend string) *Mistake {
	return &Mistake{File: file, Message: message, Mend: mend}
}
