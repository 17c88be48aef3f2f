package dashboard

import (
	"encoding/json"
	"fmt"
	"testing"

	"loadscribe/agent"
)

func (b *commandShop) StartReport(r agent.ReportRequest) (agent.ReportJob, error) {
	switch r.From {
	case "busy":
		return agent.ReportJob{}, fmt.Errorf("1 report is %w", agent.ErrJobsBusy)
	case "yesterday":
		return agent.ReportJob{}, &agent.FieldError{Field: "from", Message: "it is not a time"}
	}
	return agent.ReportJob{ID: "5f", State: agent.JobRunning, Total: 12, Started: noon}, nil
}

// ReportJob 5f is done, 6f at work.
func (b *commandShop) ReportJob(id string) (agent.ReportJob, error) {
	at := agent.Stamp(noon).String()
	switch id {
	case "5f":
		return agent.ReportJob{ID: id, State: agent.JobDone, Done: 12, Total: 12, Started: noon, Ended: noon, Answer: &agent.ReportMade{Title: "Compressed air at Shop", Site: "Shop",
			At: at, From: at, To: at, Findings: []string{"leaks"}, FindingCount: 4, Uncovered: "the last hour",
			Files: []agent.ReportFile{{Name: "report.html", Type: "text/html; charset=utf-8", Bytes: 9, SHA256: "00", Data: []byte("<p>air</p")}}}}, nil
	case "6f":
		return agent.ReportJob{ID: id, State: agent.JobRunning, Total: 12, Started: noon}, nil
	}
	return agent.ReportJob{}, fmt.Errorf("%w %q", agent.ErrNoJob, id)
}

func (b *commandShop) CancelReport(id string) (agent.ReportJob, error) {
	if id != "6f" {
		return agent.ReportJob{}, fmt.Errorf("%w %q", agent.ErrNoJob, id)
	}
	return agent.ReportJob{ID: id, State: agent.JobCancelled, Started: noon, Ended: noon, Error: "cancelled"}, nil
}

// A report over the API: it begins, is asked for, its file fetched, broken off; each
// answer is held against the document.
func TestReportOverTheAPI(t *testing.T) {
	s := newCommandServer(t, newShop(), Options{Secret: "0123abcd"})
	d := readDocument(t)
	for _, tt := range []struct {
		target, body string
		status       int
		field        string
	}{
		{"", `{"from":"-7d","before":"-28d/-14d","made_at":"2026-03-09T06:00:00Z","inputs":{"changes":"c.toml"}}`, 202, ""},
		{"", `{"from":"yesterday"}`, 400, "from"},
		{"", `{"from":"busy"}`, 503, ""},
		{"", `{"fro":"-7d"}`, 400, ""},
		{"/cancel", `{"id":"6f"}`, 200, ""},
		{"/cancel", `{"id":"6a"}`, 404, "id"},
	} {
		w := post(s, "/api/v1/report"+tt.target, tt.body, "Authorization", "Bearer 0123abcd")
		good := tt.status < 300
		d.mustFit(t, map[bool]string{true: "ReportJob", false: "Error"}[good], w.Body.Bytes())
		var e errorAnswer
		if !good && (json.Unmarshal(w.Body.Bytes(), &e) != nil || e.Error.Field != tt.field) || w.Code != tt.status {
			t.Errorf("%s %s: %d field %q, want %d field %q: %s", tt.target, tt.body, w.Code, e.Error.Field, tt.status, tt.field, w.Body)
		}
		if none := post(s, "/api/v1/report"+tt.target, tt.body); none.Code != 403 {
			t.Errorf("%s without the secret: %d", tt.target, none.Code)
		}
	}
	for target, want := range map[string]int{"?id=5f": 200, "?id=6a": 404, "": 400, "?job=5f": 400} {
		w := get(s, "/api/v1/report"+target)
		d.mustFit(t, map[bool]string{true: "ReportJob", false: "Error"}[want == 200], w.Body.Bytes())
		if w.Code != want {
			t.Errorf("GET %s: %d, want %d: %s", target, w.Code, want, w.Body)
		}
	}
	for target, want := range map[string]int{"?id=5f&name=report.html": 200, "?id=5f&name=..%2Fagent.json": 404, "?id=5f": 404, "?id=6f&name=report.html": 404, "?name=report.html": 400} {
		w := get(s, "/api/v1/report/file"+target)
		if w.Code != want {
			t.Errorf("file %s: %d, want %d: %s", target, w.Code, want, w.Body)
		}
		if want == 200 {
			if h := w.Header(); w.Body.String() != "<p>air</p" || h.Get("Content-Disposition") != `attachment; filename="report.html"` || h.Get("Content-Length") != "9" {
				t.Errorf("file: %q, %v", w.Body, h)
			}
			continue
		}
		d.mustFit(t, "Error", w.Body.Bytes())
	}
	stopped := newTestServer(t, newShop(), Options{Secret: "0123abcd"})
	if w := post(stopped, "/api/v1/report", `{}`, "Authorization", "Bearer 0123abcd"); w.Code != 503 {
		t.Errorf("a stopped store begins a report: %d %s", w.Code, w.Body)
	}
}
