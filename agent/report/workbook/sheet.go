package workbook

import (
	"fmt"
	"math"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"
)

// sheet is a sheet while it is written, row by row.
type sheet struct {
	book   *book
	name   string
	stream *excelize.StreamWriter
	row    int       // the one to be written next, from 1
	widths []float64 // of the columns, in characters
	charts []placed
	err    error
}

// placed is a chart and the cell at its corner.
type placed struct {
	at    string
	chart *excelize.Chart
}

// column is a heading and how wide its column is, in characters.
type column struct {
	head  string
	width float64
}

// formula is a cell that is reckoned: what it says and what that comes to.
type formula struct {
	says  string // without "="
	comes *float64
}

// cell is a value with a look. The value is nil, a string, a *float64, a float64, an
// int64, a time.Time or a formula.
type cell struct {
	value any
	look  look
}

// sheet adds a sheet.
func (b *book) sheet(name string, write func(*sheet) error) error {
	if _, err := b.file.NewSheet(name); err != nil {
		return err
	}
	landscape, pages := "landscape", 0
	one := 1
	if err := b.file.SetPageLayout(name, &excelize.PageLayoutOptions{Orientation: &landscape, FitToWidth: &one, FitToHeight: &pages}); err != nil {
		return err
	}
	fit := true
	if err := b.file.SetSheetProps(name, &excelize.SheetPropsOptions{FitToPage: &fit}); err != nil {
		return err
	}
	stream, err := b.file.NewStreamWriter(name) // it writes the properties at once: later ones would be lost
	if err != nil {
		return err
	}
	s := &sheet{book: b, name: name, stream: stream, row: 1}
	if err := write(s); err != nil {
		return err
	}
	if s.err != nil {
		return s.err
	}
	for _, c := range s.charts {
		if err := b.file.AddChart(name, c.at, c.chart); err != nil {
			return err
		}
	}
	return stream.Flush()
}

// head sets the columns' widths, writes the first row and keeps it in sight, with so
// many columns at the left.
func (s *sheet) head(still int, columns ...column) {
	for _, c := range columns {
		s.column(c.width)
	}
	corner := fmt.Sprintf("%s2", letter(still))
	s.fail(s.stream.SetPanes(&excelize.Panes{Freeze: true, XSplit: still, YSplit: 1, TopLeftCell: corner, ActivePane: pane(still),
		Selection: []excelize.Selection{{SQRef: corner, ActiveCell: corner, Pane: pane(still)}}}))
	cells := make([]cell, len(columns))
	for i, c := range columns {
		cells[i] = cell{c.head, look{head: true}}
	}
	s.put(cells...)
}

// column sets the width of the next column.
func (s *sheet) column(width float64) {
	s.widths = append(s.widths, width)
	s.fail(s.stream.SetColWidth(len(s.widths), len(s.widths), width))
}

// pane is the part of a sheet that moves.
func pane(still int) string {
	if still == 0 {
		return "bottomLeft"
	}
	return "bottomRight"
}

// put writes a row and returns its number.
func (s *sheet) put(cells ...cell) int {
	row := make([]any, len(cells))
	for i, c := range cells {
		row[i] = s.written(c)
	}
	s.fail(s.stream.SetRow(fmt.Sprintf("A%d", s.row), row, excelize.RowOpts{Height: s.height(cells)}))
	s.row++
	return s.row - 1
}

// height is how many points a row needs for its wrapped texts, since a spreadsheet
// that opens a file need not find that out; 0: the usual height.
func (s *sheet) height(cells []cell) float64 {
	const linePoints, mostPoints = 15, 405 // 409 are the most that a row can have
	most := 1
	for i, c := range cells {
		text, ok := c.value.(string)
		if !ok || i >= len(s.widths) || !c.look.wrap && !c.look.head {
			continue
		}
		lines := 0
		for line := range strings.SplitSeq(text, "\n") {
			// words seldom fill a line: a tenth of it stays empty
			lines += max(1, int(math.Ceil(float64(utf8.RuneCountInString(line))/(0.9*s.widths[i]))))
		}
		most = max(most, lines)
	}
	if most == 1 {
		return 0
	}
	return min(float64(most*linePoints), mostPoints)
}

// written is a cell as the stream takes it.
func (s *sheet) written(c cell) any {
	id, err := s.book.style(c.look)
	s.fail(err)
	out := excelize.Cell{StyleID: id}
	switch v := c.value.(type) {
	case nil:
		return out
	case string:
		out.Value = clean(v)
	case float64:
		out.Value = finite(v)
	case *float64:
		if v != nil {
			out.Value = finite(*v)
		}
	case int64:
		out.Value = v
	case time.Time:
		out.Value = serial(v)
	case formula:
		out.Formula = v.says
		if v.comes != nil {
			out.Value = finite(*v.comes)
		}
	default:
		s.fail(fmt.Errorf("a cell of %T: a mistake of the program", v))
	}
	return out
}

func (s *sheet) fail(err error) {
	if s.err == nil {
		s.err = err
	}
}

// finite is a number that a sheet can hold; else nothing.
func finite(v float64) any {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return v
}

// longest is how many characters a cell holds.
const longest = 32_767

// clean is a text that XML and a cell can hold.
func clean(text string) string {
	text = strings.Map(func(r rune) rune {
		if r == utf8.RuneError || r < ' ' && r != '\n' && r != '\t' || r == 0xFFFE || r == 0xFFFF {
			return '\uFFFD'
		}
		return r
	}, text)
	if utf8.RuneCountInString(text) > longest {
		text = string([]rune(text)[:longest-1]) + "…"
	}
	return text
}

// serial is a time of day as sheets count it: days since 30 December 1899.
func serial(t time.Time) float64 {
	_, offset := t.Zone()
	const epoch = -2_209_161_600 // 1899-12-30 in Unix seconds
	return (float64(t.Unix()+int64(offset)-epoch) + float64(t.Nanosecond())/1e9) / 86_400
}

// letter is the name of the column at place i, from 0.
func letter(i int) string {
	name, err := excelize.ColumnNumberToName(i + 1)
	if err != nil {
		panic(fmt.Sprintf("column %d: a mistake of the program", i))
	}
	return name
}

// The looks of numbers.
var (
	moneyLook = look{format: "#,##0.00"}
	timeLook  = look{format: "yyyy-mm-dd hh:mm:ss"}
	dateLook  = look{format: "ddd yyyy-mm-dd hh:mm"}
	shareLook = look{format: "0.0%"}
	wrapLook  = look{wrap: true}
)

// decimals is the look of a number with so many places.
func decimals(n int) look {
	if n <= 0 {
		return look{format: "#,##0"}
	}
	return look{format: "#,##0." + strings.Repeat("0", min(n, 6))}
}

// placesOf are the decimals that show four figures of v.
func placesOf(v float64) int {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0
	}
	return max(0, min(6, 3-int(math.Floor(math.Log10(math.Abs(v))))))
}
