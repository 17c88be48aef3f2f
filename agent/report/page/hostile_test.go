package page

import (
	"fmt"
	"math"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"loadscribe/agent/report"
)

// hostile are names that do harm where they are not taken as text.
var hostile = []string{
	"<script>alert(1)</script>",
	`"><img src=x onerror=alert(1)>`,
	"</style></title><script>alert(2)</script>",
	"]]><!-- <![CDATA[ &lt;b&gt; &#x3c;i",
	`=cmd|' /C calc'!A0`,
	"\\\"; } body { display: none } @import 'http://192.0.2.1/'; /*",
	strings.Repeat("W", 300),
	"override\u202Ednegel\u202C and \u2066isolate",
	"מדחס ראשי 12 (צפון) and then 34",
	"null\x00 escape\x1b[2J bad\xff\xfe end\uFFFF",
}

// poison adds a name to every text below v that people see; what the program itself
// writes there (ids, pointers, kinds, states) stays.
func poison(v reflect.Value, n *int) {
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			poison(v.Elem(), n)
		}
	case reflect.Slice:
		for i := range v.Len() {
			poison(v.Index(i), n)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			switch v.Type().Field(i).Name {
			case "ID", "At", "Kind", "Link", "State", "Data", "Findings", "Year":
				continue
			}
			poison(v.Field(i), n)
		}
	case reflect.String:
		if v.String() != "" {
			v.SetString(v.String() + " " + hostile[*n%len(hostile)])
			*n++
		}
	}
}

func poisoned() (*report.Document, int) {
	doc, n := sample(), 0
	poison(reflect.ValueOf(doc), &n)
	return doc, n
}

// TestHostileNames holds that names of any kind are text on the page: no element and no
// attribute more than without them, and each is there to be read.
func TestHostileNames(t *testing.T) {
	doc, n := poisoned()
	if n < 500 {
		t.Fatalf("%d names only were made hostile", n)
	}
	page := render(t, doc)
	shape := func(all []*element) (shape, texts []string) {
		for _, e := range all {
			if e.name == "bdi" || e.depth > 0 && within(all, e, "svg") { // chart's tests hold its pictures
				continue
			}
			names := []string{}
			for name := range e.attrs {
				if name != "class" { // of how it is set, by its length
					names = append(names, name)
				}
			}
			shape, texts = append(shape, fmt.Sprint(e.name, len(names), e.attrs["id"], e.attrs["data-at"])), append(texts, e.text)
		}
		return shape, texts
	}
	got, texts := shape(take(t, page))
	want, _ := shape(take(t, render(t, sample())))
	for i := range min(len(got), len(want)) {
		if got[i] != want[i] {
			t.Fatalf("element %d is %q with hostile names, %q without", i, got[i], want[i])
		}
	}
	if len(got) != len(want) {
		t.Errorf("%d elements with hostile names, %d without", len(got), len(want))
	}
	for i, name := range []string{doc.Title, doc.Sections[0].Title, doc.Sections[1].Blocks[0].Box.Title, doc.Sections[0].Blocks[1].Facts[2].Name} {
		if !contains(texts, clean(name)) {
			t.Errorf("name %d, %q, is not on the page as it is", i, name)
		}
	}
	if i := strings.IndexFunc(string(page), func(r rune) bool {
		return r < ' ' && r != '\n' && r != '\t' || r >= 0x202A && r <= 0x202E || r >= 0x2066 && r <= 0x2069
	}); i >= 0 {
		t.Errorf("a control character at byte %d: %q", i, page[max(0, i-60):i+10])
	}
	if n := strings.Count(string(page), "</style"); n != 1 {
		t.Errorf("the style ends %d times", n)
	}
}

// within reports whether e lies below an element of that name.
func within(all []*element, e *element, name string) bool {
	for i := len(all) - 1; i >= 0; i-- {
		if all[i] == e {
			for depth := e.depth; i >= 0; i-- {
				if all[i].depth < depth {
					if depth = all[i].depth; all[i].name == name {
						return true
					}
				}
			}
		}
	}
	return false
}

