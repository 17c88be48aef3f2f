package dashboard

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"testing"

	"loadscribe/agent"
	"loadscribe/agent/store"
)

func testHead() agent.EvidenceHead {
	return agent.EvidenceHead{Checkpoint: "loadscribe/00\n8\n…", Log: "loadscribe/00", Size: 8, Root: "Xcna", Made: 1_772_431_200_000, Key: "0011 2233"}
}

func (b *shop) Evidence() (agent.EvidenceHead, error) {
	if err := b.ask("evidence", 0, 0); err != nil {
		return agent.EvidenceHead{}, err
	}
	return testHead(), nil
}

// VerifyEvidence finds a break, and takes one checkpoint alone for one.
func (b *shop) VerifyEvidence(_ context.Context, kept string, _ func(done, total int64)) (agent.EvidenceVerdict, error) {
	if err := b.ask("verify", 0, 0); err != nil {
		return agent.EvidenceVerdict{}, err
	}
	head := testHead()
	v := agent.EvidenceVerdict{Head: &head, Leaves: 8, Keys: []agent.EvidenceKey{{Leaf: 1, Key: head.Key}}, BreakCount: 1,
		Breaks: []agent.EvidenceBreak{{What: store.BreakBlockChanged, Leaf: 3, Device: "controller", From: head.Made, To: head.Made, Text: "not those that were logged"}}}
	switch kept {
	case "":
	case head.Checkpoint:
		v.Kept = &agent.EvidenceKept{Holds: true, Size: 8, Made: head.Made, Key: head.Key, Text: "it holds"}
	default:
		return agent.EvidenceVerdict{}, &agent.FieldError{Field: "checkpoint", Message: "not a valid checkpoint"}
	}
	return v, nil
}

func TestEvidence(t *testing.T) {
	d := readDocument(t)
	b := newShop()
	s := newTestServer(t, b, Options{Secret: "0123abcd"})
	d.mustFit(t, "EvidenceHead", get(s, "/api/v1/evidence").Body.Bytes())
	bearer := []string{"Authorization", "Bearer 0123abcd"}
	for _, c := range []struct {
		body   string
		status int
		kept   bool
	}{
		{`{}`, 200, false},
		{`{"checkpoint":"loadscribe/00\n8\n…"}`, 200, true},
		{`{"checkpoint":"x"}`, 400, false},
		{`{"file":"x"}`, 400, false},
		{``, 400, false},
	} {
		w := post(s, "/api/v1/verify", c.body, bearer...)
		if w.Code != c.status {
			t.Errorf("%s: %d %s, want %d", c.body, w.Code, w.Body, c.status)
		}
		if w.Code != 200 {
			d.mustFit(t, "Error", w.Body.Bytes())
			continue
		}
		d.mustFit(t, "EvidenceVerdict", w.Body.Bytes())
		var v agent.EvidenceVerdict
		if err := json.Unmarshal(w.Body.Bytes(), &v); err != nil || v.Sound || len(v.Breaks) != 1 || (v.Kept != nil) != c.kept {
			t.Errorf("%s: %+v, %v", c.body, v, err)
		}
	}
	if w := post(s, "/api/v1/verify", `{}`); w.Code != http.StatusForbidden {
		t.Errorf("without a secret: %d %s", w.Code, w.Body)
	}
	b.failing = fmt.Errorf("newest checkpoint: %w", store.ErrNoEvidence)
	if w := get(s, "/api/v1/evidence"); w.Code != http.StatusServiceUnavailable {
		t.Errorf("before the log began: %d %s", w.Code, w.Body)
	}
	if w := post(s, "/api/v1/verify", `{}`, bearer...); w.Code != http.StatusServiceUnavailable {
		t.Errorf("before the log began: %d %s", w.Code, w.Body)
	}
}
