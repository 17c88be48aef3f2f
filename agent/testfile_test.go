package agent

import (
	"testing"

	"loadscribe/agent/analysis"
	"loadscribe/agent/store"
)

// A result that finds the queue of events full waits, and is filed once there is
// room: nobody wants to shut a plant off twice.
func TestAResultWaitsForRoom(t *testing.T) {
	a := &Agent{events: make(chan store.Event, 1)}
	a.queueEvent(store.Event{WallMS: 1, Kind: "line_down"})
	a.fileLater(store.Event{WallMS: 2, Kind: analysis.KindTest, Subject: "comp1"})
	hand := func() {
		a.tests.mu.Lock()
		defer a.tests.mu.Unlock()
		a.fileTests()
	}
	hand()
	if e := <-a.events; e.Kind != "line_down" || len(a.tests.unfiled) != 1 {
		t.Fatalf("%s first, %d wait", e.Kind, len(a.tests.unfiled))
	}
	hand()
	if len(a.events) != 1 || len(a.tests.unfiled) != 0 {
		t.Fatalf("%d handed on, %d wait", len(a.events), len(a.tests.unfiled))
	}
	if e := <-a.events; e.Kind != analysis.KindTest || e.Subject != "comp1" {
		t.Errorf("filed: %+v", e)
	}
}
