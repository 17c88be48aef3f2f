package dashboard

import (
	"encoding/csv"
	"encoding/json"
	"net/http"
	"reflect"
	"strings"
	"testing"
)

func TestWindows(t *testing.T) {
	b := newShop()
	s := newTestServer(t, b, Options{})
	// The shop is at UTC-6; now is 12:00Z on 2 March.
	tests := []struct{ query, want string }{
		{"", "2026-03-01T12:00:00.000Z 2026-03-02T12:00:00.000Z"},
		{"from=-1h", "2026-03-02T11:00:00.000Z 2026-03-02T12:00:00.000Z"},
		{"from=2026-03-01&to=2026-03-01", "2026-03-01T06:00:00.000Z 2026-03-02T06:00:00.000Z"},
		{"from=2026-03-01T00:00:00Z&to=now", "2026-03-01T00:00:00.000Z 2026-03-02T12:00:00.000Z"},
		{"to=-1d", "2026-02-28T12:00:00.000Z 2026-03-01T12:00:00.000Z"},
	}
	for _, tt := range tests {
		if w := get(s, "/api/v1/events?"+tt.query); w.Code != 200 {
			t.Errorf("%s: %d %s", tt.query, w.Code, w.Body)
			continue
		}
		if got := b.lastAsked(); got != "events "+tt.want {
			t.Errorf("%s: asked for %q, want %q", tt.query, got, tt.want)
		}
	}
}

func TestBadParameters(t *testing.T) {
	s := newTestServer(t, newShop(), Options{})
	many := strings.Repeat("&channel=meter.power", maxChannels+1)
	tests := []struct {
		target string
		status int
		field  string
		says   string
	}{
		{"/api/v1/series?channel=meter.power&from=yesterday", 400, "from", "yesterday"},
		{"/api/v1/series?channel=meter.power&to=2026-13-01", 400, "to", "2026-13-01"},
		{"/api/v1/series?channel=meter.power&from=now&to=-1d", 400, "from", "not before"},
		{"/api/v1/series?channel=meter.power&from=9999-01-01", 400, "from", "9999"},
		{"/api/v1/series?channel=meter.power&points=0", 400, "points", "1 to 20000"},
		{"/api/v1/series?channel=meter.power&points=1e3", 400, "points", "whole number"},
		{"/api/v1/series?channel=meter.power&points=1&points=2", 400, "points", "once"},
		{"/api/v1/series?chanel=meter.power", 400, "chanel", "channel"},
		{"/api/v1/series?from=-1h" + many, 400, "channel", "64"},
		{"/api/v1/series?layout=rows&channel=meter.power", 400, "layout", "cells or columns"},
		{"/api/v1/series?state=comp1&state=comp2", 400, "state", "layout=columns"},
		{"/api/v1/moments?channel=meter.power", 400, "at", "missing"},
		{"/api/v1/moments?at=now", 400, "channel", "missing"},
		{"/api/v1/moments?channel=meter.power&at=now&at=-1h&at=-2h", 400, "at", "one or two"},
		{"/api/v1/moments?channel=meter.power&at=now&at=now", 400, "at", "the same"},
		{"/api/v1/moments?channel=meter.power&at=soon", 400, "at", "soon"},
		{"/api/v1/moments?channel=meter.power&at=9999-01-01", 400, "at", "9999"},
		{"/api/v1/series?channel=" + strings.Repeat("x", maxQueryBytes), 400, "", "longer"},
		{"/api/v1/series?channel=%zz", 400, "", "cannot be read"},
		{"/api/v1/series?channel=meter.powr", 404, "channel", "meter.power"},
		{"/api/v1/series?state=comp3", 404, "state", "comp1, comp2"},
		{"/api/v1/events?limit=99999", 400, "limit", "10000"},
		{"/api/v1/events?cursor=yesterday", 400, "cursor", "next"},
		{"/api/v1/events?change=jump", 400, "change", "unload"},
		{"/api/v1/export?format=xls&from=-1h", 400, "format", "csv"},
		{"/api/v1/export?layout=tall&from=-1h", 400, "layout", "long or wide"},
		{"/api/v1/export?layout=wide", 400, "from", "missing"},
		{"/api/v1/intervals", 400, "machine", "say which"},
		{"/api/v1/site?x=1", 400, "x", "not known"},
	}
	for _, tt := range tests {
		w := get(s, tt.target)
		var e errorAnswer
		if err := json.Unmarshal(w.Body.Bytes(), &e); err != nil {
			t.Errorf("%.80s: %v in %s", tt.target, err, w.Body)
			continue
		}
		if w.Code != tt.status || e.Error.Field != tt.field || !strings.Contains(e.Error.Message, tt.says) {
			t.Errorf("%.80s: %d %+v, want %d, field %q, message with %q", tt.target, w.Code, e.Error, tt.status, tt.field, tt.says)
		}
	}
}

