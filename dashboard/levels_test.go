package dashboard

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"testing"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
)

func (b *shop) Levels() ([]analysis.HeldLevels, error) {
	if err := b.ask("levels", 0, 0); err != nil {
		return nil, err
	}
	on, off := 22.2, 18.5
	return []analysis.HeldLevels{{Machine: "comp1", Source: "assumed", Channel: "meter.power", Unit: "kW", LoadOn: &on, LoadOff: &off,
		Needed: true, Method: "from power"}}, nil
}

// ChangeLevels knows comp1 and refuses all else.
func (b *commandShop) ChangeLevels(_ context.Context, c agent.LevelsChange) (analysis.HeldLevels, error) {
	if c.Machine != "comp1" {
		return analysis.HeldLevels{}, fmt.Errorf("%w: machine %q is not in the site file", analysis.ErrLevels, c.Machine)
	}
	return analysis.HeldLevels{Machine: c.Machine, Source: "learnt", Calibration: 9, Method: "from power", Missing: "",
		Modes: []analysis.Mode{{Name: "loaded", Median: 36, P05: 35, P95: 37, Seconds: 400, Visits: 5}}}, nil
}

func TestLevels(t *testing.T) {
	d := readDocument(t)
	stopped := newTestServer(t, newShop(), Options{})
	d.mustFit(t, "LevelsAnswer", get(stopped, "/api/v1/levels").Body.Bytes())
	s := newCommandServer(t, newShop(), Options{Secret: "0123abcd"})
	bearer := []string{"Authorization", "Bearer 0123abcd"}
	for _, c := range []struct {
		body   string
		status int
		schema string
	}{
		{`{"machine":"comp1","learn":true}`, 200, "Levels"},
		{`{"machine":"comp1","learn":true,"from":"2026-03-01T00:00:00.000Z"}`, 200, "Levels"},
		{`{"machine":"comp9","learn":true}`, 400, "Error"},
		{`{"machine":"comp1","level":3}`, 400, "Error"},
		{`{"machine":"comp1","from":"yesterday"}`, 400, "Error"},
	} {
		w := post(s, "/api/v1/levels/change", c.body, bearer...)
		if w.Code != c.status {
			t.Errorf("%s: %d %s, want %d", c.body, w.Code, w.Body, c.status)
		}
		d.mustFit(t, c.schema, w.Body.Bytes())
	}
	// Without the secret nothing changes.
	if w := post(s, "/api/v1/levels/change", `{"machine":"comp1","learn":true}`); w.Code != http.StatusForbidden {
		t.Errorf("without a secret: %d %s", w.Code, w.Body)
	}
	var a levelsAnswer
	if err := json.Unmarshal(get(s, "/api/v1/levels").Body.Bytes(), &a); err != nil || len(a.Machines) != 1 || *a.Machines[0].LoadOn != 22.2 {
		t.Errorf("levels: %+v, %v", a, err)
	}
}
