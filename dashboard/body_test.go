package dashboard

import (
	"encoding/json"
	"strings"
	"testing"
)

// What is wrong with a body is said in a person's words, and the field is named.
func TestABadBodyIsExplained(t *testing.T) {
	s := newCommandShopServer(t, &commandShop{shop: newShop()}, Options{Secret: "0123abcd"})
	for body, want := range map[string]struct{ field, says string }{
		strings.Repeat(" ", maxBodyBytes+1): {"", "larger than 65536 bytes"},
		`{"rises":"three"}`:                 {"rises", "rises of the body cannot be of the kind string"},
		`[]`:                                {"", "the whole of the body cannot be of the kind array"},
		`{"rises":3,}`:                      {"", "no JSON from byte 12 on"},
		`{"rises":`:                         {"", "ends too early"},
		``:                                  {"", "ends too early"},
		`{"open_valve":true}`:               {"", `unknown field "open_valve"`},
	} {
		w := post(s, "/api/v1/tests/start", body, "Authorization", "Bearer 0123abcd")
		var e errorAnswer
		if err := json.Unmarshal(w.Body.Bytes(), &e); err != nil || w.Code != 400 || e.Error.Field != want.field || !strings.Contains(e.Error.Message, want.says) {
			t.Errorf("%.20q: %d %s, want field %q and %q", body, w.Code, w.Body, want.field, want.says)
		}
		if strings.Contains(e.Error.Message, "json:") || strings.Contains(e.Error.Message, "http:") {
			t.Errorf("%.20q: Go's own words: %s", body, e.Error.Message)
		}
	}
}