func TestStoreTrouble(t *testing.T) {
	b := newShop()
	b.fail("disk gone")
	s := newTestServer(t, b, Options{})
	for _, target := range []string{
		"/api/v1/series?channel=meter.power", "/api/v1/series?state=comp1", "/api/v1/series?layout=columns&channel=meter.power", "/api/v1/series?layout=columns&state=comp1",
		"/api/v1/moments?channel=meter.power&at=-1h&at=now", "/api/v1/below?system=main", "/api/v1/figures", "/api/v1/demand?system=main", "/api/v1/events", "/api/v1/faults",
		"/api/v1/intervals?machine=comp1", "/api/v1/export?from=-1h", "/api/v1/service", "/api/v1/service/effect?note=3",
	} {
		w := get(s, target)
		if w.Code != http.StatusServiceUnavailable || !strings.Contains(w.Body.String(), "disk gone") || w.Header().Get("Retry-After") == "" {
			t.Errorf("%s: %d %s", target, w.Code, w.Body)
		}
		readDocument(t).mustFit(t, "Error", w.Body.Bytes())
	}
}

func TestExportOverHTTP(t *testing.T) {
	s := newTestServer(t, newShop(), Options{})
	w := get(s, "/api/v1/export?from=2026-03-02&layout=wide")
	rows, err := csv.NewReader(w.Body).ReadAll()
	if err != nil || w.Code != 200 {
		t.Fatalf("status %d, %v", w.Code, err)
	}
	want := [][]string{
		{"time", "controller.discharge_pressure [psi]", "controller.loaded [1]", "meter.power [kW]"},
		{"2026-03-02T12:00:00.000Z", "103.4", "", ""},
		{"2026-03-02T12:00:00.010Z", "", "", ""},
		{"2026-03-02T12:00:00.020Z", "", "1", ""},
	}
	if !reflect.DeepEqual(rows, want) {
		t.Errorf("got %v\nwant %v", rows, want)
	}
	if h := w.Header().Get("Content-Disposition"); !strings.Contains(h, `filename="loadscribe-20260302T060000Z-20260302T120000Z.csv"`) {
		t.Errorf("content disposition %q", h)
	}
	w = get(s, "/api/v1/export?from=2026-03-02&channel=meter.power")
	if got := w.Body.String(); got != "time,device,channel,value,unit,quality\r\n2026-03-02T12:00:00.010Z,meter,power,,kW,timeout\r\n" {
		t.Errorf("one channel: %q", got)
	}
}

func TestHealthAndReadiness(t *testing.T) {
	b := newShop()
	s := newTestServer(t, b, Options{})
	if w := get(s, "/healthz"); w.Code != 200 || w.Body.String() != "ok\n" {
		t.Errorf("healthz: %d %q", w.Code, w.Body)
	}
	if w := get(s, "/readyz"); w.Code != 200 {
		t.Errorf("readyz: %d %q", w.Code, w.Body)
	}
	b.mu.Lock()
	b.unready = "no line answers"
	b.mu.Unlock()
	if w := get(s, "/readyz"); w.Code != 503 || !strings.Contains(w.Body.String(), "no line answers") {
		t.Errorf("readyz: %d %q", w.Code, w.Body)
	}
	if w := get(s, "/metrics"); w.Code != 200 || !strings.Contains(w.Body.String(), "loadscribe_live_clients 0") {
		t.Errorf("metrics: %d %q", w.Code, w.Body)
	}
}

func TestNoCommands(t *testing.T) {
	s := newTestServer(t, newShop(), Options{})
	for _, method := range []string{http.MethodPost, http.MethodPut, http.MethodDelete, http.MethodPatch} {
		for _, target := range []string{"/api/v1/site", "/api/v1/export", "/", "/metrics"} {
			w := do(s, method, target)
			if w.Code != http.StatusMethodNotAllowed || w.Header().Get("Allow") == "" {
				t.Errorf("%s %s: %d", method, target, w.Code)
			}
		}
	}
	for target, want := range map[string]string{"/api/v1/compare": "GET, HEAD, POST", "/api/v1/notes": "POST", "/api/v1/tests": "GET, HEAD"} {
		if w := do(s, http.MethodPut, target); w.Code != http.StatusMethodNotAllowed || w.Header().Get("Allow") != want {
			t.Errorf("PUT %s: %d, allowed %q, want %q", target, w.Code, w.Header().Get("Allow"), want)
		}
	}
}

// FuzzQuery holds parsing to its bounds: no panic, and a window that is
// accepted is one.
func FuzzQuery(f *testing.F) {
	for _, seed := range []string{
		"", "from=-7d&to=now", "from=2026-03-01&to=2026-03-01&points=5", "channel=a.b&channel=c.d", "from=0001-01-01T00:00:00Z",
		"to=9999-12-31T23:59:59Z&from=-1s", "points=99999999999999999999", "%", "a;b", "from=-100000000h",
	} {
		f.Add(seed)
	}
	b := newShop()
	s := newTestServer(f, b, Options{})
	f.Fuzz(func(t *testing.T, raw string) {
		q := parseQuery(raw, []string{"from", "to", "points"}, "channel")
		fromMS, toMS := q.window(b.Now(), s.location(), false)
		points := q.number("points", 1, maxPoints)
		channels, e := s.channels(q, maxChannels)
		if e != nil {
			if e.message == "" || (e.status != 400 && e.status != 404) {
				t.Errorf("error %+v", e)
			}
			return
		}
		if fromMS >= toMS || fromMS < -62135596800000 || points < 1 || points > maxPoints || len(channels) > maxChannels {
			t.Errorf("accepted %d to %d, %d points, %d channels", fromMS, toMS, points, len(channels))
		}
	})
}
