package report

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"
)

// teller writes what sections say, table rows on a line each, and checks pointers
// against report.json on the way.
type teller struct {
	t    *testing.T
	tree any // report.json
	out  strings.Builder
}

// plainText is what the sections say.
func plainText(t *testing.T, b *builder, sections []Section) string {
	t.Helper()
	text, err := json.Marshal(b.doc)
	if err != nil {
		t.Fatal(err)
	}
	w := &teller{t: t}
	if err := json.Unmarshal(text, &w.tree); err != nil {
		t.Fatal(err)
	}
	for _, s := range sections {
		w.out.WriteString(strings.Repeat("#", s.Level) + " " + s.Title + "\n")
		w.blocks(s.Blocks)
	}
	for _, bad := range []string{"<nil>", "NaN", "%!", "+Inf", "0001", "1970"} {
		if strings.Contains(w.out.String(), bad) {
			t.Errorf("%q in:\n%s", bad, w.out.String())
		}
	}
	return w.out.String()
}

func (w *teller) text(x Text) {
	for _, r := range x {
		w.out.WriteString(r.Text)
		if (r.At == "") != (r.Value == nil) {
			w.t.Errorf("run %q: a place without a value, or a value without a place", r.Text)
		}
		if r.At != "" {
			if got := pointed(w.tree, r.At); got != *r.Value {
				w.t.Errorf("run %q at %s: %v, in report.json %v", r.Text, r.At, *r.Value, got)
			}
		}
	}
}

func (w *teller) lines(all []Text) {
	for _, x := range all {
		w.text(x)
		w.out.WriteByte('\n')
	}
}

func (w *teller) blocks(all []Block) {
	for _, k := range all {
		w.text(k.Text)
		w.lines(k.List)
		for _, f := range k.Facts {
			w.out.WriteString(f.Name + ": ")
			w.lines([]Text{f.Is})
		}
		if k.Table != nil {
			w.table(k.Table)
		}
		if k.Chart != nil {
			w.out.WriteString(k.Chart.Summary)
		}
		if k.Box != nil {
			w.out.WriteString("[" + k.Box.Kind + "] " + k.Box.Title + "\n")
			w.blocks(k.Box.Blocks)
		}
		w.out.WriteString(k.Plain + "\n")
	}
}

func (w *teller) table(x *Table) {
	w.out.WriteString(x.Caption + "\n")
	if len(x.Rows) == 0 {
		w.t.Errorf("table %q is empty", x.Caption)
	}
	for _, row := range x.Rows {
		if len(row) != len(x.Columns) {
			w.t.Errorf("table %q: a row of %d cells, %d columns", x.Caption, len(row), len(x.Columns))
		}
		for i, cell := range row {
			if i > 0 {
				w.out.WriteString(" | ")
			}
			w.text(cell)
		}
		w.out.WriteByte('\n')
	}
	w.lines(x.Notes)
}

// pointed is what stands at a JSON pointer (RFC 6901).
func pointed(tree any, at string) any {
	for _, key := range strings.Split(at, "/")[1:] {
		key = strings.ReplaceAll(strings.ReplaceAll(key, "~1", "/"), "~0", "~")
		switch x := tree.(type) {
		case map[string]any:
			tree = x[key]
		case []any:
			var i int
			if _, err := fmt.Sscan(key, &i); err != nil || i >= len(x) {
				return nil
			}
			tree = x[i]
		default:
			return nil
		}
	}
	return tree
}

// builderOf has the data of a week from Monday 2 March 2026.
func builderOf(d *Data) *builder {
	if d.FromMS == 0 {
		d.FromMS, d.ToMS = at("2026-03-02T00:00:00Z"), at("2026-03-09T00:00:00Z")
		d.NowMS = d.ToMS
	}
	stamp := func(ms int64) string { return time.UnixMilli(ms).UTC().Format(time.RFC3339) }
	made := Made{Version: "1.2", At: stamp(d.NowMS), From: stamp(d.FromMS), To: stamp(d.ToMS), Site: d.Site.Name, Hash: "5f0c", Files: []FileHash{{"site.toml", "abcd"}}}
	return &builder{data: d, doc: &Document{Format: Format, Made: made, Data: d}}
}

func at(text string) int64 {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		panic(err)
	}
	return t.UnixMilli()
}

// says fails for each text that is not said, and for each after "not" that is.
func says(t *testing.T, got string, want ...string) {
	t.Helper()
	for _, w := range want {
		if bare, no := strings.CutPrefix(w, "not: "); no {
			if strings.Contains(got, bare) {
				t.Errorf("says %q:\n%s", bare, got)
			}
		} else if !strings.Contains(got, w) {
			t.Errorf("does not say %q:\n%s", w, got)
		}
	}
}
