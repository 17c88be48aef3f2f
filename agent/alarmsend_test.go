package agent

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"loadscribe/agent/alarm"
)

// receiver is a webhook's other end.
type receiver struct {
	mu     sync.Mutex // protects all below
	down   bool
	bodies []map[string]any
	ids    []string
}

func (r *receiver) ServeHTTP(w http.ResponseWriter, q *http.Request) {
	r.mu.Lock()
	defer r.mu.Unlock()
	body, err := io.ReadAll(q.Body)
	var said map[string]any
	if err != nil || json.Unmarshal(body, &said) != nil || r.down {
		w.WriteHeader(http.StatusServiceUnavailable)
		return
	}
	r.bodies, r.ids = append(r.bodies, said), append(r.ids, q.Header.Get("webhook-id"))
}

func (r *receiver) got() []map[string]any {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]map[string]any(nil), r.bodies...)
}

func (r *receiver) setDown(down bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.down = down
}

// TestAlarmReachesItsTarget: raised and returned go out with their true times, a test
// message tells what the other end said, and what it did not take waits on the disk for
// the next start.
func TestAlarmReachesItsTarget(t *testing.T) {
	other := &receiver{}
	server := httptest.NewServer(other)
	defer server.Close()
	dir := t.TempDir()
	secret := "whsec_" + base64.StdEncoding.EncodeToString(make([]byte, 32)) + "\n"
	if err := os.WriteFile(filepath.Join(dir, "dispatch"), []byte(secret), 0o600); err != nil {
		t.Fatal(err)
	}
	alarms := strings.Replace(nobodyListens, "http://127.0.0.1:9/", server.URL, 1) + scanAlarms
	clock := &manualClock{mono: 1000, wall: testStartMS}
	r := openAlarmRig(t, dir, alarms, clock, Options{})
	run := func() (stop func()) {
		ctx, cancel := context.WithCancel(t.Context())
		failed := make(chan error, 2)
		stops := []func(){start(ctx, failed, r.a.sendAlarms), start(ctx, failed, r.a.messages.Run)}
		return func() {
			stops[0]() // hands on what waits, then the messages end
			stops[1]()
			cancel()
		}
	}
	stop := run()
	tested, err := r.a.TestAlarm(t.Context(), AlarmTest{Target: "dispatch"})
	if err != nil || !tested.OK || len(other.got()) != 1 {
		t.Errorf("test message: %+v, %v", tested, err)
	}
	other.setDown(true)
	if tested, err := r.a.TestAlarm(t.Context(), AlarmTest{Target: "dispatch"}); err != nil || tested.OK || !strings.HasPrefix(tested.Answer, "127.0.0.1:") || !strings.Contains(tested.Answer, " answers 503") {
		t.Errorf("test message to a target that is down: %+v, %v", tested, err)
	}
	other.setDown(false)
	var wrong *FieldError
	if _, err := r.a.TestAlarm(t.Context(), AlarmTest{Target: "pager"}); !errors.As(err, &wrong) || wrong.Field != "target" {
		t.Errorf("a target that there is not: %v", err)
	}
	r.reading(80, 0, 700)
	for range 5 {
		r.reading(107, 0, 700) // seconds 2 to 6: raised at 5
	}
	eventually(t, "the raise to arrive", func() bool { return len(other.got()) == 2 })
	raised := other.got()[1]
	data, _ := raised["data"].(map[string]any)
	if raised["type"] != "alarm.raised" || raised["timestamp"] != Stamp(testStartMS+5000).String() || data["subject"] != "hot: m" ||
		!strings.Contains(data["text"].(string), "discharge temperature of m 107.0 °C, above 105.0 °C for 3 s.\nSince Wed 2026-02-25 06:15:02 UTC.") {
		t.Errorf("raised: %v", raised)
	}
	for range 4 {
		r.reading(80, 0, 700) // seconds 7 to 10: returned at 9
	}
	eventually(t, "the return to arrive", func() bool { return len(other.got()) == 3 })
	if back := other.got()[2]; back["type"] != "alarm.returned" || back["timestamp"] != Stamp(testStartMS+9000).String() {
		t.Errorf("returned: %v", back)
	}
	eventually(t, "the sender to know that it did", func() bool { return r.alarms().Targets[0].Waiting == 0 })
	if targets := r.alarms().Targets; len(targets) != 1 || targets[0].Name != "dispatch" || targets[0].LastSent == 0 {
		t.Errorf("targets %+v", targets)
	}

	other.setDown(true)
	for range 5 {
		r.reading(107, 0, 700) // raised at 14
	}
	eventually(t, "the target to fail", func() bool { s := r.alarms().Targets[0]; return s.Waiting == 1 && s.FailingSince != 0 && s.Why != "" })
	stop()
	r.keep()
	if err := r.a.Close(); err != nil {
		t.Fatal(err)
	}
	other.setDown(false)
	clock.advance(3 * 3_600_000)
	r = openAlarmRig(t, dir, alarms, clock, Options{})
	stop = run()
	eventually(t, "what waited to arrive after a restart", func() bool { return len(other.got()) == 4 })
	if late := other.got()[3]; late["type"] != "alarm.raised" || late["timestamp"] != Stamp(testStartMS+14_000).String() {
		t.Errorf("after the outage: %v", late)
	}
	stop()
	if err := r.a.Close(); err != nil {
		t.Fatal(err)
	}
	if n := len(other.got()); n != 4 {
		t.Errorf("%d messages in all, want 4: the restart raised it anew", n)
	}
}

// TestAlarmMessage: the sentence, since when, and how often.
func TestAlarmMessage(t *testing.T) {
	site := loadTestSite(t, t.TempDir(), alarmSite, alarmMap)
	for _, tt := range []struct {
		name, id, kind, subject, text string
		record                        alarm.Record
	}{
		{"raised", "abc-raised", "raised", "hot: m", "it is hot.\nSince Thu 1970-01-01 00:00:01 UTC at least: nothing was read before.\nPriority: high.\n" +
			"To say that you have taken note: the page Alarms, or loadscribe alarms acknowledge --site FILE --who NAME abc.",
			alarm.Record{State: alarm.Raised, ID: "abc", Rule: "hot", Subject: "m", Says: "it is hot", SinceMS: 1000, AtLeast: true, Priority: "high", Times: 1}},
		{"raised often", "abc-raised", "raised", "hot: m", "it is hot.\nSince Thu 1970-01-01 00:00:01 UTC.\nPriority: low.\nRaised 4 times within the hour.\n" +
			"7 more were raised since the last message of it and not sent.\nTo say that you have taken note: the page Alarms, or loadscribe alarms acknowledge --site FILE --who NAME abc.",
			alarm.Record{State: alarm.Raised, ID: "abc", Rule: "hot", Subject: "m", Says: "it is hot", SinceMS: 1000, Priority: "low", Times: 4, HeldBack: 7}},
		{"returned", "abc-returned", "returned", "over, hot: m", "it is back.\nSince Thu 1970-01-01 00:00:01 UTC.",
			alarm.Record{State: alarm.Returned, ID: "abc", Rule: "hot", Subject: "m", Says: "it is back", SinceMS: 1000, Priority: "high"}},
	} {
		m := alarmMessage(site, &tt.record)
		if m.ID != tt.id || m.Kind != tt.kind || m.Subject != tt.subject || m.Text != tt.text || m.Site != "Test" {
			t.Errorf("%s: %+v\nwant %s", tt.name, m, tt.text)
		}
	}
}
