package agent

import (
	"testing"

	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// Flows of the sentence are rounded to two figures of what they may be off by, as all figures are.
func TestLeaksSayRoundsByTheInterval(t *testing.T) {
	h := &History{site: &sitefile.Site{Units: quantity.SI}}
	l := Leaks{Measured: &LeakSum{FlowM3S: 0.12345 / 60, U: 0.02155 / 60}}
	if got, want := l.say(h), "No open leak is tagged; 0.123 ± 0.022 m³/min are measured."; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}
