package intake

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"
	"time"
)

// source is one file of one logger.
type source struct {
	logger *loggerPlan
	path   string
	order  int
	plan   *plan

	size    int64
	written time.Time
	looked  look
	// unlisted are channels of a long file that the mapping does not list.
	unlisted []string
}

// look is what a first look at a file found.
type look struct {
	done            bool
	rows, blank     int64
	backward        int64 // rows that go back in time
	doubled         int64 // rows in an hour that is there twice
	firstMS, lastMS int64 // by its own clock: least and greatest
	sha256          string
	runs            []run // stretches in order of time; nil: more than maxRuns
}

// run is a stretch of a file whose rows are in order of time.
type run struct {
	offset, line, rows, firstMS int64
}

// maxRuns is how many stretches of a file are read side by side; beyond it an
// index is made. A file of tags one after the other has one a tag.
const maxRuns = 64

// reading is a file that is being read.
type reading struct {
	*source
	file   *os.File
	rows   *rowReader
	stamps stamps
	blanks int64
	text   []byte // a stamp of several columns
}

// open opens the file and reads its header. What is read is written to copyTo
// as well, if that is not nil.
func (s *source) open(copyTo io.Writer) (*reading, error) {
	// a pipe would be waited for, and can be read once only
	if info, err := os.Stat(s.path); err == nil && !info.Mode().IsRegular() {
		if info.IsDir() {
			return nil, fileMistake(s.path, "it is a folder", "name the files in it")
		}
		return nil, fileMistake(s.path, "it is no plain file", "save it as a file: it is read three times")
	}
	f, err := os.Open(s.path)
	if err != nil {
		m := &Mistake{File: s.path, Message: "cannot read it: " + err.Error(), Cause: err}
		if errors.Is(err, fs.ErrNotExist) {
			m.Message, m.Mend = "there is no such file", "correct its name"
		}
		return nil, m
	}
	r := &reading{source: s, file: f, stamps: s.logger.newStamps()}
	err = r.begin(copyTo)
	if err == nil {
		err = r.header()
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return r, nil
}

func (p *loggerPlan) newStamps() stamps {
	return stamps{times: &p.Time, zone: zoneClock{loc: p.loc}, period: p.period}
}

// close closes the file.
func (r *reading) close() error {
	if err := r.file.Close(); err != nil {
		return &Mistake{File: r.path, Message: "cannot read it: " + err.Error(), Cause: err}
	}
	return nil
}

// begin looks at the first bytes: a mark of the encoding, or that it is no CSV.
func (r *reading) begin(copyTo io.Writer) error {
	info, err := r.file.Stat()
	if err != nil {
		return r.wrong(0, -1, "cannot read it: "+err.Error(), "", err)
	}
	if r.plan != nil && !r.written.IsZero() && (info.Size() != r.size || !info.ModTime().Equal(r.written)) {
		return &Mistake{File: r.path, Message: "the file has changed since it was checked", Mend: "import it again when nothing writes to it", Cause: ErrChanged}
	}
	r.size, r.written = info.Size(), info.ModTime()
	var head [4]byte
	n, err := io.ReadFull(r.file, head[:])
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		return r.wrong(0, -1, "cannot read it: "+err.Error(), "", err)
	}
	if n == 0 {
		return r.wrong(0, -1, "it is empty", "leave it out", nil)
	}
	d := decoder{encoding: r.logger.Encoding}
	mark := 0
	switch h := head[:n]; {
	case bytes.HasPrefix(h, []byte("PK\x03\x04")), bytes.HasPrefix(h, []byte("\xd0\xcf\x11\xe0")):
		return r.wrong(0, -1, "it is a workbook or an archive, not CSV", "save the sheet as CSV", nil)
	case bytes.HasPrefix(h, []byte("\x1f\x8b")):
		return r.wrong(0, -1, "it is compressed", "unpack it", nil)
	case bytes.HasPrefix(h, []byte("\xff\xfe")), bytes.HasPrefix(h, []byte("\xfe\xff")):
		if d.encoding != UTF16 {
			return r.wrong(0, -1, "it is UTF-16 text", `write encoding = "utf-16"`, nil)
		}
		mark, d.big = 2, h[0] == 0xfe
	case bytes.HasPrefix(h, []byte("\xef\xbb\xbf")):
		if d.encoding != UTF8 {
			return r.wrong(0, -1, "it is UTF-8 text", `write encoding = "utf-8"`, nil)
		}
		mark = 3
	}
	rest := io.Reader(r.file)
	if copyTo != nil {
		if _, err := copyTo.Write(head[:n]); err != nil {
			return r.wrong(0, -1, "cannot read it: "+err.Error(), "", err)
		}
		rest = io.TeeReader(r.file, copyTo)
	}
	src := io.MultiReader(bytes.NewReader(head[mark:n]), rest)
	dec := &d
	if d.encoding != UTF8 {
		dr := &decodeReader{decoder: d, src: src}
		dec, src = &dr.decoder, dr
	}
	r.rows = newRowReader(src, dec, r.logger.Separator, int64(mark))
	return nil
}

// seek goes on at the beginning of a stretch.
func (r *reading) seek(to run) error {
	if _, err := r.file.Seek(to.offset, io.SeekStart); err != nil {
		return r.wrong(to.line, -1, "cannot read it: "+err.Error(), "", err)
	}
	d := *r.rows.decoder
	dec, src := &d, io.Reader(r.file)
	if d.encoding != UTF8 {
		dr := &decodeReader{decoder: d, src: src}
		dec, src = &dr.decoder, dr
	}
	r.rows = newRowReader(src, dec, r.logger.Separator, to.offset)
	r.rows.next = to.line
	return nil
}

