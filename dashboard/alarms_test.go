package dashboard

import (
	"context"
	"fmt"
	"reflect"
	"strings"
	"testing"

	"loadscribe/agent"
)

// Alarms are one that stands, one that has returned, and rules of every state.
func (b *shop) Alarms() (agent.Alarms, error) {
	value, limit := 106.2, 105.0
	return agent.Alarms{Caution: agent.AlarmCaution,
		Standing: []agent.StandingAlarm{
			{ID: "k3f9a2bc", Rule: "air end hot", On: "temperature", Subject: "comp1", Priority: "high", Text: "discharge temperature of comp1 106.2 °C, above 105.0 °C for 30 s",
				Raised: noon, Since: noon - 30_000, Value: &value, Limit: &limit, Unit: "°C", Told: true, Times: 1},
			{ID: "zzf9a2bc", Rule: "meter silent", On: "no data", Subject: "meter", Priority: "medium", Text: "readings of meter: timeout", Raised: noon - 90_000,
				Since: noon - 150_000, SinceAtLeast: true, Returned: noon - 1000, Acknowledged: &agent.AlarmAckSaid{At: noon - 500, Who: "R. Vale"}, Times: 3, ShelvedUntil: noon + 1000},
		},
		Rules: []agent.AlarmRule{
			{Rule: "air end hot", On: "temperature", Subjects: []string{"comp1"}, Text: "Raised when …", Priority: "high", Tell: []string{"mail"}, State: "raised", Since: noon, Shelved: []agent.AlarmShelf{}},
			{Rule: "meter silent", On: "no data", Subjects: []string{"meter"}, Text: "Raised when …", Priority: "medium", Tell: []string{}, State: "blind", Why: "it is not polled",
				Shelved: []agent.AlarmShelf{{Until: noon + 1000, Who: "R. Vale", Why: "rewiring"}}},
			{Rule: "disk", On: "disk", Subjects: []string{"disk"}, Text: "Raised when …", Priority: "low", Tell: []string{}, State: "waiting", Since: noon, Shelved: []agent.AlarmShelf{}},
			{Rule: "oil", On: "service due", Subjects: []string{"comp1"}, Text: "Raised when …", Priority: "low", Tell: []string{}, State: "quiet", Shelved: []agent.AlarmShelf{}},
		},
		Targets: []agent.AlarmTarget{{Name: "mail", Kind: "mail", To: "plant@shop.example", Waiting: 2, LastSent: noon - 9000, FailingSince: noon - 100, Why: "no answer", GivenUp: 1}},
	}, nil
}

func (b *commandShop) AcknowledgeAlarm(q agent.AlarmAck) (agent.Alarms, error) {
	switch {
	case q.Who == "":
		return agent.Alarms{}, &agent.FieldError{Field: "who", Message: "say who you are"}
	case q.ID != "k3f9a2bc":
		return agent.Alarms{}, fmt.Errorf("%q: %w", q.ID, agent.ErrNoAlarm)
	}
	return b.Alarms()
}

func (b *commandShop) ShelveAlarm(q agent.AlarmShelve) (agent.Alarms, error) {
	if q.For != "8h" {
		return agent.Alarms{}, &agent.FieldError{Field: "for", Message: "not from a minute to 7 days"}
	}
	return b.Alarms()
}

func (b *commandShop) UnshelveAlarm(q agent.AlarmUnshelve) (agent.Alarms, error) {
	if q.Rule != "meter silent" {
		return agent.Alarms{}, &agent.FieldError{Field: "rule", Message: "it is not shelved"}
	}
	return b.Alarms()
}

func (b *commandShop) TestAlarm(_ context.Context, q agent.AlarmTest) (agent.AlarmTested, error) {
	if q.Target != "mail" {
		return agent.AlarmTested{}, &agent.FieldError{Field: "target", Message: "no such target"}
	}
	return agent.AlarmTested{Target: "mail", OK: true, Answer: "250 OK"}, nil
}

func TestAlarmsOverTheAPI(t *testing.T) {
	s := newCommandServer(t, newShop(), Options{Secret: "0123abcd"})
	d := readDocument(t)
	body := get(s, "/api/v1/alarms").Body
	d.mustFit(t, "Alarms", body.Bytes())
	if !strings.Contains(body.String(), `"caution":"Not a safety device`) {
		t.Error("the answer does not say that this is no safety device")
	}
	if w := get(s, "/api/v1/alarms?rule=x"); w.Code != 400 {
		t.Errorf("an unknown parameter: %d", w.Code)
	}
	bearer := []string{"Authorization", "Bearer 0123abcd"}
	for _, tt := range []struct {
		target, body string
		header       []string
		status       int
		schema       string
	}{
		{"acknowledge", `{"id":"k3f9a2bc","who":"R. Vale","why":"fan stuck"}`, bearer, 200, "Alarms"},
		{"acknowledge", `{"id":"k3f9a2bc"}`, bearer, 400, "Error"},
		{"acknowledge", `{"id":"nobody","who":"R. Vale"}`, bearer, 404, "Error"},
		{"acknowledge", `{"id":"k3f9a2bc","who":"R. Vale"}`, nil, 403, "Error"},
		{"shelve", `{"rule":"meter silent","for":"8h","who":"R. Vale","why":"rewiring"}`, bearer, 200, "Alarms"},
		{"shelve", `{"rule":"meter silent","for":"80d","who":"R. Vale","why":"rewiring"}`, bearer, 400, "Error"},
		{"shelve", `{"rule":"meter silent","for":"8h","who":"R. Vale","why":"rewiring"}`, nil, 403, "Error"},
		{"unshelve", `{"rule":"meter silent","who":"R. Vale"}`, bearer, 200, "Alarms"},
		{"unshelve", `{"rule":"disk","who":"R. Vale"}`, bearer, 400, "Error"},
		{"unshelve", `{"rule":"meter silent","who":"R. Vale"}`, nil, 403, "Error"},
		{"test", `{"target":"mail"}`, bearer, 200, "AlarmTested"},
		{"test", `{"target":"pager"}`, bearer, 400, "Error"},
		{"test", `{"target":"mail"}`, nil, 403, "Error"},
	} {
		w := post(s, "/api/v1/alarms/"+tt.target, tt.body, tt.header...)
		if w.Code != tt.status {
			t.Errorf("%s %s: %d, want %d: %s", tt.target, tt.body, w.Code, tt.status, w.Body)
			continue
		}
		d.mustFit(t, tt.schema, w.Body.Bytes())
	}
	if w := post(newTestServer(t, newShop(), Options{Secret: "0123abcd"}), "/api/v1/alarms/acknowledge", `{"id":"k3f9a2bc","who":"x"}`, bearer...); w.Code != 503 {
		t.Errorf("an alarm of a stopped record: %d %s", w.Code, w.Body)
	}
	for name, v := range map[string]any{"Alarms": agent.Alarms{}, "StandingAlarm": agent.StandingAlarm{}, "AlarmAckSaid": agent.AlarmAckSaid{}, "AlarmRule": agent.AlarmRule{},
		"AlarmShelf": agent.AlarmShelf{}, "AlarmTarget": agent.AlarmTarget{}, "AlarmAck": agent.AlarmAck{}, "AlarmShelve": agent.AlarmShelve{},
		"AlarmUnshelve": agent.AlarmUnshelve{}, "AlarmTest": agent.AlarmTest{}, "AlarmTested": agent.AlarmTested{}} {
		d.fitsType(t, name, reflect.TypeOf(v))
	}
}
