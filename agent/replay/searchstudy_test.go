package replay

import (
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"testing"
)

const bandSearch = `
[search.vary]
"comp1.cut_in" = { from = "91 psi", to = "95 psi", step = "1 psi" }
"comp1.cut_out" = { from = "99 psi", to = "105 psi", step = "2 psi" }
volume_add = ["as is", "200 gal"]
[search.limits]
lowest_pressure = "90.9 psi"
[search.price]
volume_add = 2000
`

// TestSearchFindsTheLowestBand: on a steady day the least energy is that of the lowest
// band allowed, five pounds below the present one in the mean: by "two pounds, one
// percent" (DOE Sourcebook, rule read; near 100 psig 1.11 to 1.26 % by the isentropic
// formula, testdata/vectors/flow_power.csv) 2.5 to 3.2 % of the loaded power. A
// receiver saves next to nothing more on that day, which has no blow-down (infinite
// storage is the straight line, testdata/vectors/part_load.csv).
func TestSearchFindsTheLowestBand(t *testing.T) {
	if testing.Short() {
		t.Skip("a day is played hundreds of times; TestSearchSameOnAnyCores is what a race shows in")
	}
	site := joinery(t)
	st := studyOf(t, site, steady(site, 0.9))
	spec := searchOfTOML(t, bandSearch)
	a, err := st.Search(t.Context(), spec, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if f := a.Search; f.Tried != 5*4*2 || f.Impossible != 0 || f.Allowed != f.Tried || len(f.Points) == 0 {
		t.Fatalf("%+v", f)
	}
	free := slices.IndexFunc(a.Search.Points, func(p FrontPoint) bool { return *p.Price == 0 })
	first := a.Search.Points[free]
	want := []Setting{{"comp1.cut_in", "91 psi"}, {"comp1.cut_out", "99 psi"}}
	if !slices.Equal(first.Result.Set, want) {
		t.Errorf("the least energy for nothing is at %v, want %v", first.Result.Set, want)
	}
	near(t, "saving of the lowest band", 100**first.Result.SavedShare.Value, 2.85, 0.4)
	near(t, "what the receiver saves more", 100*(*a.Search.Points[0].Result.SavedShare.Value-*first.Result.SavedShare.Value), 0, 0.4)
	// What it was found with gives the same when it is asked for by name.
	var named []Alternative
	for _, p := range a.Search.Points {
		if p.Result.Flags == "" || p.Result.SavedKWh.Interval == nil {
			t.Errorf("%s has flags %q, a saving of %+v", p.Result.Name, p.Result.Flags, p.Result.SavedKWh)
		}
		named = append(named, Alternative{Name: p.Result.Name, Set: p.Result.Set})
	}
	again, err := st.Evaluate(t.Context(), named, nil)
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range a.Search.Points {
		found, err := json.Marshal(p.Result.Outcome)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := json.Marshal(again.Results[i].Outcome); err != nil || string(found) != string(got) {
			t.Errorf("%s is found with\n%s\nand by name has\n%s", p.Result.Name, found, got)
		}
	}
}

// TestSearchOfNothing: without a demand the answer says why, and a mistyped setting
// is named.
func TestSearchOfNothing(t *testing.T) {
	site := joinery(t)
	rec := steady(site, 0.5)
	rec.Absent = "no flow is known"
	a, err := studyOf(t, site, rec).Search(t.Context(), searchOfTOML(t, bandSearch), nil, nil)
	if err != nil || a.Absent != rec.Absent || a.Search != nil {
		t.Errorf("%v, %+v", err, a)
	}
	spec := SearchSpec{Vary: map[string]any{"comp1.cut_inn": []any{"91 psi"}}}
	_, err = studyOf(t, site, steady(site, 0.5)).Search(t.Context(), spec, nil, nil)
	var bad *RequestError
	if !errors.As(err, &bad) || bad.Field != "search.vary.comp1.cut_inn" || !strings.Contains(bad.Message, "comp1.cut_in") {
		t.Errorf("%v", err)
	}
}
