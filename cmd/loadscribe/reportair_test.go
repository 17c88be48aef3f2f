package main

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"log/slog"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/chart"
	"loadscribe/agent/report"
	"loadscribe/cmd/loadscribe/stage"
)

// recordedHistory records a scenario and opens what was recorded.
func recordedHistory(t *testing.T, o stage.Options) (*stage.Stage, *agent.History) {
	t.Helper()
	s, err := stage.Open(t.TempDir(), o)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Record(t.Context(), "test"); err != nil {
		t.Fatal(err)
	}
	h, err := agent.OpenHistory(s.Site, "test", slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := h.Close(); err != nil {
			t.Error(err)
		}
	})
	return s, h
}

func reportOf(t *testing.T, h *agent.History, from, to time.Time, before string) *report.Document {
	t.Helper()
	doc, err := h.Report(t.Context(), agent.ReportRequest{From: from.UTC().Format(time.RFC3339), To: to.UTC().Format(time.RFC3339), Before: before}, nil)
	if err != nil {
		t.Fatal(err)
	}
	return doc
}

// TestReportHoldsTogether makes reports of good windows and of bad ones, and holds each
// to what its renderers take for granted: that it can be written as JSON (which knows
// no NaN), that each number stands where its pointer says (RFC 6901), and that no table,
// chart or box is empty.
func TestReportHoldsTogether(t *testing.T) {
	if testing.Short() {
		t.Skip("plays simulated days; not under -short")
	}
	s, h := recordedHistory(t, stage.Options{Scenario: "joinery", Length: 30 * time.Hour})
	noon := s.From.Add(10 * time.Hour)
	for _, c := range []struct {
		name     string
		from, to time.Time
		before   string
		tried    bool
	}{
		{"all of it", s.From, s.To, "", true},
		{"compared with nothing", s.From.Add(12 * time.Hour), s.To, windowText(s.From, s.From.Add(12*time.Hour)), false},
		{"before the record", s.From.Add(-48 * time.Hour), s.From.Add(-24 * time.Hour), "", false},
		{"one scan", noon, noon.Add(time.Second), "", false},
		{"six tenths unobserved", s.From.Add(-45 * time.Hour), s.To, "", true},
	} {
		doc := reportOf(t, h, c.from, c.to, c.before)
		holdTogether(t, c.name, doc)
		if got := len(doc.Data.Replays) == 1 && len(doc.Data.Replays[0].Results) > 0; got != c.tried {
			t.Errorf("%s: alternatives were tried: %v, want %v", c.name, got, c.tried)
		}
		if (doc.Data.Compare != nil || doc.Data.CompareAbsent != "") != (c.before != "") {
			t.Errorf("%s: a comparison where none was asked for, or none where one was", c.name)
		}
	}
}

func windowText(from, to time.Time) string {
	return from.UTC().Format(time.RFC3339) + "/" + to.UTC().Format(time.RFC3339)
}

// holdTogether checks a document.
func holdTogether(t *testing.T, name string, doc *report.Document) {
	t.Helper()
	text, err := report.JSON(doc)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	var tree any
	if err := json.Unmarshal(text, &tree); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	c := &documentCheck{t: t, name: name, tree: tree, ids: map[string]bool{}}
	for i := range doc.Sections {
		s := &doc.Sections[i]
		c.id(s.ID)
		if len(s.Blocks) == 0 {
			// A heading alone is one over those of a lower level.
			if i+1 >= len(doc.Sections) || doc.Sections[i+1].Level <= s.Level {
				c.fail(s.ID, "nothing stands under the heading")
			}
		}
		c.blocks(s.ID, s.Blocks)
	}
	if c.numbers == 0 {
		t.Errorf("%s: the report has no number at all", name)
	}
}

// documentCheck is one document's; where is the section.
type documentCheck struct {
	t       *testing.T
	name    string
	tree    any
	ids     map[string]bool
	numbers int
}

func (c *documentCheck) fail(where, format string, args ...any) {
	c.t.Helper()
	c.t.Errorf("%s, section %s: %s", c.name, where, fmt.Sprintf(format, args...))
}

