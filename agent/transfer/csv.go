package transfer

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"loadscribe/agent/scan"
)

// Layout is how readings are laid out in rows.
type Layout string

// The layouts.
const (
	// Long has one reading a row, under the header
	// time,device,channel,value,unit,quality.
	Long Layout = "long"
	// Wide has one stamp a row and one column a channel, under the header
	// time and "device.channel [unit]".
	Wide Layout = "wide"
)

// ParseLayout returns the layout called s; empty means Long.
func ParseLayout(s string) (Layout, error) {
	switch Layout(s) {
	case "", Long:
		return Long, nil
	case Wide:
		return Wide, nil
	}
	return "", fmt.Errorf("layout %q is not known: use long or wide", s)
}

// Source calls fn for each scan of a window in the store's order, and stops
// with fn's error. The scan is the source's again once fn returns.
type Source func(fn func(*scan.Scan) error) error

// CSVOptions say what an export holds. The zero value is Long and all channels.
type CSVOptions struct {
	Layout Layout
	// Channels are channel ids; empty means all.
	Channels []string
}

// ExportCSV writes the scans of src to w as CSV with line ends CR LF (RFC 4180).
//
// groups are all groups whose scans src may bring; the wide layout takes its
// columns from them. A channel whose unit changed has one column a unit. A
// value that is missing or not a finite number is empty; in the long layout
// quality is "good" or the reason. A scan without values gives one row a
// channel, so that a gap is in the file and not only between its lines.
//
// A text that a spreadsheet would run as a formula is led by an apostrophe.
// Memory is bounded by the reordering window, whatever the export's length.
func ExportCSV(ctx context.Context, w io.Writer, src Source, groups []*scan.Group, o CSVOptions) error {
	out := bufio.NewWriterSize(w, 64<<10)
	wanted := channelSet(o.Channels)
	var rows rowWriter
	switch o.Layout {
	case "", Long:
		rows = newLongRows(out, wanted)
	case Wide:
		rows = newWideRows(out, wanted, groups)
	default:
		return fmt.Errorf("export csv: layout %q is not known", o.Layout)
	}
	if err := rows.header(); err != nil {
		return fmt.Errorf("export csv: %w", err)
	}
	sorted := newReorder(newPauses(rows.scan).scan)
	err := src(func(s *scan.Scan) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		return sorted.push(s)
	})
	if err == nil {
		err = sorted.flush()
	}
	if err == nil {
		err = rows.end()
	}
	if err == nil {
		err = out.Flush()
	}
	if err != nil {
		return fmt.Errorf("export csv: %w", err)
	}
	return nil
}

// rowWriter turns scans, in order, into rows.
type rowWriter interface {
	header() error
	scan(*scan.Scan) error
	end() error
}

// channelSet returns nil for all.
func channelSet(ids []string) map[string]bool {
	if len(ids) == 0 {
		return nil
	}
	set := make(map[string]bool, len(ids))
	for _, id := range ids {
		set[id] = true
	}
	return set
}

func appendStamp(dst []byte, wallMS int64) []byte {
	return time.UnixMilli(wallMS).UTC().AppendFormat(dst, "2006-01-02T15:04:05.000Z")
}

// Text returns a text that no spreadsheet takes for a formula. A leading =, +, -,
// @, tab, CR or LF makes it compute the cell (OWASP, CSV injection; from memory);
// an apostrophe before it makes it text. Values never come here: they are digits,
// and -0.5 stays a number.
func Text(s string) string {
	if s != "" && strings.IndexByte("=+-@\t\r\n", s[0]) >= 0 {
		return "'" + s
	}
	return s
}

// field returns a text as a CSV field: quoted where it must be, and never the
// start of a formula.
func field(s string) string {
	s = Text(s)
	if strings.ContainsAny(s, "\",\r\n") {
		s = `"` + strings.ReplaceAll(s, `"`, `""`) + `"`
	}
	return s
}

// reading appends channel i of s, whose printer p is, or returns why there is
// none.
func (p *printer) reading(dst []byte, s *scan.Scan, i int) ([]byte, scan.Reason) {
	raw, ok := s.Get(i)
	if !ok {
		return dst, s.ReasonOf(i)
	}
	out := p.append(dst, raw)
	if len(out) == len(dst) {
		return dst, scan.Implausible // not a finite number
	}
	return out, scan.Good
}

// longRows writes one reading a row. What does not change from scan to scan is
// made once a group.
type longRows struct {
	out    *bufio.Writer
	wanted map[string]bool
	groups map[*scan.Group][]longColumn
	row    []byte
}

type longColumn struct {
	index        int
	digits       printer
	before, unit string // ",device,channel,", ",unit,"
}

func newLongRows(out *bufio.Writer, wanted map[string]bool) *longRows {
	return &longRows{out: out, wanted: wanted, groups: map[*scan.Group][]longColumn{}}
}

func (l *longRows) header() error {
	_, err := l.out.WriteString("time,device,channel,value,unit,quality\r\n")
	return err
}

func (l *longRows) columns(g *scan.Group) []longColumn {
	if cols, ok := l.groups[g]; ok {
		return cols
	}
	var cols []longColumn
	for i := range g.Channels {
		c := &g.Channels[i]
		if l.wanted != nil && !l.wanted[c.ID()] {
			continue
		}
		cols = append(cols, longColumn{
			index:  i,
			digits: printerOf(c),
			before: "," + field(c.Device) + "," + field(c.Name) + ",",
			unit:   "," + field(c.Unit) + ",",
		})
	}
	l.groups[g] = cols
	return cols
}

func (l *longRows) scan(s *scan.Scan) error {
	row := appendStamp(l.row[:0], s.WallMS)
	stamp := len(row)
	columns := l.columns(s.Group)
	for i := range columns {
		col := &columns[i]
		row = append(row[:stamp], col.before...)
		var reason scan.Reason
		row, reason = col.digits.reading(row, s, col.index)
		row = append(row, col.unit...)
		row = append(row, reason.String()...)
		row = append(row, "\r\n"...)
		if _, err := l.out.Write(row); err != nil {
			return err
		}
	}
	l.row = row
	return nil
}

func (l *longRows) end() error { return nil }
