package main

import (
	"bytes"
	"cmp"
	"io"
	"strings"
	"unicode/utf8"
)

// widest is how many columns a line of text may have.
const widest = 120

// oneLine is a person's text as one line without tabs: in a list it must not pass for
// another entry, nor move its columns.
func oneLine(text string) string {
	return strings.ReplaceAll(strings.ReplaceAll(text, "\n", " / "), "\t", " ")
}

// leastProse is how long the text behind a line's last column is at the least that is
// broken: what is shorter is a cell.
const leastProse = 30

// wrapWriter breaks lines that are too long at the spaces of their text. What stands
// in columns, which two spaces part, is left whole: a row of a table keeps its cells.
// Spaces at the end of a line, which empty cells leave, are taken off.
// Close writes what has no line end yet.
type wrapWriter struct {
	out     io.Writer
	columns int // at most so many; 0: widest
	left    []byte
	err     error
}

// Write implements io.Writer.
func (w *wrapWriter) Write(p []byte) (int, error) {
	w.left = append(w.left, p...)
	for w.err == nil {
		at := bytes.IndexByte(w.left, '\n')
		if at < 0 {
			break
		}
		_, w.err = io.WriteString(w.out, wrapped(strings.TrimRight(string(w.left[:at]), " "), cmp.Or(w.columns, widest))+"\n")
		w.left = w.left[at+1:]
	}
	return len(p), w.err
}

// Close implements io.Closer.
func (w *wrapWriter) Close() error {
	if len(w.left) > 0 && w.err == nil {
		_, w.err = io.WriteString(w.out, wrapped(string(w.left), cmp.Or(w.columns, widest)))
	}
	return w.err
}

// wrapped is a line in pieces of at most most columns: those after the first stand
// under the text of the last column, or where that is far to the right further in by
// four.
func wrapped(line string, most int) string {
	text := strings.TrimLeft(line, " ")
	indent := len(line) - len(text)
	prose := indent // where the text behind the last column begins
	if at := strings.LastIndex(text, "  "); at >= 0 {
		prose += at + 2
	}
	if utf8.RuneCountInString(line[prose:]) < leastProse {
		return line
	}
	hang := strings.Repeat(" ", indent+4)
	if under := utf8.RuneCountInString(line[:prose]); prose > indent && under <= most/3 {
		hang = strings.Repeat(" ", under)
	}
	var out strings.Builder
	for utf8.RuneCountInString(line) > most {
		at := lastSpace(line, prose, most)
		if at < 0 {
			break
		}
		out.WriteString(line[:at] + "\n")
		line, prose = hang+line[at+1:], len(hang)
	}
	return out.String() + line
}

// lastSpace is the last space from a byte on that leaves no more than most columns
// before it, else the first, and no unit of per cent alone behind it; -1: there is none.
func lastSpace(line string, from, most int) int {
	best, columns := -1, 0
	for i, r := range line {
		if columns > most && best >= 0 {
			break
		}
		if r == ' ' && i > from && !strings.HasPrefix(line[i:], " %") {
			best = i
		}
		columns++
	}
	return best
}
