package main

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
	"loadscribe/agent/quantity"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// shownNumber is a data element of report.html.
type shownNumber struct {
	at, text string
	value    float64
}

// readPage takes a report's page apart with an XML reader: its numbers, and what else it
// says below body.
func readPage(t *testing.T, page []byte) (numbers []shownNumber, words []string) {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader(page))
	var in *shownNumber
	body, picture := false, 0
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return numbers, words
		}
		if err != nil {
			t.Fatalf("report.html: %v", err)
		}
		switch token := token.(type) {
		case xml.StartElement:
			body = body || token.Name.Local == "body"
			if token.Name.Local == "svg" {
				picture++
			}
			if token.Name.Local != "data" {
				continue
			}
			in = &shownNumber{}
			for _, a := range token.Attr {
				switch a.Name.Local {
				case "value":
					if in.value, err = strconv.ParseFloat(a.Value, 64); err != nil {
						t.Errorf("value %q is no number", a.Value)
					}
				case "data-at":
					in.at = a.Value
				}
			}
		case xml.EndElement:
			switch token.Name.Local {
			case "data":
				numbers, in = append(numbers, *in), nil
			case "svg":
				picture--
			}
		case xml.CharData:
			switch {
			case in != nil:
				in.text += string(token)
			case body && picture == 0 && strings.TrimSpace(string(token)) != "":
				words = append(words, string(token))
			}
		}
	}
}

// alongPointer goes along a JSON pointer (RFC 6901) and returns every value on the way.
func alongPointer(doc any, pointer string) (way []any, err error) {
	way = []any{doc}
	for _, step := range strings.Split(pointer, "/")[1:] {
		step = strings.NewReplacer("~1", "/", "~0", "~").Replace(step)
		switch here := way[len(way)-1].(type) {
		case map[string]any:
			next, there := here[step]
			if !there {
				return nil, fmt.Errorf("no %q", step)
			}
			way = append(way, next)
		case []any:
			i, err := strconv.Atoi(step)
			if err != nil || i < 0 || i >= len(here) {
				return nil, fmt.Errorf("no element %q of %d", step, len(here))
			}
			way = append(way, here[i])
		default:
			return nil, fmt.Errorf("%q below a %T", step, here)
		}
	}
	return way, nil
}

// shownAs holds a number's text to what package display gives for a figure, or to
// the value in a unit that this could be in, rounded where the text ends.
func shownAs(n *shownNumber, way []any, units quantity.System) error {
	text := ungrouped.ReplaceAllString(strings.TrimSpace(n.text), "$1")
	if owner, is := way[len(way)-2].(map[string]any); is && owner["name"] != nil && owner["method"] != nil {
		var f analysis.Figure
		raw, _ := json.Marshal(owner)
		if err := json.Unmarshal(raw, &f); err != nil {
			return err
		}
		value, half, _, ends := display.Interval(&f, units)
		known := map[string][]string{"value": {value}, "uncertainty": {half, strings.TrimPrefix(half, "± "), ends}}[n.at[strings.LastIndex(n.at, "/")+1:]]
		for _, k := range known {
			if k == text {
				return nil
			}
		}
	}
	if strings.HasPrefix(text, "under ") {
		limit, err := strconv.ParseFloat(strings.Fields(text)[1], 64)
		if err != nil || n.value >= limit {
			return fmt.Errorf("%g is not %s", n.value, text)
		}
		return nil
	}
	shown, half, err := parseShown(text)
	if err != nil {
		return err
	}
	for _, si := range unitsOf(n.at, way) {
		_, factor, offset := units.Display(si)
		if si == "1/Pa" {
			_, pa, _ := units.Display("Pa")
			factor = 1 / pa
		}
		for _, per := range []float64{1, 100, 1. / 3600} { // as it is, a share in per cent, seconds in hours
			for _, offset := range []float64{0, offset} { // differences have none
				if math.Abs(shown-(n.value*float64(factor)*per+offset)) <= half*1.0001+1e-9*math.Abs(shown) {
					return nil
				}
			}
		}
	}
	return fmt.Errorf("is shown as %s", text)
}

// ungrouped finds what sets digits apart in threes: a comma or a space that does not break.
var ungrouped = regexp.MustCompile(`[,\x{a0}]([0-9]{3})`)

var part = regexp.MustCompile(`^([-−+]?[0-9]+(?:\.[0-9]+)?)( (?:h|min|s))?`)

// parseShown reads a number or a duration as people read it, with half of its last
// place.
func parseShown(text string) (value, half float64, err error) {
	rest := strings.TrimSpace(strings.NewReplacer("at least ", "", "± ", "", "about ", "", "0 to ", "").Replace(text))
	for first := true; rest != ""; first = false {
		m := part.FindStringSubmatch(rest)
		if m == nil || !first && m[2] == "" {
			return 0, 0, fmt.Errorf("%q is not to be read as a number", text)
		}
		n, err := strconv.ParseFloat(strings.Replace(m[1], "−", "-", 1), 64)
		if err != nil {
			return 0, 0, err
		}
		unit := map[string]float64{"": 1, " h": 3600, " min": 60, " s": 1}[m[2]]
		half = unit / 2
		if dot := strings.IndexByte(m[1], '.'); dot >= 0 {
			half *= math.Pow10(dot + 1 - len(m[1]))
		} else if zeros := len(m[1]) - len(strings.TrimRight(m[1], "0")); m[2] == "" && zeros > 0 && n != 0 {
			half *= math.Pow10(zeros) // "17000" may be rounded to thousands
		}
		value, rest = value+n*unit, strings.TrimSpace(rest[len(m[0]):])
	}
	return value, half, nil
}

