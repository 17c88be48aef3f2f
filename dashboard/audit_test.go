package dashboard

import (
	"reflect"
	"testing"

	"loadscribe/agent"
	"loadscribe/agent/store"
)

// Audit is one that was begun, with a step of each kind.
func (b *shop) Audit() (agent.Audit, error) {
	due := agent.Stamp(noon + 3_600_000)
	return agent.Audit{Time: noon, Sentence: "The audit has 1 open step, first: leak test.",
		Begun: &agent.AuditBegun{Seq: 3, Time: noon - 60_000, Who: "R. Vale", Ends: noon + 86_400_000},
		Steps: []agent.AuditStep{
			{Step: "leak", Title: "Leak test", Why: "why", State: "missing", Sentence: "", Missing: []string{"No result counts of main."}, Page: "/after-hours",
				Command: "loadscribe test leak", Cautions: []string{"hot oil"}, Marks: []agent.AuditSaid{{Seq: 4, Time: noon, Who: "R. Vale", Text: "tonight"}}},
			{Step: "first_hour", Title: "First hour", Why: "why", State: "waits", Due: &due, Missing: []string{}, Page: "/what-we-missed", Command: "x", Cautions: []string{}, Marks: []agent.AuditSaid{}},
		}}, nil
}

func (b *commandShop) BeginAudit(q agent.AuditBegin) (agent.Event, error) {
	if q.Who == "" {
		return agent.Event{}, &agent.FieldError{Field: "who", Message: "say who does the audit"}
	}
	return agent.EventOf(store.Event{Seq: 11, WallMS: noon, Kind: "audit", Text: "audit begun by " + q.Who}), nil
}

func (b *commandShop) MarkAudit(m agent.AuditMark) (agent.Event, error) {
	if m.Step != "leak" {
		return agent.Event{}, &agent.FieldError{Field: "step", Message: "no step"}
	}
	return agent.EventOf(store.Event{Seq: 12, WallMS: noon, Kind: "audit", Text: m.Text}), nil
}

func TestAuditOverTheAPI(t *testing.T) {
	s := newCommandServer(t, newShop(), Options{Secret: "0123abcd"})
	d := readDocument(t)
	d.mustFit(t, "Audit", get(s, "/api/v1/audit").Body.Bytes())
	bearer := []string{"Authorization", "Bearer 0123abcd"}
	for _, tt := range []struct {
		target, body string
		header       []string
		status       int
		schema       string
	}{
		{"begin", `{"who":"R. Vale"}`, bearer, 200, "Event"},
		{"begin", `{"who":"R. Vale","ends":"2026-03-09"}`, bearer, 200, "Event"},
		{"begin", `{}`, bearer, 400, "Error"},
		{"begin", `{"who":"R. Vale"}`, nil, 403, "Error"},
		{"mark", `{"step":"leak","who":"R. Vale","text":"tonight"}`, bearer, 200, "Event"},
		{"mark", `{"step":"leek","who":"R. Vale","text":"tonight"}`, bearer, 400, "Error"},
	} {
		w := post(s, "/api/v1/audit/"+tt.target, tt.body, tt.header...)
		if w.Code != tt.status {
			t.Errorf("%s %s: %d, want %d: %s", tt.target, tt.body, w.Code, tt.status, w.Body)
			continue
		}
		d.mustFit(t, tt.schema, w.Body.Bytes())
	}
	if w := post(newTestServer(t, newShop(), Options{Secret: "0123abcd"}), "/api/v1/audit/begin", `{"who":"x"}`, bearer...); w.Code != 503 {
		t.Errorf("an audit of a stopped record: %d %s", w.Code, w.Body)
	}
	for name, v := range map[string]any{"Audit": agent.Audit{}, "AuditBegun": agent.AuditBegun{}, "AuditStep": agent.AuditStep{}, "AuditSaid": agent.AuditSaid{},
		"AuditBegin": agent.AuditBegin{}, "AuditMark": agent.AuditMark{}} {
		d.fitsType(t, name, reflect.TypeOf(v))
	}
}
