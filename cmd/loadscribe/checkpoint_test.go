package main

import (
	"strings"
	"testing"

	"loadscribe/agent"
)

// A checkpoint of a log that has no reading yet proves nothing of any: it is said.
func TestCheckpointSaysWhatItStandsFor(t *testing.T) {
	for to, want := range map[agent.Stamp]string{0: "no reading yet", 1772450000000: "readings up to 2026-03-02T11:13:20.000Z."} {
		if got := signedUpTo(&agent.EvidenceHead{To: to}); !strings.Contains(got, want) {
			t.Errorf("%q, want %q in it", got, want)
		}
	}
}
