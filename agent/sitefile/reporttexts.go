package sitefile

import (
	"strconv"
	"strings"
)

// ReportTexts are what only a person can say in a report, by the site file's table
// [report]; empty: not given. Lines within a text are kept.
type ReportTexts struct {
	PreparedFor string `json:"prepared_for,omitempty"`
	PreparedBy  string `json:"prepared_by,omitempty"`
	Place       string `json:"place,omitempty"`
	Goals       string `json:"goals,omitempty"`        // what the reader wants to know or decide
	Scope       string `json:"scope,omitempty"`        // what was looked at, and what was not
	SystemNotes string `json:"system_notes,omitempty"` // what the drawing of the system does not show
}

// mostReportText is a page of a report and more.
const mostReportText = 4000

// readReport reads the table [report].
func (l *loader) readReport(root *section) {
	s := root.sub("report")
	if s == nil {
		return
	}
	r := &l.site.Report
	for _, one := range []struct {
		key  string
		into *string
	}{{"prepared_for", &r.PreparedFor}, {"prepared_by", &r.PreparedBy}, {"place", &r.Place},
		{"goals", &r.Goals}, {"scope", &r.Scope}, {"system_notes", &r.SystemNotes}} {
		*one.into = s.prose(one.key)
	}
	s.done()
}

// prose is a text for people, of one line or several.
func (s *section) prose(key string) string {
	got := strings.TrimSpace(strings.ReplaceAll(s.text(key, ""), "\r\n", "\n"))
	if len(got) > mostReportText {
		s.problem(s.table.find(key).value.at, key, "shorten it: what is longer is a document of its own", "the text has %d bytes, more than %d", len(got), mostReportText)
		return ""
	}
	for _, r := range got {
		if r != '\n' && !strconv.IsPrint(r) {
			s.problem(s.table.find(key).value.at, key, `write letters, signs, spaces and line breaks (""" begins and ends a text of several lines)`, "%q cannot be printed", r)
			return ""
		}
	}
	return got
}