func (c *documentCheck) id(id string) {
	if c.ids[id] {
		c.fail(id, "the id stands twice in the document")
	}
	c.ids[id] = true
}

func (c *documentCheck) blocks(where string, blocks []report.Block) {
	for _, b := range blocks {
		c.text(where, b.Text)
		for _, one := range b.List {
			c.text(where, one)
		}
		for _, f := range b.Facts {
			c.text(where, append(report.Text{{Text: f.Name}}, f.Is...))
		}
		if b.Table != nil {
			c.table(where, b.Table)
		}
		if b.Chart != nil {
			c.id(b.Chart.ID)
			if !drawn(b.Chart) {
				c.fail(where, "the chart %s draws nothing", b.Chart.ID)
			}
		}
		if b.Box != nil {
			if len(b.Box.Blocks) == 0 || b.Box.Title == "" {
				c.fail(where, "an empty box %q", b.Box.Title)
			}
			c.blocks(where, b.Box.Blocks)
		}
	}
}

func (c *documentCheck) table(where string, t *report.Table) {
	if len(t.Rows) == 0 || t.Caption == "" {
		c.fail(where, "the table %q has %d rows", t.Caption, len(t.Rows))
	}
	for _, r := range t.Rows {
		if len(r) != len(t.Columns) {
			c.fail(where, "a row of %q has %d cells of %d columns", t.Caption, len(r), len(t.Columns))
		}
		for _, cell := range r {
			c.text(where, cell)
		}
	}
	for _, n := range t.Notes {
		c.text(where, n)
	}
}

// isHash reports whether a text is a SHA-256 as checkpoints write it: any letters may
// follow one another in it.
func isHash(text string) bool {
	sum, err := base64.StdEncoding.DecodeString(text)
	return err == nil && len(sum) == sha256.Size
}

// text looks for what no person should read, and for each number where its pointer says.
func (c *documentCheck) text(where string, text report.Text) {
	for _, r := range text {
		for _, bad := range []string{"<nil>", "NaN", "Inf", "%!", "0x"} {
			if strings.Contains(r.Text, bad) && !isHash(r.Text) {
				c.fail(where, "%q", r.Text)
			}
		}
		if r.At == "" {
			continue
		}
		c.numbers++
		got, ok := pointed(c.tree, r.At)
		if !ok || r.Value == nil || got != *r.Value {
			c.fail(where, "%q is said to be at %s, where %v stands; its value is %v", r.Text, r.At, got, r.Value)
		}
		if math.IsNaN(got) || !strings.ContainsAny(r.Text, "0123456789") {
			c.fail(where, "the number at %s is shown as %q", r.At, r.Text)
		}
	}
}

// pointed is the number at a JSON pointer.
func pointed(tree any, pointer string) (float64, bool) {
	at := tree
	for _, key := range strings.Split(strings.TrimPrefix(pointer, "/"), "/") {
		key = strings.ReplaceAll(strings.ReplaceAll(key, "~1", "/"), "~0", "~")
		switch node := at.(type) {
		case map[string]any:
			at = node[key]
		case []any:
			i, err := strconv.Atoi(key)
			if err != nil || i < 0 || i >= len(node) {
				return 0, false
			}
			at = node[i]
		default:
			return 0, false
		}
	}
	v, ok := at.(float64)
	return v, ok
}

// drawn reports a chart with something to draw.
func drawn(c *chart.Chart) bool {
	some := func(v chart.Values) bool {
		return slices.ContainsFunc(v, func(x float64) bool { return !math.IsNaN(x) })
	}
	switch {
	case c.Lines != nil:
		return slices.ContainsFunc(c.Lines.Series, func(s chart.Series) bool { return some(s.Y) && len(s.X) == len(s.Y) })
	case c.Bars != nil:
		return slices.ContainsFunc(c.Bars.Bars, func(b chart.Bar) bool { return some(b.Values) })
	case c.Heat != nil:
		return slices.ContainsFunc(c.Heat.Cells, some)
	case c.Strips != nil:
		return len(c.Strips.Rows) > 0
	case c.Plant != nil:
		return len(c.Plant.Machines)+len(c.Plant.Parts) > 0
	}
	return false
}
