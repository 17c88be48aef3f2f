package newsite

import (
	"strings"
	"testing"

	"loadscribe/agent/sitefile"
)

// TestTheAlarmsOfTheTailLoad: without their # they are alarms that a site file takes;
// with it they are none.
func TestTheAlarmsOfTheTailLoad(t *testing.T) {
	var text strings.Builder
	for line := range strings.Lines(tail) {
		if of, ok := strings.CutPrefix(line, "# "); ok && (strings.HasPrefix(of, "[[") || strings.Contains(of, " = ")) {
			text.WriteString(of)
		}
	}
	d, err := sitefile.ParseDocument("site.toml", []byte(text.String()))
	if err != nil {
		t.Fatalf("without their # they are no TOML: %v\n%s", err, text.String())
	}
	kinds := map[string]bool{}
	for _, k := range sitefile.AlarmKinds() {
		kinds[string(k)] = true
	}
	alarms := d.Subs("alarm")
	for _, a := range alarms {
		if on := a.Text("on", ""); !kinds[on] || a.Text("name", "") == "" {
			t.Errorf("an alarm on %q is none", on)
		}
	}
	if len(alarms) != 6 {
		t.Errorf("%d alarms, want 6", len(alarms))
	}
	if d, err := sitefile.ParseDocument("site.toml", []byte(tail)); err != nil || d.Has("alarm") {
		t.Errorf("as comments: %v", err)
	}
}
