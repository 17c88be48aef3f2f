package agent

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"time"

	"loadscribe/agent/report"
	"loadscribe/agent/report/page"
	"loadscribe/agent/report/print"
	"loadscribe/agent/report/workbook"
)

// ReportMade is a report that was made: what it is of, what it finds first, and its
// files.
type ReportMade struct {
	Title string `json:"title"`
	Site  string `json:"site"`
	At    string `json:"at"` // RFC 3339 UTC, as the next two
	From  string `json:"from"`
	To    string `json:"to"`
	// Findings are the first three of FindingCount, each with its worth in a year.
	Findings     []string     `json:"findings"`
	FindingCount int          `json:"finding_count"`
	Uncovered    string       `json:"uncovered,omitempty"` // by the checkpoint; why there is none
	Files        []ReportFile `json:"files"`
}

// ReportFile is one file of a report.
type ReportFile struct {
	Name   string `json:"name"`
	Type   string `json:"type"` // media type
	Bytes  int    `json:"bytes"`
	SHA256 string `json:"sha256"` // hex
	Data   []byte `json:"-"`
}

// reportFormat is a file that a report is written as.
type reportFormat struct {
	name, media string
	render      func(*report.Document) ([]byte, error)
}

// reportFormats are the files of a report.
func reportFormats() []reportFormat {
	return []reportFormat{
		{"report.html", "text/html; charset=utf-8", page.HTML},
		{"report.pdf", "application/pdf", print.PDF},
		{"workbook.xlsx", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", workbook.Write},
		{"report.json", "application/json", report.JSON},
	}
}

// ReportFileNames are the names of a report's files.
func ReportFileNames() (names []string) {
	for _, f := range reportFormats() {
		names = append(names, f.name)
	}
	return names
}

// ReportFiles makes the report of a window and its files. An error of type *FieldError
// says what is wrong with the request. progress, which may be nil, is told of so many
// steps.
func (h *History) ReportFiles(ctx context.Context, r ReportRequest, progress func(done, total int)) (*ReportMade, error) {
	at, err := h.reportTime(&r, h.clockNow())
	if err != nil {
		return nil, err
	}
	return h.reportFiles(ctx, &r, at, progress)
}

func (h *History) reportFiles(ctx context.Context, r *ReportRequest, at time.Time, progress func(done, total int)) (*ReportMade, error) {
	formats := reportFormats()
	total := gatherSteps + len(formats)
	if progress == nil {
		progress = func(int, int) {}
	}
	doc, err := h.report(ctx, r, at, func(done, _ int) { progress(done, total) })
	if err != nil {
		return nil, err
	}
	m := &ReportMade{Title: doc.Title, Site: doc.Made.Site, At: doc.Made.At, From: doc.Made.From, To: doc.Made.To,
		Findings: []string{}, FindingCount: len(doc.Findings), Uncovered: doc.Made.Uncovered, Files: []ReportFile{}}
	if m.Uncovered == "" {
		m.Uncovered = doc.Made.Why
	}
	for i := range doc.Findings[:min(3, len(doc.Findings))] {
		m.Findings = append(m.Findings, report.Brief(doc, i))
	}
	for i, f := range formats {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		progress(gatherSteps+i, total)
		data, err := f.render(doc)
		if err != nil {
			return nil, fmt.Errorf("write %s: %w", f.name, err)
		}
		sum := sha256.Sum256(data)
		m.Files = append(m.Files, ReportFile{f.name, f.media, len(data), hex.EncodeToString(sum[:]), data})
	}
	return m, nil
}
