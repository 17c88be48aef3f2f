package page

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"

	"loadscribe/agent/report"
)

// element is an element of a page as encoding/xml reads it: a reader that shares
// nothing with the writer.
type element struct {
	name  string
	attrs map[string]string
	text  string // all below it
	depth int
}

// take reads a page and lists its elements in order; it fails on what is not well-formed.
func take(t *testing.T, page []byte) (all []*element) {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader(page))
	var open []*element
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("not well-formed at byte %d: %v\n… %s", d.InputOffset(), err, page[max(0, d.InputOffset()-300):d.InputOffset()])
		}
		switch token := token.(type) {
		case xml.StartElement:
			e := &element{name: token.Name.Local, attrs: map[string]string{}, depth: len(open)}
			for _, a := range token.Attr {
				e.attrs[a.Name.Local] = a.Value
			}
			all, open = append(all, e), append(open, e)
		case xml.EndElement:
			open = open[:len(open)-1]
		case xml.CharData:
			for _, e := range open {
				e.text += string(token)
			}
		}
	}
	return all
}

func render(t *testing.T, doc *report.Document) []byte {
	t.Helper()
	page, err := HTML(doc)
	if err != nil {
		t.Fatal(err)
	}
	return page
}

// TestNumbers takes every data element of the page: they are the document's numbers,
// all of them, in its order, with the same value, place and text.
func TestNumbers(t *testing.T) {
	doc := sample()
	var want []report.Run
	for i := range doc.Sections {
		each(doc.Sections[i].Blocks, func(text report.Text) {
			for _, r := range text {
				if r.At != "" {
					want = append(want, r)
				}
			}
		})
	}
	if len(want) < 150 {
		t.Fatalf("the sample has %d numbers only", len(want))
	}
	n := 0
	for _, e := range take(t, render(t, doc)) {
		if e.name != "data" {
			continue
		}
		if n < len(want) && (e.text != want[n].Text || e.attrs["data-at"] != want[n].At || e.attrs["value"] != fmt.Sprint(*want[n].Value)) {
			t.Errorf("number %d is %+v %q, want %+v %v", n, e.attrs, e.text, want[n], *want[n].Value)
		}
		n++
	}
	if n != len(want) {
		t.Errorf("the page has %d numbers, the document %d", n, len(want))
	}
}

// TestStructure holds the page to what makes it usable: ids once each, links that lead
// somewhere, headings in order, nothing from elsewhere, nothing that runs.
func TestStructure(t *testing.T) {
	page := render(t, sample())
	all := take(t, page)
	ids, level := map[string]bool{}, 0
	for _, e := range all {
		if id := e.attrs["id"]; id != "" {
			if ids[id] {
				t.Errorf("id %q is taken twice", id)
			}
			ids[id] = true
		}
		if len(e.name) == 2 && e.name[0] == 'h' && e.name[1] >= '1' && e.name[1] <= '6' {
			if next := int(e.name[1] - '0'); next > level+1 {
				t.Errorf("%s %q follows a heading of level %d", e.name, e.text, level)
			} else {
				level = next
			}
		}
		for name, value := range e.attrs {
			if strings.HasPrefix(name, "on") || name == "src" || name == "srcset" || name == "href" && !strings.HasPrefix(value, "#") ||
				strings.Contains(value, "url(") && !strings.Contains(value, "url(#") {
				t.Errorf("<%s %s=%q>: something from elsewhere, or that runs", e.name, name, value)
			}
		}
		switch e.name {
		case "script", "iframe", "object", "embed", "form", "link", "base", "img", "foreignObject":
			t.Errorf("<%s> has no place in a report", e.name)
		case "style":
			if strings.Contains(e.text, "url(") || strings.Contains(e.text, "@import") {
				t.Error("the style asks for something from elsewhere")
			}
		}
	}
	for _, e := range all {
		for _, name := range []string{"href", "aria-labelledby", "aria-describedby"} {
			for id := range strings.FieldsSeq(e.attrs[name]) {
				if id = strings.TrimPrefix(id, "#"); !ids[id] {
					t.Errorf("<%s %s=%q> leads nowhere", e.name, name, e.attrs[name])
				}
			}
		}
	}
	if i := bytes.Index(page, []byte("<dd></dd>")); i >= 0 {
		t.Error("an empty fact")
	}
	if !bytes.HasPrefix(page, []byte("<!DOCTYPE html>\n")) {
		t.Error("without its first line a browser falls back to old ways of laying out")
	}
}

// TestSame renders twice.
func TestSame(t *testing.T) {
	if !bytes.Equal(render(t, sample()), render(t, sample())) {
		t.Error("the same document gives other bytes")
	}
}

// TestSectionsNest holds that a section of level 2 lies within the one before, that
// one at the very beginning stands for itself, and that ids and links survive names
// that make the same id.
func TestSectionsNest(t *testing.T) {
	doc := &report.Document{Title: "Nesting", Sections: []report.Section{
		{ID: "first", Title: "First", Level: 2},
		{ID: "comp-1", Title: "One", Level: 1, Blocks: []report.Block{{Text: report.Text{{Text: "see", Link: "comp-1"}, {Text: "nowhere", Link: "gone"}}}}},
		{ID: "comp-1", Title: "Two", Level: 2},
		{ID: "Comp 1!", Title: "Three", Level: 1},
		{ID: "", Title: "Four", Level: 1},
	}}
	var got []string
	for _, e := range take(t, render(t, doc)) {
		switch e.name {
		case "section":
			got = append(got, fmt.Sprintf("%d:%s", e.depth, e.attrs["id"]))
		case "a":
			if e.text == "nowhere" || e.text == "see" && e.attrs["href"] != "#comp-1" {
				t.Errorf("link %q leads to %q", e.text, e.attrs["href"])
			}
		}
	}
	if want := "[3:first 3:comp-1 4:comp-1-2 3:comp1 3:part-]"; fmt.Sprint(got) != want {
		t.Errorf("sections (depth:id) are %v, want %s", got, want)
	}
}
