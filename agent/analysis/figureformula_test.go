package analysis

import (
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// TestFigureFormulas: docs/figures.md says of each figure how it is computed and
// where that comes from, in letters that it explains.
func TestFigureFormulas(t *testing.T) {
	text, err := os.ReadFile("../../docs/figures.md")
	if err != nil {
		t.Fatal(err)
	}
	page := string(text)
	for _, wrong := range formulaMistakes(page) {
		t.Error("docs/figures.md: " + wrong)
	}
	// What the check must find, in a copy of the page.
	for name, c := range map[string]struct{ old, new, want string }{
		"no formula":     {"\n| `duty_cycle` | `loaded_time / running_time` |", "\n| `duty_cycle` | loaded time over running time |", "duty_cycle has no formula"},
		"no row":         {"\n| `water_risk_share` | `sum(dt)` with", "\n| water_risk_share | `sum(dt)` with", "no row says how water_risk_share is computed"},
		"no source":      {"| NEMA MG 1-14.36 (read) |", "| |", "phase_unbalance names no source"},
		"no basis":       {"| NEMA MG 1-14.36 (read) |", "| NEMA MG 1-14.36 |", "phase_unbalance names no source"},
		"unknown letter": {"`T_window - T_obs`", "`T_windw - T_obs`", "`T_windw` of unobserved_time is explained nowhere"},
		"unused letter":  {"\n| `slope` |", "\n| `steepness` | Pa/s | never used |\n| `slope` |", "`steepness` is explained and not used"},
		"no figure":      {"\n| `duty_cycle` | `loaded_time", "\n| `duty_circle` | `loaded_time", "duty_circle is no figure"},
		"twice":          {"\n| `air_year` | `sum", "\n| `cost_year` | `sum(d_type)` | our own definition |\n| `air_year` | `sum", "cost_year has two rows"},
		"other section":  {"\n| `off_time` | `T_off`", "\n| `starts` | `T_off`", "starts stands under \"Time and states\""},
		"as what":        {"| as `energy`; our own", "| as `enrgy`; our own", "energy_unloaded is as enrgy, which is no figure"},
	} {
		broken := strings.Replace(page, c.old, c.new, 1)
		if broken == page {
			t.Errorf("%s: the page has no %q", name, c.old)
		} else if got := formulaMistakes(broken); !slices.ContainsFunc(got, func(g string) bool { return strings.Contains(g, c.want) }) {
			t.Errorf("%s: found %q, want %q", name, got, c.want)
		}
	}
}

// formulaWords may stand in a formula beside letters and figures: functions, which
// value of a letter is meant, units, and keys of the site file.
const formulaWords = " sum max min median mean count sqrt ln abs begin end next after before x e s kg shifts cut_in cut_out "

var (
	formulaRow  = regexp.MustCompile("^\\| `([a-z0-9_]+)` \\| ([^|]*) \\| ([^|]*?) ?\\|$")
	letterRow   = regexp.MustCompile("^\\| (`[^|]+`) \\| [^|]+ \\| ([^|]+) \\|$")
	codeSpan    = regexp.MustCompile("`([^`]+)`")
	word        = regexp.MustCompile(`[A-Za-z_][A-Za-z_0-9]*`)
	basis       = regexp.MustCompile(`our own|\(.*\b(read|from memory|textbook|JCGM 100)\b.*\)|the tariff's own definition|common practice, no source`)
	likeAnother = regexp.MustCompile("^as `([^`]+)`")
)

// formulaMistakes are what the page says wrongly or leaves out.
func formulaMistakes(page string) (wrong []string) {
	say := func(format string, args ...any) { wrong = append(wrong, fmt.Sprintf(format, args...)) }
	figures := append(figureNames(), YearNames()...)
	head, _, _ := strings.Cut(page, "\n## Time and states\n")
	letters, used := map[string]bool{}, map[string]bool{}
	for line := range strings.SplitSeq(head, "\n") {
		if m := letterRow.FindStringSubmatch(line); m != nil {
			for _, span := range codeSpan.FindAllStringSubmatch(m[1], -1) {
				letters[word.FindString(span[1])] = true
			}
			for _, w := range word.FindAllString(strings.Join(codeSpan.FindAllString(m[2], -1), " "), -1) {
				used[w] = true
			}
		}
	}
	section, rows := "", map[string]bool{}
	for line := range strings.SplitSeq(page, "\n") {
		if title, ok := strings.CutPrefix(line, "## "); ok {
			section = title
		}
		m := formulaRow.FindStringSubmatch(line)
		if m == nil || section == "Formulas and sources" {
			continue
		}
		name, formula, source := m[1], m[2], m[3]
		switch {
		case !slices.Contains(figures, name):
			say("%s is no figure", name)
		case rows[name]:
			say("%s has two rows that say how it is computed", name)
		case sectionOf(name) != section:
			say("%s stands under %q", name, section)
		}
		rows[name] = true
		spans := codeSpan.FindAllStringSubmatch(formula, -1)
		if len(spans) == 0 {
			say("%s has no formula", name)
		}
		for _, span := range spans {
			for _, w := range word.FindAllString(span[1], -1) {
				used[w] = true
				if !letters[w] && !slices.Contains(figures, w) && !strings.Contains(formulaWords, " "+w+" ") {
					say("`%s` of %s is explained nowhere", w, name)
				}
			}
		}
		if as := likeAnother.FindStringSubmatch(source); as != nil && !slices.Contains(figures, as[1]) {
			say("%s is as %s, which is no figure", name, as[1])
		} else if as == nil && !basis.MatchString(source) {
			say("%s names no source: write one with (read) or (from memory), or our own definition", name)
		}
	}
	for _, name := range figures {
		if !rows[name] {
			say("no row says how %s is computed", name)
		}
	}
	for l := range letters {
		if !used[l] {
			say("`%s` is explained and not used", l)
		}
	}
	return wrong
}

// sectionOf is the head under which a figure stands.
func sectionOf(name string) string {
	for _, g := range FigureGroups() {
		if slices.ContainsFunc(g.Figures, func(f FigureTitle) bool { return f.Name == name }) {
			return g.Title
		}
	}
	return "A year"
}