// unitsOf are the units that a value may be in: that of its figure or its table's column,
// or one of those that a name without unit is in.
func unitsOf(at string, way []any) []string {
	if t, is := way[max(0, len(way)-5)].(map[string]any); is && t["columns"] != nil { // …/rows/1/values/2
		column, _ := strconv.Atoi(at[strings.LastIndex(at, "/")+1:])
		columns, _ := t["columns"].([]any)
		unit, _ := columns[column].(map[string]any)["unit"].(string)
		return []string{unit}
	}
	for i := len(way) - 2; i >= 0 && !strings.HasSuffix(at, "share"); i-- {
		if owner, is := way[i].(map[string]any); is && owner["unit"] != nil {
			return []string{owner["unit"].(string)}
		}
	}
	return []string{"1", "Pa", "m³/s", "m³", "K"}
}

// TestReportNumbers takes every number out of a recorded day's report.html: each stands
// in report.json where it says, with that value, and is shown as that value is; what
// lies below figures is what summary --json prints; no other number on the page is one
// that report.json does not have.
func TestReportNumbers(t *testing.T) {
	if testing.Short() {
		t.Skip("no goroutine of ours")
	}
	scenario, err := simulator.LoadScenario("joinery")
	if err != nil {
		t.Fatal(err)
	}
	s, err := stage.Open(t.TempDir(), stage.Options{Scenario: "joinery", Start: simulator.BenchStart(scenario.Location), Length: 24 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Record(t.Context(), version); err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(t.TempDir(), "out")
	window := []string{"--site", filepath.Join(s.Dir, stage.SiteFile), "--from", s.From.UTC().Format(time.RFC3339), "--to", s.To.UTC().Format(time.RFC3339)}
	mustRun(t, append([]string{"report", "--out", out}, window...)...)
	page, text := readFile(t, filepath.Join(out, "report.html")), readFile(t, filepath.Join(out, "report.json"))
	var doc, summary any
	if err := json.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal([]byte(mustRun(t, append([]string{"summary", "--json"}, window...)...)), &summary); err != nil {
		t.Fatal(err)
	}
	numbers, words := readPage(t, page)
	ofFigures := 0
	for i := range numbers {
		n := &numbers[i]
		way, err := alongPointer(doc, n.at)
		if err != nil {
			t.Errorf("%s (%q): %v", n.at, n.text, err)
			continue
		}
		if v, is := way[len(way)-1].(float64); !is || v != n.value {
			t.Errorf("%s: the page has %v, report.json %v", n.at, n.value, way[len(way)-1])
		}
		if err := shownAs(n, way, s.Site.Units); err != nil {
			t.Errorf("%s = %v: %v", n.at, n.value, err)
		}
		if below, is := strings.CutPrefix(n.at, "/data/figures"); is {
			ofFigures++
			if way, err := alongPointer(summary, below); err != nil || way[len(way)-1] != any(n.value) {
				t.Errorf("%s: the page has %v, summary --json does not: %v", n.at, n.value, err)
			}
		}
	}
	if len(numbers) < 400 || ofFigures < 200 {
		t.Errorf("only %d numbers, %d of them figures", len(numbers), ofFigures)
	}
	if whole, _ := alongPointer(doc, "/data/figures"); !reflect.DeepEqual(whole[len(whole)-1], summary) {
		t.Error("the figures of report.json are not what summary --json prints")
	}
	wordsHeld(t, words, doc)
}

var numeral = regexp.MustCompile(`[0-9]+(?:[.,][0-9]+)*`)

// wordsHeld holds numbers among words, as "NEMA MG 10" and times, to the texts of the
// report; what pictures show are numbers of their data, rounded, and their ticks: package
// chart's tests hold those.
func wordsHeld(t *testing.T, words []string, doc any) {
	t.Helper()
	known, seen := map[string]bool{}, 0
	var gather func(any)
	gather = func(v any) {
		switch v := v.(type) {
		case map[string]any:
			for _, below := range v {
				gather(below)
			}
		case []any:
			for _, below := range v {
				gather(below)
			}
		case string:
			for _, n := range numeral.FindAllString(v, -1) {
				known[n] = true
			}
		}
	}
	gather(doc)
	for _, w := range words {
		for _, n := range numeral.FindAllString(w, -1) {
			if seen++; !known[n] {
				t.Errorf("the page says %q in %q, and report.json has no such text", n, w)
			}
		}
	}
	if seen < 100 {
		t.Errorf("only %d numbers among the words", seen)
	}
}
