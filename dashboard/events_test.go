package dashboard

import (
	"encoding/json"
	"strings"
	"testing"

	"loadscribe/agent/analysis"
)

func TestEventsAreAskedForAsTheQuerySays(t *testing.T) {
	b := newShop()
	s := newTestServer(t, b, Options{})
	w := get(s, "/api/v1/events?kind=state&kind=note&subject=comp1&change=load&cursor=1.2.3&from=-1h")
	want := "events state note comp1 load 1.2.3 2026-03-02T11:00:00.000Z 2026-03-02T12:00:00.000Z"
	if got := b.lastAsked(); w.Code != 200 || got != want {
		t.Errorf("%d, asked %q, want %q", w.Code, got, want)
	}
	d := readDocument(t)
	var refusal errorAnswer
	w = get(s, "/api/v1/events?kind=nonsense")
	if err := json.Unmarshal(w.Body.Bytes(), &refusal); err != nil || w.Code != 400 || refusal.Error.Field != "kind" {
		t.Errorf("a kind that there is not: %d %s (%v)", w.Code, w.Body, err)
	}
	parameters, _ := d.at("paths", "/api/v1/events", "get")["parameters"].([]any)
	var words []string
	for _, p := range parameters {
		items, _ := p.(map[string]any)["schema"].(map[string]any)["items"].(map[string]any)
		list, _ := items["enum"].([]any)
		for _, word := range list {
			words = append(words, word.(string))
		}
	}
	if got := strings.Join(words, " "); got != strings.Join(analysis.TurnWords(), " ") {
		t.Errorf("changes in the document: %q, the program has %q", got, analysis.TurnWords())
	}
}

// A note comes from our own page or a local command, and from nobody else.
func TestNotes(t *testing.T) {
	for _, tt := range []struct {
		name, body string
		header     []string
		status     int
		field      string
	}{
		{"own page", `{"text":"filter changed","subject":"comp1"}`, []string{"Origin", "http://127.0.0.1:8477"}, 200, ""},
		{"local command", `{"text":"x"}`, []string{"Authorization", "Bearer s3"}, 200, ""},
		{"wrong field", `{"text":""}`, []string{"Authorization", "Bearer s3"}, 400, "text"},
		{"misspelt field", `{"txt":"x"}`, []string{"Authorization", "Bearer s3"}, 400, ""},
		{"number as a text", `{"text":5}`, []string{"Authorization", "Bearer s3"}, 400, "text"},
		{"nobody", `{"text":"x"}`, nil, 403, ""},
		{"foreign page", `{"text":"x"}`, []string{"Origin", "https://evil.example"}, 403, ""},
		{"form of a foreign page", `text=x`, []string{"Origin", "https://evil.example", "Content-Type", "application/x-www-form-urlencoded"}, 403, ""},
	} {
		b := &commandShop{shop: newShop()}
		s := newCommandShopServer(t, b, Options{Secret: "s3"})
		w := post(s, "/api/v1/notes", tt.body, tt.header...)
		if w.Code != tt.status {
			t.Errorf("%s: %d, want %d: %s", tt.name, w.Code, tt.status, w.Body)
		}
		schema := "Error"
		if tt.status == 200 {
			schema = "Event"
		}
		readDocument(t).mustFit(t, schema, w.Body.Bytes())
		var e errorAnswer
		if err := json.Unmarshal(w.Body.Bytes(), &e); err != nil || e.Error.Field != tt.field {
			t.Errorf("%s: field %q, want %q (%v)", tt.name, e.Error.Field, tt.field, err)
		}
		if kept := len(b.notes) == 1; kept != (tt.status == 200) {
			t.Errorf("%s: kept: %v", tt.name, kept)
		}
	}
	if w := post(newTestServer(t, newShop(), Options{Secret: "s3"}), "/api/v1/notes", `{"text":"x"}`, "Authorization", "Bearer s3"); w.Code != 503 {
		t.Errorf("a stopped store takes a note: %d %s", w.Code, w.Body)
	}
}

// The site file may hold what is not for every reader of the pages.
func TestTextsAreForLocalCommands(t *testing.T) {
	s := newTestServer(t, newShop(), Options{Secret: "s3"})
	for _, tt := range []struct {
		target string
		header []string
		want   int
	}{
		{"5f", []string{"Authorization", "Bearer s3"}, 200},
		{"60", []string{"Authorization", "Bearer s3"}, 404},
		{"5f", []string{"Authorization", "Bearer s4"}, 403},
		{"5f", []string{"Origin", "http://127.0.0.1:8477", "Sec-Fetch-Site", "same-origin"}, 403},
		{"5f", nil, 403},
	} {
		w := get(s, "/api/v1/text?hash="+tt.target, tt.header...)
		if w.Code != tt.want {
			t.Errorf("%s with %q: %d, want %d: %s", tt.target, tt.header, w.Code, tt.want, w.Body)
		}
		if schema := map[bool]string{true: "TextAnswer", false: "Error"}[tt.want == 200]; true {
			readDocument(t).mustFit(t, schema, w.Body.Bytes())
		}
	}
}