// header passes over what stands before the readings and finds the columns.
func (r *reading) header() error {
	for range r.logger.SkipLines {
		if err := r.rows.skip(); err != nil {
			return r.rowMistake(err, "the file ends within skip_lines")
		}
	}
	var names []string
	line := int64(0)
	if r.logger.Header {
		if err := r.rows.read(); err != nil {
			return r.rowMistake(err, "the file has no header")
		}
		for _, f := range r.rows.fields {
			names = append(names, strings.TrimSpace(string(f)))
		}
		line = r.rows.line
		for len(names) > 1 && names[len(names)-1] == "" {
			names = names[:len(names)-1] // a separator at the end of each row
		}
	}
	for range r.logger.SkipAfterHeader {
		if err := r.rows.skip(); err != nil {
			return r.rowMistake(err, "the file ends within skip_after_header")
		}
	}
	if r.plan != nil {
		return nil
	}
	var err error
	r.plan, err = r.logger.filePlan(r.path, names, line)
	return err
}

// next reads the next row with something in it; io.EOF behind the last.
func (r *reading) next() error {
	for {
		if err := r.rows.read(); err != nil {
			if errors.Is(err, io.EOF) {
				return io.EOF
			}
			return r.rowMistake(err, "")
		}
		if len(r.rows.fields) > 1 || len(bytes.TrimSpace(r.rows.fields[0])) > 0 {
			return r.width()
		}
		r.blanks++
	}
}

// width refuses a row with more or fewer fields than the header has. Empty ones
// at the end are a separator too many.
func (r *reading) width() error {
	p, n := r.plan, len(r.rows.fields)
	if p.width == 0 {
		p.width = n
		return r.enough(n)
	}
	for n > p.width && len(r.rows.fields[n-1]) == 0 {
		n--
	}
	if r.rows.fields = r.rows.fields[:n]; n == p.width {
		return nil
	}
	mend := "is separator right? a text with a separator in it must be in quotes"
	switch {
	case r.logger.Comma && r.logger.Separator == ',':
		mend = `with decimal = "," and a comma between columns each number must be in quotes`
	case n > p.width && !r.logger.Comma && r.logger.Separator == ',':
		mend = "a number with a comma in it must be in quotes; " + mend
	case n < p.width && !r.rows.ended:
		mend = "the file ends within this row: delete the row"
	}
	return r.wrong(r.rows.line, -1, fmt.Sprintf("the row has %s, but %d are wanted", fieldCount(n), p.width), mend, nil)
}

// enough refuses a file without a header that has too few columns.
func (r *reading) enough(n int) error {
	p := r.plan
	all := append([]int{p.device, p.channel, p.value, p.unit, p.quality}, p.timeAt...)
	for i := range p.cells {
		all = append(all, p.cells[i].column)
	}
	for _, at := range all {
		if at >= n {
			return r.wrong(r.rows.line, -1, fmt.Sprintf("the row has %s, but column %d is wanted", fieldCount(n), at+1), "is separator right?", nil)
		}
	}
	return nil
}

func fieldCount(n int) string {
	if n == 1 {
		return "1 field"
	}
	return fmt.Sprintf("%d fields", n)
}

// field returns a field without the space around it.
func (r *reading) field(i int) []byte { return bytes.TrimSpace(r.rows.fields[i]) }

// stamp returns the time of the row by the logger's own clock.
func (r *reading) stamp() (int64, error) {
	at := r.plan.timeAt
	text := r.field(at[0])
	if len(at) > 1 {
		r.text = append(r.text[:0], text...)
		for _, i := range at[1:] {
			r.text = append(append(r.text, ' '), r.field(i)...)
		}
		text = r.text
	}
	ms, err := r.stamps.ms(string(text))
	if err == nil {
		return ms, nil
	}
	mend := fmt.Sprintf("the mapping says format = %q", r.logger.Time.Format)
	var re *rowError
	if errors.As(err, &re) {
		mend = re.mend
	}
	return 0, r.wrong(r.rows.line, at[0], shown(string(text))+" "+err.Error(), mend, nil)
}

// wrong makes a Mistake; column -1 is the row as a whole.
func (r *reading) wrong(line int64, column int, message, mend string, cause error) error {
	m := &Mistake{File: r.path, Line: line, Message: message, Mend: mend, Cause: cause}
	if column >= 0 && r.plan != nil {
		m.Column = r.plan.name(column)
	}
	return m
}

// rowMistake turns an error of the row reader into a Mistake; ended says what
// the end of the file means here.
func (r *reading) rowMistake(err error, ended string) error {
	var re *rowError
	switch {
	case errors.As(err, &re):
		m := &Mistake{File: r.path, Line: r.rows.line, Message: re.message, Mend: re.mend}
		if re.column > 0 {
			m.Column = fmt.Sprint(re.column)
			if r.plan != nil {
				m.Column = r.plan.name(re.column - 1)
			}
		}
		return m
	case errors.Is(err, io.EOF):
		return &Mistake{File: r.path, Message: ended, Mend: "correct the mapping, or leave the file out"}
	}
	return &Mistake{File: r.path, Line: r.rows.line, Message: "cannot read it: " + err.Error(), Cause: err}
}
