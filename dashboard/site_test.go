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