func contains(texts []string, text string) bool {
	for _, s := range texts {
		if s == text {
			return true
		}
	}
	return false
}

// TestDirections holds isolation to cases by hand (HTML Standard, 4.5.24: what bdi spans
// is isolated from the text around it).
func TestDirections(t *testing.T) {
	for in, want := range map[string]string{
		"plain":                     "plain",
		"a < b & c":                 "a &lt; b &amp; c",
		"מדחס":                      "<bdi>מדחס</bdi>",
		"at מדחס 12 (צפון) 34 kW":   "at <bdi>מדחס 12 (צפון</bdi>) 34 kW",
		"ضاغط one ضاغط 2":           "<bdi>ضاغط</bdi> one <bdi>ضاغط</bdi> 2",
		"bell\x07 and \u202Eturned": "bell\uFFFD and \uFFFDturned",
		"line\u2028break":           "line\nbreak",
		"bad \xff":                  "bad \uFFFD",
		"of comp1.power, 12.5 %":    "of comp1.power, 12.5 %",
		"controller.motor_running":  "controller.<wbr/>motor_<wbr/>running",
	} {
		if got := prose(in); got != want {
			t.Errorf("prose(%q) = %q, want %q", in, got, want)
		}
	}
	if got, want := cssString(`a"\<é`), `"a\22 \5C \3C \E9 "`; got != want {
		t.Errorf("cssString gives %s, want %s", got, want)
	}
}

// TestContrast computes the contrast of the sheet's text and lines on their grounds by
// WCAG 2.2 (relative luminance; 1.4.3: 4.5 for text, 1.4.11: 3 for what must be seen),
// on screen in both themes and in print.
func TestContrast(t *testing.T) {
	light := colours(t, style[strings.Index(style, ":root {"):])
	dark := colours(t, style[strings.Index(style, "prefers-color-scheme: dark"):])
	print := colours(t, style[strings.Index(style, "@media print"):])
	for name, value := range light {
		if _, own := print[name]; !own {
			print[name] = value
		}
	}
	for theme, of := range map[string]map[string]float64{"light": light, "dark": dark, "print": print} {
		for _, pair := range []struct {
			on, under string
			least     float64
		}{
			{"ink", "paper", 7}, {"ink", "sheet", 7}, {"ink", "warn-sheet", 7}, {"muted", "paper", 4.5}, {"muted", "sheet", 4.5},
			{"muted", "warn-sheet", 4.5}, {"link", "paper", 4.5}, {"link", "sheet", 4.5}, {"warn", "warn-sheet", 4.5}, {"warn", "paper", 3}, {"edge", "paper", 3},
		} {
			a, aThere := of[pair.on]
			b, bThere := of[pair.under]
			if !aThere || !bThere {
				t.Fatalf("%s: no colour %s or %s", theme, pair.on, pair.under)
			}
			if ratio := (max(a, b) + 0.05) / (min(a, b) + 0.05); ratio < pair.least {
				t.Errorf("%s: %s on %s has a contrast of %.2f, want %g", theme, pair.on, pair.under, ratio, pair.least)
			}
		}
	}
}

// colours are the luminances of a rule's variables, to its end.
func colours(t *testing.T, rule string) map[string]float64 {
	t.Helper()
	rule = rule[:strings.Index(rule, "}")]
	all := map[string]float64{}
	for _, m := range regexp.MustCompile(`--([a-z-]+): #([0-9a-f]{3,6});`).FindAllStringSubmatch(rule, -1) {
		digits := m[2]
		if len(digits) == 3 {
			digits = strings.Repeat(digits[:1], 2) + strings.Repeat(digits[1:2], 2) + strings.Repeat(digits[2:], 2)
		}
		sum := 0.0
		for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
			n, err := strconv.ParseUint(digits[2*i:2*i+2], 16, 8)
			if err != nil {
				t.Fatal(err)
			}
			c := float64(n) / 255
			if c <= 0.04045 {
				c /= 12.92
			} else {
				c = math.Pow((c+0.055)/1.055, 2.4)
			}
			sum += weight * c
		}
		all[m[1]] = sum
	}
	return all
}
