package sitefile

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Problem is one mistake in a site file or register map.
type Problem struct {
	File    string `json:"file"`           // as named by the user
	Line    int    `json:"line,omitempty"` // from 1; 0: the file as a whole
	Col     int    `json:"col,omitempty"`  // in characters from 1
	Key     string `json:"key,omitempty"`  // "machine.rated_flow"; may be empty
	Message string `json:"message"`        // what is wrong
	Mend    string `json:"mend,omitempty"` // what to do; empty where Message says it
	Cause   error  `json:"-"`              // what the system said, where a file could not be read
}

// Error writes "file:line:col: key: message; mend".
func (p Problem) Error() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d:%d", p.Line, p.Col)
	}
	b.WriteString(": ")
	if p.Key != "" {
		b.WriteString(p.Key + ": ")
	}
	b.WriteString(p.Message)
	if p.Mend != "" {
		b.WriteString("; " + p.Mend)
	}
	return b.String()
}

// Unwrap returns Cause.
func (p Problem) Unwrap() error { return p.Cause }

// Problems is the error of Load and LoadMap: all that was found, site file
// first, in the order of the lines. It is never empty.
type Problems []Problem

// Error writes one problem a line.
func (p Problems) Error() string {
	lines := make([]string, len(p))
	for i := range p {
		lines[i] = p[i].Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap returns the problems.
func (p Problems) Unwrap() []error {
	all := make([]error, len(p))
	for i := range p {
		all[i] = p[i]
	}
	return all
}

// findings collects problems and warnings while files are read.
type findings struct {
	files    []string // in the order they were opened
	problems []Problem
	warnings []Problem
	// asked is told of each key that is looked for, by its path; nil but in tests.
	asked func(file, path string)
}

// sorted returns ps by file, line and column.
func (f *findings) sorted(ps []Problem) []Problem {
	slices.SortStableFunc(ps, func(a, b Problem) int {
		return cmp.Or(
			cmp.Compare(slices.Index(f.files, a.File), slices.Index(f.files, b.File)),
			cmp.Compare(a.Line, b.Line),
			cmp.Compare(a.Col, b.Col))
	})
	return ps
}

// err returns the problems as an error, or nil.
func (f *findings) err() error {
	if len(f.problems) == 0 {
		return nil
	}
	return Problems(f.sorted(f.problems))
}
