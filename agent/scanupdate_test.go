package agent

import (
	"testing"

	"loadscribe/agent/scan"
)

// A scan on the live socket says why a channel has no value, in the words that the
// state has for the same scan; one that is whole says nothing.
func TestScanUpdateReasons(t *testing.T) {
	group := &scan.Group{Device: "c", Name: "1s", PeriodMS: 1000}
	for _, name := range []string{"a", "b", "d", "e"} {
		group.Channels = append(group.Channels, scan.Channel{Device: "c", Name: name, Kind: scan.KindInt, Scale: 1, Unit: "1"})
	}
	for _, tt := range []struct {
		name    string
		reason  scan.Reason
		quality []scan.Reason
	}{
		{"all good", scan.Good, nil},
		{"some bad", scan.Good, []scan.Reason{scan.Good, scan.Exception, scan.Implausible, scan.SensorFault}},
		{"none came", scan.Timeout, nil},
	} {
		s := scan.Scan{Group: group, Reason: tt.reason, Quality: tt.quality, Values: make([]int64, len(group.Channels))}
		u := ScanUpdateOf(&s)
		if tt.quality == nil && u.Reasons != nil {
			t.Errorf("%s: reasons %v, want none", tt.name, u.Reasons)
		}
		for i := range tt.quality {
			id := group.Channels[i].ID()
			got, given := u.Reasons[id]
			if want := channelState(group, &s, i, 0); given != (want.Reason != "good") || given && got != want.Reason || (u.Values[id] == nil) != given {
				t.Errorf("%s: %s is %v, %q; the state says %q", tt.name, id, u.Values[id], got, want.Reason)
			}
		}
	}
}
