package dashboard

import (
	"net/http"
	"testing"

	"loadscribe/agent"
)

func (b *shop) Missed(fromMS, toMS int64) (agent.Missed, error) {
	free, days, perDay, left, kept, off := int64(5e9), int64(400), 1.4e6, 3571.4, true, 12.5
	head := testHead()
	return agent.Missed{From: agent.Stamp(fromMS), To: agent.Stamp(toMS),
		Devices: []agent.MissedDevice{{Device: "meter", Line: "net", Due: 604800, Read: 604000, ReadShare: 0.9987, PeriodMS: 1000, Gaps: 1, GapS: 700, LongestS: 700},
			{Device: "inputs", Line: "net", Absent: "nothing was ever read of it"}},
		Gaps: []agent.MissedGap{{Device: "meter", From: noon - 800_000, To: noon - 100_000, ForS: 700, Reason: "timeout", Mend: "Look at the cable.",
			Counters: []agent.MissedCounter{{Machine: "comp1", Role: "energy", Channel: "meter.energy", Before: 100, After: 107.5, Change: 7.5, Step: 0.1, Unit: "kWh"}}}},
		Channels: []agent.MissedChannel{{Channel: "meter.power", Device: "meter", From: noon - 700_000, To: noon, ForS: 700, Spells: 1, Reason: "device exception", Mend: "Look at the map.", Open: true}},
		Clock:    agent.MissedClock{Zone: "America/Chicago", Set: true, Kept: &kept, MaxErrorMS: &off, Steps: 1, LargestStepS: 3600},
		Disk:     agent.MissedDisk{DirectoryBytes: 4096, FreeBytes: &free, BytesPerDay: &perDay, DaysLeft: &left, KeepRawDays: &days, RecordFrom: noon - 1e9, Backups: true},
		Evidence: agent.MissedEvidence{Head: &head}, Awake: &agent.AwakeState{Sleep: "held", How: "a request"}, Slept: agent.MissedSleep{Times: 1, ForS: 60},
		Receivers: receivers(), Events: []agent.Event{agentEvent()}, ToDo: []agent.MissedToDo{{About: "sleep", What: "It slept.", Mend: "Switch sleep off."}}}, b.ask("missed", fromMS, toMS)
}

// receivers are one that takes all and one that is held.
func receivers() []agent.RemoteWrite {
	return []agent.RemoteWrite{
		{Name: "owner", To: "https://metrics.example", Site: "mill", EveryS: 15, State: "sending", BehindScans: 3, BehindS: 2.5, Newest: noon - 1000, Delivered: noon, Samples: 9,
			Refused: map[string]int64{}, LeftOut: map[string]int64{}, Requests: 2, Bytes: 512},
		{Name: "board", To: "http://127.0.0.1:9090", Site: "mill", EveryS: 0.1, State: "held", Since: noon - 5000, Why: "401", Mend: "Put it right.", Refused: map[string]int64{"too_old": 1},
			SetAside: 1, Aside: "refused.jsonl", LeftOut: map[string]int64{"clock set back": 2}, MissedScans: 4, CursorFault: "the disk is full", Note: "damaged"},
	}
}

func (b *shop) RemoteWrites() (agent.RemoteWrites, error) {
	return agent.RemoteWrites{Receivers: receivers()}, nil
}

func agentEvent() agent.Event {
	return agent.Event{Seq: 3, Time: noon, Kind: "computer_slept", Text: "the computer slept for 1m0s", Data: map[string]string{"slept_ms": "60000"}}
}

// The window is seven days up to now where none is asked for, and a local date
// includes its day.
func TestMissedWindow(t *testing.T) {
	b := newShop()
	s := newTestServer(t, b, Options{})
	for query, want := range map[string]string{
		"":                               "missed " + agent.Stamp(noon-7*24*3600_000).String() + " " + agent.Stamp(noon).String(),
		"?from=2026-03-02&to=2026-03-03": "missed 2026-03-02T06:00:00.000Z 2026-03-04T06:00:00.000Z",
	} {
		if w := get(s, "/api/v1/missed"+query); w.Code != http.StatusOK {
			t.Errorf("%q: answer %d: %s", query, w.Code, w.Body)
		}
		if got := b.lastAsked(); got != want {
			t.Errorf("%q: asked %q, want %q", query, got, want)
		}
	}
}
