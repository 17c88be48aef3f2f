package replay

import (
	"errors"
	"slices"
	"strings"
	"testing"
)

// Each setting that can be changed has its words, and each caution names the settings
// that bring it: the sheet that people take to the machine rests on both.
func TestEverySettingHasItsWords(t *testing.T) {
	for _, key := range append(sortedKeys(machineKeys), sortedKeys(plantKeys)...) {
		if w := settingWords[key]; w[0] == "" || w[1] == "" {
			t.Errorf("%s: no name or no purpose: %q", key, w)
		}
	}
	for key := range settingWords {
		if _, plant := plantKeys[key]; !plant && machineKeys[key].read == nil {
			t.Errorf("%s is no setting", key)
		}
	}
	for _, c := range cautionTable {
		keys := []string{"add.new"}
		for _, k := range sortedKeys(machineKeys) {
			keys = append(keys, "comp1."+k)
		}
		if !slices.ContainsFunc(append(keys, sortedKeys(plantKeys)...), c.about) {
			t.Errorf("no setting brings the caution %q", c.text)
		}
	}
}

// A question is refused before the record is read where a key or value is none.
func TestCheckRefusesWhatIsMistyped(t *testing.T) {
	site := joinery(t)
	ask := func(key, value string) Query {
		return Query{Alternatives: []Alternative{{Name: "a", Set: []Setting{{key, value}}}}}
	}
	vary := func(v any) *SearchSpec { return &SearchSpec{Vary: map[string]any{"comp1.cut_in": v}} }
	for _, tt := range []struct {
		name   string
		q      Query
		search *SearchSpec
		field  string
	}{
		{"good", ask("comp1.cut_out", "112 psi"), nil, ""},
		{"unknown key", ask("comp1.cutout", "112 psi"), nil, "comp1.cutout"},
		{"no unit", ask("comp1.cut_out", "112"), nil, "comp1.cut_out"},
		{"no such machine of the list", ask("comp1.replace", "none-such"), nil, "comp1.replace"},
		{"no such system", Query{System: "attic"}, nil, "system"},
		{"a machine without its id", Query{Machines: []Listed{{}}}, nil, "machines[0].id"},
		{"a search of nothing", Query{}, vary([]any{}), "search.vary.comp1.cut_in"},
		{"a search", Query{}, vary([]any{"95 psi", "100 psi"}), ""},
	} {
		err := Check(site, tt.q, tt.search)
		var wrong *RequestError
		if tt.field == "" && err != nil || tt.field != "" && (!errors.As(err, &wrong) || wrong.Field != tt.field) {
			t.Errorf("%s: %v, want the field %q", tt.name, err, tt.field)
		}
	}
}

// What is now stands in the unit of what is asked for, and each line has the cautions
// that it brings and no others.
func TestChangesStandBesideWhatIsNow(t *testing.T) {
	site := joinery(t)
	st := studyOf(t, site, steady(site, 0.5))
	set := []Setting{{"comp1.cut_in", "6.4 bar"}, {"comp1.no_load_stop", "1 min"}, {"volume_add", "200 gal"}, {"add.second", "screw-15hp"}, {"second.cut_in", "85 psi"}}
	p, err := st.planOf(Alternative{Set: set})
	if err != nil {
		t.Fatal(err)
	}
	changes := st.changesOf(&p, set)
	for i, want := range []struct{ machine, was, caution, not string }{
		{"comp1", "6.55 bar", "lower pressure", "pressure vessel"},
		{"comp1", "never", "starts an hour", "pressure vessel"},
		{"", "none", "pressure vessel", "starts an hour"},
		{"", "none", "starts without warning", "pressure vessel"},
		{"", "", "", "pressure vessel"},
	} {
		c := changes[i]
		all := strings.Join(c.Cautions, " ")
		if c.Machine != want.machine || !strings.Contains(c.Was, want.was) || !strings.Contains(all, want.caution) || strings.Contains(all, want.not) || c.Name == "" || c.Does == "" && i != 3 || c.Becomes != set[i].Value {
			t.Errorf("%s: %+v, want %+v", set[i].Key, c, want)
		}
	}
	// Each value of now can be asked for as it is written: it changes nothing.
	for _, n := range st.settingsNow() {
		if n.Value == nil {
			continue
		}
		if _, err := st.grammar.read(Alternative{Set: []Setting{{n.Key, n.Text}}}); err != nil {
			t.Errorf("%s: %q is no value of it: %v", n.Key, n.Text, err)
		}
	}
}

// A point of a front that changes nothing has an empty list, as the API's document
// says, and no null.
func TestAnAlternativeOfNothingHasAnEmptyList(t *testing.T) {
	site := joinery(t)
	a, err := studyOf(t, site, steady(site, 0.5)).Evaluate(t.Context(), []Alternative{{Name: "as it is"}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if r := a.Results[0]; r.Set == nil || r.Changes == nil || r.Budget == nil || r.Remarks == nil || r.Cautions == nil {
		t.Errorf("a list is null: %+v", r)
	}
}
