// Package intake reads what other loggers wrote: CSV files, by a strict TOML
// column mapping, as scans in the order of corrected time.
//
// ReadMapping reads the mapping, which is explained in docs/importing.md. Open
// finds the columns of the files and the site's channels that they fill; Groups
// are the poll groups of those channels. Check reads everything once and
// reports what was found; Scans reads it again and hands the scans on, merged
// over all files of all loggers. A scan is all channels of a poll group at one
// time, as poll makes them: cells of the same logger, time and group are joined
// whatever rows, files and layout they stand in.
//
// Numbers are decimal digits from the file to the raw value: a channel's counts
// must come out exactly, or the file is refused with file, line and column.
//
// Memory does not grow with the files' length. At one time as many files are
// open as overlap in time. A file whose rows are not in order of time is read as
// so many stretches that are, side by side; beyond maxRuns of them it needs an
// index of 24 bytes a row while it is open, at most maxIndexRows rows of it.
//
// The package knows no store and writes nothing. The texts of a file never
// become names: devices and channels are always the site's.
package intake

import (
	"errors"
	"strconv"
	"strings"
)

// The reasons why files are refused.
var (
	// ErrFile is wrapped by every Mistake.
	ErrFile = errors.New("file does not fit its mapping")
	// ErrChanged is returned when a file was written to between two passes.
	ErrChanged = errors.New("file has changed since it was checked")
)

// Mistake is what is wrong in a file, with its place. It wraps ErrFile.
type Mistake struct {
	File    string
	Line    int64  // of the file, from 1; 0: the file as a whole
	Column  string // as the header names it; empty: the row as a whole
	Message string
	Mend    string
	Cause   error // what the system said; may be nil
}

// Error writes "file, line 12, column Flow: message; mend".
func (m *Mistake) Error() string {
	var b strings.Builder
	b.WriteString(m.File)
	if m.Line > 0 {
		b.WriteString(", line " + strconv.FormatInt(m.Line, 10))
	}
	if m.Column != "" {
		b.WriteString(", column " + shown(m.Column))
	}
	b.WriteString(": " + m.Message)
	if m.Mend != "" {
		b.WriteString("; " + m.Mend)
	}
	return b.String()
}

// Unwrap returns ErrFile and the cause.
func (m *Mistake) Unwrap() []error {
	if m.Cause != nil {
		return []error{ErrFile, m.Cause}
	}
	return []error{ErrFile}
}

// mostShown is how much of a text of a file is put into a message.
const mostShown = 60

// shown quotes a text of a file for a message: what is not printable is
// escaped, what is long is cut.
func shown(text string) string {
	if len(text) > mostShown {
		return strconv.Quote(strings.ToValidUTF8(text[:mostShown], "")) + "…"
	}
	return strconv.Quote(text)
}
