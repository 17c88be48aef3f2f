package dashboard

import (
	"encoding/json"
	"strings"
	"testing"

	"loadscribe/agent/sitefile"
)

// TestSiteHasFaultTexts: the texts of a fault code are in the site, by code,
// and nothing stands there for a channel without.
func TestSiteHasFaultTexts(t *testing.T) {
	d := readDocument(t)
	for _, tt := range []struct {
		faults map[int64]string
		want   string
	}{
		{map[int64]string{3: "high discharge temperature", 21: "motor overload"}, `"faults":{"21":"motor overload","3":"high discharge temperature"}`},
		{nil, ""},
	} {
		c := channelOf(&sitefile.Device{Name: "c"}, &sitefile.MapChannel{Name: "code", Type: "u16", Bit: -1, UnitText: "1", Faults: tt.faults})
		text, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		if got := string(text); tt.want != "" && !strings.Contains(got, tt.want) || tt.want == "" && strings.Contains(got, "faults") {
			t.Errorf("got %s, want %q in it", got, tt.want)
		}
		var v any
		if err := json.Unmarshal(text, &v); err != nil {
			t.Fatal(err)
		}
		if wrong := d.check(d.schema("SiteChannel"), v, "channel"); len(wrong) > 0 {
			t.Errorf("not as documented: %q", wrong)
		}
	}
}

// TestStep: a reader sees no decimals that a count does not have.
func TestStep(t *testing.T) {
	for _, tt := range []struct {
		name    string
		channel sitefile.MapChannel
		want    float64
	}{
		{"a count", sitefile.MapChannel{Type: "u16", Scale: 1}, 1},
		{"tenths, counted downwards", sitefile.MapChannel{Type: "i16", Scale: -0.1}, 0.1},
		{"a float", sitefile.MapChannel{Type: "f32", Scale: 1}, 0},
		{"a text's decimal", sitefile.MapChannel{Type: "decimal", Scale: 1}, 0},
		{"a text without its point", sitefile.MapChannel{Type: "fixed", Scale: 1, Text: &sitefile.TextField{Decimals: 2}}, 0.01},
		{"an input module", sitefile.MapChannel{Type: "u16", Scale: 0.01, Signal: &sitefile.Signal{}}, 0},
	} {
		if got := stepOf(&tt.channel); got != tt.want {
			t.Errorf("%s: a step of %v, want %v", tt.name, got, tt.want)
		}
	}
}
