package dashboard

import (
	"encoding/json"
	"fmt"
	"slices"
	"testing"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/agent/replay"
)

func (b *commandShop) StartReplay(r agent.ReplayRequest) (agent.ReplayJob, error) {
	if len(r.Alternatives) != 1 || r.Alternatives[0].Set[0] != (replay.Setting{Key: "comp1.cut_out", Value: "112 psi"}) {
		return agent.ReplayJob{}, fmt.Errorf("2 %w", agent.ErrJobsBusy)
	}
	if r.From == "yesterday" {
		return agent.ReplayJob{}, &agent.FieldError{Field: "from", Message: "it is not a time"}
	}
	return agent.ReplayJob{ID: "5f", State: agent.JobRunning, Total: 40, Started: noon}, nil
}

// ReplayJob is done, with every field of an answer filled.
func (b *commandShop) ReplayJob(id string) (agent.ReplayJob, error) {
	if id != "5f" {
		return agent.ReplayJob{}, fmt.Errorf("%w %q", agent.ErrNoJob, id)
	}
	v, half := 1200.0, 24.0
	amount := replay.Amount{Value: &v, Interval: &half, Note: "chaotic"}
	at := agent.Stamp(noon).String()
	outcome := replay.Outcome{Energy: amount, Machines: []replay.MachineOutcome{{Machine: "comp1", EnergyKWh: v, StateKWh: map[string]float64{"loaded": v}, StateS: map[string]float64{"loaded": 3600}, Starts: 1, Loads: 2}},
		Trace: []replay.TracePoint{{AtMS: noon, Pa: 7e5, States: []string{"loaded"}, Gap: true}}}
	set := []replay.Setting{{Key: "comp1.cut_out", Value: "112 psi"}}
	return agent.ReplayJob{ID: id, State: agent.JobDone, Done: 40, Total: 40, Started: noon, Ended: noon, Answer: &replay.Answer{System: "main", From: at, To: at, Coverage: 1, Resolution: "40 s",
		Currency: "USD", Measured: outcome, Present: outcome, Fit: replay.Fit{Words: "well"}, Calibrated: []replay.Calibrated{{Machine: "comp1", Name: "unloaded power", Value: 12, Unit: "kW"}},
		Settings: []replay.Now{{Key: "comp1.cut_out", Machine: "comp1", Name: "cut-out pressure", Value: &v, Unit: "Pa", Text: "120 psi", Basis: "seen"}},
		Results: []replay.Result{{Name: "lower", Set: set, Flags: "--set 'comp1.cut_out=112 psi'", Changes: []replay.Change{{Key: "comp1.cut_out", Machine: "comp1", Name: "cut-out pressure", Was: "120 psi", Becomes: "112 psi", Cautions: []string{"x"}}}, Outcome: outcome, SavedKWh: amount, AssumesYear: "50 weeks",
			Budget: []analysis.BudgetPart{{Input: "meter", Share: 1}}, Remarks: []string{}, Cautions: []string{"x"}}},
		Search: &replay.Front{Tried: 12, Broke: []replay.Broken{{Limit: "starts_per_hour", Count: 3}}, Allowed: 9, Best: 1, Remarks: []string{}, Method: "all",
			Points: []replay.FrontPoint{{Result: replay.Result{Name: "1", Set: set, Changes: []replay.Change{}, Outcome: outcome, Budget: []analysis.BudgetPart{}, Remarks: []string{}, Cautions: []string{}}, Price: &v}}},
		Remarks: []string{}, Method: "events", Inputs: []string{"meter.power"}}}, nil
}

func (b *commandShop) CancelReplay(id string) (agent.ReplayJob, error) {
	if id != "5f" {
		return agent.ReplayJob{}, fmt.Errorf("%w %q", agent.ErrNoJob, id)
	}
	return agent.ReplayJob{ID: id, State: agent.JobCancelled, Started: noon, Ended: noon, Error: "cancelled"}, nil
}

// A replay over the API: it begins, is asked for, broken off; each answer is held
// against the document.
func TestReplayOverTheAPI(t *testing.T) {
	s := newCommandServer(t, newShop(), Options{Secret: "0123abcd"})
	d := readDocument(t)
	const asked = `"alternatives":[{"name":"lower","set":[{"key":"comp1.cut_out","value":"112 psi"}]}]`
	for _, tt := range []struct {
		target, body string
		status       int
		field        string
	}{
		{"", `{"from":"-7d","trace":true,` + asked + `}`, 202, ""},
		{"", `{"search":{"vary":{"comp1.cut_in":{"from":"90 psi","to":"100 psi","step":"2 psi"},"volume_add":["as is","240 gal"]},"limits":{"starts_per_hour":6}},` + asked + `}`, 202, ""},
		{"", `{"from":"yesterday",` + asked + `}`, 400, "from"},
		{"", `{}`, 503, ""}, // busy, says the shop
		{"", `{"alternativs":[]}`, 400, ""},
		{"/cancel", `{"id":"5f"}`, 200, ""},
		{"/cancel", `{"id":"6a"}`, 404, "id"},
	} {
		w := post(s, "/api/v1/replay"+tt.target, tt.body, "Authorization", "Bearer 0123abcd")
		good := tt.status < 300
		d.mustFit(t, map[bool]string{true: "ReplayJob", false: "Error"}[good], w.Body.Bytes())
		var e errorAnswer
		if !good && (json.Unmarshal(w.Body.Bytes(), &e) != nil || e.Error.Field != tt.field) || w.Code != tt.status {
			t.Errorf("%s %s: %d field %q, want %d field %q: %s", tt.target, tt.body, w.Code, e.Error.Field, tt.status, tt.field, w.Body)
		}
		if none := post(s, "/api/v1/replay"+tt.target, tt.body); none.Code != 403 {
			t.Errorf("%s without the secret: %d", tt.target, none.Code)
		}
	}
	for target, want := range map[string]int{"?id=5f": 200, "?id=6a": 404, "": 400, "?job=5f": 400} {
		w := get(s, "/api/v1/replay"+target)
		d.mustFit(t, map[bool]string{true: "ReplayJob", false: "Error"}[want == 200], w.Body.Bytes())
		if w.Code != want {
			t.Errorf("GET %s: %d, want %d: %s", target, w.Code, want, w.Body)
		}
	}
	list := get(s, "/api/v1/replay/machines")
	d.mustFit(t, "ReplayMachines", list.Body.Bytes())
	var machines replayMachines
	if err := json.Unmarshal(list.Body.Bytes(), &machines); err != nil || !slices.ContainsFunc(machines.Machines, func(m replay.Listed) bool { return m.ID == "drive-50hp" }) {
		t.Errorf("list of machines: %v %s", err, list.Body)
	}
	if w := get(s, "/api/v1/replay/machines?id=5f"); w.Code != 400 {
		t.Errorf("a parameter that is none: %d", w.Code)
	}
	stopped := newTestServer(t, newShop(), Options{Secret: "0123abcd"})
	if w := post(stopped, "/api/v1/replay", `{`+asked+`}`, "Authorization", "Bearer 0123abcd"); w.Code != 503 {
		t.Errorf("a stopped store begins a replay: %d %s", w.Code, w.Body)
	}
}
