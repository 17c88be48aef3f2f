package dashboard

import (
	"encoding/json"
	"errors"
	"fmt"
	"testing"

	"loadscribe/agent"
	"loadscribe/agent/guided"
	"loadscribe/agent/store"
)

// Tests is what the shop has: one result of each kind, one of them taken back.
func (b *shop) Tests() (agent.Tests, error) {
	flow, u, share := 0.0815, 0.003, 0.12
	return agent.Tests{Running: []agent.TestStatus{}, Results: []agent.TestRecord{
		{Seq: 9, Test: guided.PumpUp, System: "main", Machine: "comp1", Who: "R. Vale", From: noon - 60_000, To: noon, FlowM3S: &flow, FlowU: &u,
			PressurePa: 7e5, VolumeM3: 0.9, Cycles: 3, Method: "rise", Text: "comp1 delivers"},
		{Seq: 4, Test: guided.Leak, System: "main", Machine: "comp1", Who: "R. Vale", From: noon - 60_000, To: noon, Share: &share, ShareU: &u,
			PressurePa: 7e5, Cycles: 5, Method: "cycles", Text: "leaks", WithdrawnBy: 5, WithdrawnWhy: "a saw ran"},
	}, Cautions: agent.TestCautions{Leak: guided.Cautions(guided.Leak), PumpUp: guided.Cautions(guided.PumpUp)}}, nil
}

func (b *commandShop) StartTest(q agent.TestAsk) (agent.TestStatus, error) {
	p, err := guided.NewPlan(b.site, b.groups, guided.Ask{Test: q.Test, Machine: q.Machine, System: q.System, Who: q.Who, Confirmed: q.Confirmed, Rises: q.Rises})
	var w *guided.Wrong
	if errors.As(err, &w) {
		return agent.TestStatus{}, &agent.FieldError{Field: w.Field, Message: w.Message}
	}
	if err != nil {
		return agent.TestStatus{}, err
	}
	b.test = guided.New(p)
	return b.testStatus(), nil
}

func (b *commandShop) testStatus() agent.TestStatus {
	r := b.test.Report()
	return agent.TestStatus{Test: r.Test, System: r.System, Machine: r.Machine, Who: r.Who, Phase: string(r.Phase), Instruction: r.Instruction, Why: r.Why}
}

func (b *commandShop) CancelTest(system string) (agent.TestStatus, error) {
	if b.test == nil || system != "main" {
		return agent.TestStatus{}, fmt.Errorf("%w on system %q", agent.ErrNoTest, system)
	}
	b.test.Cancel("broken off by a person")
	return b.testStatus(), nil
}

func (b *commandShop) WithdrawTest(w agent.TestWithdrawal) (agent.Event, error) {
	if w.Why == "" {
		return agent.Event{}, &agent.FieldError{Field: "why", Message: "say why"}
	}
	return agent.EventOf(store.Event{Seq: 12, WallMS: noon, Kind: "test", Subject: "comp1", Text: w.Why}), nil
}

// A guided test over the API, each answer held against the document. It begins
// only for somebody who is named and has read the cautions.
func TestGuidedTestsOverTheAPI(t *testing.T) {
	b := &commandShop{shop: newShop()}
	s := newCommandShopServer(t, b, Options{Secret: "0123abcd"})
	d := readDocument(t)
	d.mustFit(t, "Tests", get(s, "/api/v1/tests").Body.Bytes())
	for _, tt := range []struct {
		target, body string
		status       int
		field        string
	}{
		{"cancel", `{"system":"main"}`, 404, "system"},
		{"start", `{"test":"pump-up","machine":"comp1","who":"R. Vale","confirmed":false}`, 400, "confirmed"},
		{"start", `{"test":"pump-up","machine":"comp1","who":"","confirmed":true}`, 400, "who"},
		{"start", `{"test":"pump-up","machine":"comp9","who":"R. Vale","confirmed":true}`, 400, "machine"},
		{"start", `{"test":"smoke","who":"R. Vale","confirmed":true}`, 400, "test"},
		{"start", `{"test":"pump-up","machine":"comp1","who":"R. Vale","confirmed":true,"open_valve":true}`, 400, ""},
		{"start", `{"test":"pump-up","machine":"comp1","who":"R. Vale","confirmed":true,"rises":2}`, 200, ""},
		{"cancel", `{"system":"main"}`, 200, ""},
		{"withdraw", `{"seq":9,"who":"R. Vale","why":""}`, 400, "why"},
		{"withdraw", `{"seq":9,"who":"R. Vale","why":"the drain was open"}`, 200, ""},
	} {
		w := post(s, "/api/v1/tests/"+tt.target, tt.body, "Authorization", "Bearer 0123abcd")
		schema := map[bool]string{true: "TestStatus", false: "Error"}[tt.status == 200]
		if tt.status == 200 && tt.target == "withdraw" {
			schema = "Event"
		}
		d.mustFit(t, schema, w.Body.Bytes())
		var e errorAnswer
		if tt.status != 200 && (json.Unmarshal(w.Body.Bytes(), &e) != nil || e.Error.Field != tt.field) || w.Code != tt.status {
			t.Errorf("%s %s: %d field %q, want %d field %q: %s", tt.target, tt.body, w.Code, e.Error.Field, tt.status, tt.field, w.Body)
		}
		if none := post(s, "/api/v1/tests/"+tt.target, tt.body); none.Code != 403 {
			t.Errorf("%s without the secret: %d", tt.target, none.Code)
		}
	}
	if b.test == nil || b.test.Report().Phase != guided.GivenUp || b.test.Plan().Rises != 2 {
		t.Errorf("the test that was begun and broken off: %+v", b.test)
	}
	stopped := newTestServer(t, newShop(), Options{Secret: "0123abcd"})
	if w := post(stopped, "/api/v1/tests/start", `{"test":"leak","who":"R. Vale","confirmed":true}`, "Authorization", "Bearer 0123abcd"); w.Code != 503 {
		t.Errorf("a stopped store begins a test: %d %s", w.Code, w.Body)
	}
}

// What a person says of a leak is kept as an event, refused at its field, and only
// taken of the agent's own page or with the secret.
func TestLeakTagsOverTheAPI(t *testing.T) {
	s := newCommandShopServer(t, &commandShop{shop: newShop()}, Options{Secret: "0123abcd"})
	d := readDocument(t)
	const secret = "Bearer 0123abcd"
	kept := post(s, "/api/v1/leaks", `{"place":"hose reel","hole":"1/8 in","who":"R. Vale"}`, "Authorization", secret)
	d.mustFit(t, "Event", kept.Body.Bytes())
	refused := post(s, "/api/v1/leaks", `{"who":"R. Vale"}`, "Authorization", secret)
	d.mustFit(t, "Error", refused.Body.Bytes())
	var e errorAnswer
	if err := json.Unmarshal(refused.Body.Bytes(), &e); err != nil || kept.Code != 200 || refused.Code != 400 || e.Error.Field != "place" {
		t.Errorf("%d %s, %d %s", kept.Code, kept.Body, refused.Code, refused.Body)
	}
	if w := post(s, "/api/v1/leaks", `{"place":"x","who":"x"}`); w.Code != 403 {
		t.Errorf("without the secret: %d", w.Code)
	}
}
