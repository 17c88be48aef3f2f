package replay

import (
	"encoding/json"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"loadscribe/agent/sitefile"
)

// searchOfTOML reads the table [search] as a changes file has it.
func searchOfTOML(t *testing.T, text string) SearchSpec {
	t.Helper()
	c, err := ParseChanges("changes.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return *c.Search
}

const searchExample = `
[search]
set = { leaks_mended = "50 %" }
[search.vary]
"comp1.cut_in" = { from = "90 psi", to = "95 psi", step = "2.5 psi" }
comp1.no_load_stop = ["3 min", "as is", "never"]
volume_add = ["as is", "500 gal"]
[search.limits]
lowest_pressure = "88 psi"
starts_per_hour = 6
below_minimum = "5 min"
short = "100 ft3"
budget = 3000
[search.price]
volume_add = { "500 gal" = 2400 }
comp1.no_load_stop = 150
`

func TestSearchSpec(t *testing.T) {
	spec := searchOfTOML(t, searchExample)
	g, err := spec.grid()
	if err != nil {
		t.Fatal(err)
	}
	if g.size() != 3*3*2 {
		t.Fatalf("%d combinations, want 18", g.size())
	}
	// Keys are sorted and the last turns fastest.
	for _, c := range []struct {
		at    int
		want  string
		price float64
	}{
		{-1, "leaks_mended=50 %", 0},
		{0, "leaks_mended=50 %, comp1.cut_in=90 psi, comp1.no_load_stop=3 min", 150},
		{1, "leaks_mended=50 %, comp1.cut_in=90 psi, comp1.no_load_stop=3 min, volume_add=500 gal", 2550},
		{2, "leaks_mended=50 %, comp1.cut_in=90 psi", 0},
		{10, "leaks_mended=50 %, comp1.cut_in=92.5 psi, comp1.no_load_stop=never", 150},
		{17, "leaks_mended=50 %, comp1.cut_in=95 psi, comp1.no_load_stop=never, volume_add=500 gal", 2550},
	} {
		set, price := g.at(c.at)
		var texts []string
		for _, s := range set {
			texts = append(texts, s.Key+"="+s.Value)
		}
		if got := strings.Join(texts, ", "); got != c.want || price != c.price {
			t.Errorf("combination %d is %q for %v, want %q for %v", c.at, got, price, c.want, c.price)
		}
	}
	// 1 psi = 6894.757 Pa, 1 ft³ = 0.0283168 m³ (NIST SP 811, appendix B, from memory)
	l := g.limits
	if math.Abs(l.lowestPa-88*6894.757) > 1 || l.startsHour != 6 || l.belowS != 300 || math.Abs(l.shortM3-2.83168) > 1e-4 || l.budget != 3000 || !math.IsInf(l.cyclesHour, 1) {
		t.Errorf("limits are %+v", l)
	}
}

// TestSearchSpecJSON: what a request says in JSON is what a file says in TOML.
func TestSearchSpecJSON(t *testing.T) {
	spec := searchOfTOML(t, searchExample)
	text, err := json.Marshal(spec)
	if err != nil {
		t.Fatal(err)
	}
	var again SearchSpec
	if err := json.Unmarshal(text, &again); err != nil {
		t.Fatal(err)
	}
	a, err := spec.grid()
	if err != nil {
		t.Fatal(err)
	}
	b, err := again.grid()
	if err != nil {
		t.Fatal(err)
	}
	if a.size() != b.size() || a.limits != b.limits {
		t.Fatalf("%d combinations within %+v, want %d within %+v", b.size(), b.limits, a.size(), a.limits)
	}
	for i := range a.size() {
		x, costs := a.at(i)
		y, too := b.at(i)
		if !slices.Equal(x, y) || costs != too {
			t.Fatalf("combination %d is %v for %v, want %v for %v", i, y, too, x, costs)
		}
	}
}

func TestRangeValues(t *testing.T) {
	for _, c := range []struct {
		from, to, step any
		want           string
	}{
		{"6.0 bar", "6.3 bar", "0.1 bar", "6 bar|6.1 bar|6.2 bar|6.3 bar"}, // 6.3 is met in spite of rounding
		{"90 psi", "96 psi", "5 psi", "90 psi|95 psi"},
		{"6 bar", "6.1 bar", "50 mbar", "6 bar|6.05 bar|6.1 bar"},
		{"3m", "10 min", "210s", "3 min|6.5 min|10 min"},
		{"0 %", "50 %", "25 %", "0 %|25 %|50 %"},
		{int64(1), 2.0, 0.5, "1|1.5|2"},
		{"90 psi", "90 psi", "1 psi", "90 psi"},
	} {
		got, err := rangeValues("f", map[string]any{"from": c.from, "to": c.to, "step": c.step})
		if err != nil || strings.Join(got, "|") != c.want {
			t.Errorf("%v to %v by %v is %q (%v), want %q", c.from, c.to, c.step, strings.Join(got, "|"), err, c.want)
		}
	}
}

// TestSearchSpecRefuses: silly questions are named by their key, with the mend.
func TestSearchSpecRefuses(t *testing.T) {
	vary := "[search.vary]\nk = [\"1 min\", \"2 min\"]\n"
	for _, c := range []struct {
		text, field string
		line        int
		says        string
	}{
		{"[search]\n", "search.vary", 1, "name at least one"},
		{"[search.vary]\nk = []\n", "search.vary.k", 2, "empty"},
		{"[search.vary]\nk = [\"a\", \"a\"]\n", "search.vary.k", 2, "twice"},
		{"[search.vary]\nk = \"a\"\n", "search.vary.k", 2, "give a list"},
		{"[search.vary]\nk = [[\"a\"]]\n", "search.vary.k[0]", 2, "text with its unit"},
		{"[search.vary]\nk = { from = \"90 psi\", to = \"95 psi\" }\n", "search.vary.k", 2, "no step"},
		{"[search.vary]\nk = { from = \"90 psi\", to = \"95 psi\", stepp = \"1 psi\" }\n", "search.vary.k.stepp", 2, "from, to and step"},
		{"[search.vary]\nk = { from = \"90 psi\", to = \"95 kW\", step = \"1 psi\" }\n", "search.vary.k.to", 2, "does not fit"},
		{"[search.vary]\nk = { from = \"90 psi\", to = \"95 psia\", step = \"1 psi\" }\n", "search.vary.k.to", 2, "does not fit"},
		{"[search.vary]\nk = { from = \"90 psi\", to = \"80 psi\", step = \"1 psi\" }\n", "search.vary.k", 2, "goes up"},
		{"[search.vary]\nk = { from = \"90 psi\", to = \"95 psi\", step = \"0 psi\" }\n", "search.vary.k", 2, "goes up"},
		{"[search.vary]\nk = { from = \"90 psi\", to = \"95 psi\", step = \"1e-300 psi\" }\n", "search.vary.k", 2, "step larger"},
		{"[search.vary]\nk = { from = \"90 psy\", to = \"95 psi\", step = \"1 psi\" }\n", "search.vary.k.from", 2, "psi"},
		{"[search.vary]\nk = { from = 1, to = 400, step = 1 }\nl = { from = 1, to = 400, step = 1 }\n", "search.vary", 1, "160000 combinations (k 400 × l 400)"},
		{vary + "[search.set]\nk = \"3 min\"\n", "search.set.k", 4, "search.vary too"},
		{vary + "[search.set]\nj = \" \"\n", "search.set.j", 4, "empty"},
		{vary + "[search.limits]\nlowest_pressure = \"88\"\n", "search.limits.lowest_pressure", 4, "no unit"},
		{vary + "[search.limits]\nlowest_pressure = \"100 psia\"\n", "search.limits.lowest_pressure", 4, "gauge"},
		{vary + "[search.limits]\nbelow_minimum = \"-1 s\"\n", "search.limits.below_minimum", 4, "0 or more"},
		{vary + "[search.limits]\nshort = \"5 psi\"\n", "search.limits.short", 4, "volume"},
		{vary + "[search.limits]\nstarts_per_hour = -1\n", "search.limits.starts_per_hour", 4, "0 or more"},
		{vary + "[search.limits]\nstarts_per_hour = nan\n", "search.limits.starts_per_hour", 4, "finite"},
		{vary + "[search.limits]\nbudget = 100\n", "search.limits.budget", 4, "search.price"},
		{vary + "[search.price]\nkk = 5\n", "search.price.kk", 4, `did you mean "k"`},
		{vary + "[search.price]\nk = { \"1 min\" = 5 }\n", "search.price.k", 4, `"2 min" has no price`},
		{vary + "[search.price]\nk = { \"1 min\" = 5, \"2 min\" = 6, \"3 min\" = 7 }\n", "search.price.k", 4, `"3 min"`},
		{vary + "[search.price]\nk = \"dear\"\n", "search.price.k", 4, "no price"},
		{vary + "[search.price]\nk = -4\n", "search.price.k", 4, "0 or more"},
	} {
		_, err := ParseChanges("changes.toml", []byte(c.text))
		var found sitefile.Problems
		if !errors.As(err, &found) || len(found) != 1 || found[0].Key != c.field || found[0].Line != c.line || !strings.Contains(found[0].Error(), c.says) {
			t.Errorf("%q gives %v, want line %d, key %s and %q", c.text, err, c.line, c.field, c.says)
		}
	}
}

// FuzzSearchSpec: whatever a changes file asks, the answer is a grid that is within
// bounds or a RequestError.
func FuzzSearchSpec(f *testing.F) {
	f.Add(searchExample)
	f.Add("[search.vary]\nk = { from = 1e308, to = 1e308, step = 1e-308 }\n")
	f.Add("[search.vary]\na.b.c = [1, 2.5, \"as is\"]\n[search.price]\na.b.c = {1 = 3, \"2.5\" = 4}\n")
	f.Fuzz(func(t *testing.T, text string) {
		c, err := ParseChanges("changes.toml", []byte(text))
		if err != nil {
			var found sitefile.Problems
			if !errors.As(err, &found) {
				t.Fatalf("%v is no list of problems", err)
			}
			for _, p := range found {
				if p.Message == "" || p.Line == 0 {
					t.Fatalf("%v does not say what is wrong where", p)
				}
			}
			return
		}
		if c.Search == nil {
			return
		}
		g, err := c.Search.grid()
		if err != nil {
			t.Fatalf("%v was not told when the file was read", err)
		}
		if n := g.size(); n < 1 || n > searchMost {
			t.Fatalf("%d combinations", n)
		}
		for _, i := range []int{-1, 0, g.size() - 1} {
			if set, price := g.at(i); len(set) > len(g.fixed)+len(g.axes) || !(price >= 0) {
				t.Fatalf("combination %d is %v for %v", i, set, price)
			}
		}
	})
}
