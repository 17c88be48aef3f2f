package intake

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"unicode/utf8"
)

const (
	mostRowBytes = 1 << 20 // a row of a thousand columns has a hundredth of it
	mostColumns  = 4096
	firstBuffer  = 64 << 10
)

// rowReader cuts UTF-8 text into rows and fields (RFC 4180, any separator; LF
// or CR LF end a row). Fields stay valid until the next call.
type rowReader struct {
	src        io.Reader
	decoder    *decoder
	separator  byte
	buf        []byte
	start, end int
	srcErr     error
	plain      bool // quotes mean nothing

	fields [][]byte
	line   int64 // of the row last read, from 1
	next   int64 // of the row to come
	offset int64 // of the row last read, in bytes of the file
	size   int64 // of that row, its end included
	ended  bool  // that row had a line end
}

func newRowReader(src io.Reader, d *decoder, separator byte, offset int64) *rowReader {
	return &rowReader{src: src, decoder: d, separator: separator, next: 1, offset: offset}
}

// rowError is what is wrong with a row as such.
type rowError struct {
	column  int // from 1; 0: the row as a whole
	message string
	mend    string
}

func (e *rowError) Error() string { return e.message }

// read reads the next row, empty or not; io.EOF at the end, a *rowError for
// what is no text or no row.
func (r *rowReader) read() error {
	row, err := r.row()
	if err != nil {
		return err
	}
	return r.split(row)
}

// skip passes over a line, in which quotes mean nothing.
func (r *rowReader) skip() error {
	r.plain = true
	_, err := r.row()
	r.plain = false
	return err
}

// row finds the next row, its line end cut off.
func (r *rowReader) row() ([]byte, error) {
	r.offset += r.size
	r.line = r.next
	for {
		data := r.buf[r.start:r.end]
		stop, lines := stopOf(bytes.IndexByte(data, '\n')), int64(1)
		if !r.plain {
			stop, lines = rowEnd(data, r.separator)
		}
		if stop < 0 && r.srcErr != nil && len(data) > 0 {
			if !errors.Is(r.srcErr, io.EOF) {
				return nil, r.srcErr
			}
			stop, lines = len(data), int64(bytes.Count(data, []byte{'\n'}))+1
		}
		if stop > mostRowBytes || stop < 0 && len(data) > mostRowBytes {
			return nil, tooLong(data)
		}
		if stop >= 0 {
			r.start += stop
			r.next += lines
			row := data[:stop]
			r.size = int64(stop)
			if r.decoder.encoding != UTF8 {
				r.size = r.decoder.bytes(row)
			}
			row, r.ended = bytes.CutSuffix(row, []byte{'\n'})
			row, _ = bytes.CutSuffix(row, []byte{'\r'})
			return row, nil
		}
		if r.srcErr != nil {
			r.size = 0
			return nil, r.srcErr
		}
		r.fill()
	}
}

func tooLong(data []byte) error {
	if bytes.IndexByte(data[:mostRowBytes], '"') >= 0 {
		return &rowError{message: fmt.Sprintf("a row of more than %d bytes: a quote is opened and not closed", mostRowBytes),
			mend: "look for a single \" in this row"}
	}
	return &rowError{message: fmt.Sprintf("a row of more than %d bytes, which is no reading", mostRowBytes),
		mend: "is this a CSV file with LF or CR LF at the ends of its lines?"}
}

// fill reads more behind what is there.
func (r *rowReader) fill() {
	if r.start > 0 {
		r.end = copy(r.buf, r.buf[r.start:r.end])
		r.start = 0
	}
	if r.end == len(r.buf) {
		grown := make([]byte, max(firstBuffer, 2*len(r.buf)))
		copy(grown, r.buf[:r.end])
		r.buf = grown
	}
	n, err := r.src.Read(r.buf[r.end:])
	r.end += n
	r.srcErr = err
}

// rowEnd returns where the first row of data ends, its line end included, and
// how many lines it has; -1 where its end is not in data.
func rowEnd(data []byte, separator byte) (stop int, lines int64) {
	i := bytes.IndexByte(data, '\n')
	head := data
	if i >= 0 {
		head = data[:i]
	}
	if bytes.IndexByte(head, '"') < 0 {
		return stopOf(i), 1
	}
	atField, quoted := true, false
	lines = 1
	for i := 0; i < len(data); i++ {
		c := data[i]
		switch {
		case quoted && c == '"':
			if i+1 < len(data) && data[i+1] == '"' {
				i++
			} else {
				quoted = false
			}
		case quoted:
			if c == '\n' {
				lines++
			}
		case c == '\n':
			return i + 1, lines
		case c == '"' && atField:
			quoted, atField = true, false
		default:
			atField = c == separator
		}
	}
	return -1, lines
}

func stopOf(i int) int {
	if i < 0 {
		return -1
	}
	return i + 1
}

// split takes a row apart, unquoting in place.
func (r *rowReader) split(row []byte) error {
	r.fields = r.fields[:0]
	if err := sound(row); err != nil {
		err.column = 1 + bytes.Count(row[:err.column], []byte{r.separator})
		return err
	}
	for {
		if len(r.fields) == mostColumns {
			return &rowError{message: fmt.Sprintf("more than %d columns", mostColumns), mend: "is separator right?"}
		}
		if len(row) > 0 && row[0] == '"' {
			field, rest, err := r.quoted(row)
			if err != nil {
				return err
			}
			r.fields = append(r.fields, field)
			if rest == nil {
				return nil
			}
			row = rest
			continue
		}
		i := bytes.IndexByte(row, r.separator)
		if i < 0 {
			r.fields = append(r.fields, row)
			return nil
		}
		r.fields = append(r.fields, row[:i])
		row = row[i+1:]
	}
}

// sound refuses what is no text; the error's column is a place in the row.
func sound(row []byte) *rowError {
	if i := bytes.IndexByte(row, 0); i >= 0 {
		return &rowError{i, "a NUL byte, which is in no text",
			`is it a CSV file? if every other byte is NUL, write encoding = "utf-16"`}
	}
	if !utf8.Valid(row) {
		i := 0
		for {
			c, size := utf8.DecodeRune(row[i:])
			if c == utf8.RuneError && size <= 1 {
				break
			}
			i += size
		}
		return &rowError{i, fmt.Sprintf("byte %d of the row is no character of the encoding", i+1),
			`write encoding = "windows-1252" if a Windows program wrote the file; a file in two encodings must be mended`}
	}
	for i := 0; ; i++ {
		n := bytes.IndexByte(row[i:], '\r')
		if n < 0 {
			return nil
		}
		if i += n; i+1 == len(row) || row[i+1] != '\n' {
			return &rowError{i, "a carriage return inside a row", "save the file with LF or CR LF at the ends of its lines"}
		}
	}
}

// quoted reads a field in quotes; rest is nil behind the last field.
func (r *rowReader) quoted(row []byte) (field, rest []byte, err error) {
	column := len(r.fields) + 1
	w := 1
	for i := 1; i < len(row); i++ {
		if row[i] != '"' {
			row[w] = row[i]
			w++
			continue
		}
		if i+1 < len(row) && row[i+1] == '"' {
			row[w] = '"'
			w++
			i++
			continue
		}
		switch {
		case i+1 == len(row):
			return row[1:w], nil, nil
		case row[i+1] == r.separator:
			return row[1:w], row[i+2:], nil
		}
		return nil, nil, &rowError{column, "text stands behind a closing quote", "is separator right? a quote inside quotes is doubled"}
	}
	return nil, nil, &rowError{column, "a quote is opened and not closed", `look for a single " in this row`}
}
