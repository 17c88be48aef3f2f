package agent

import (
	"testing"

	"loadscribe/agent/poll"
	"loadscribe/agent/scan"
)

func TestDeviceTextNamesWhatHappened(t *testing.T) {
	for _, c := range []struct {
		up     bool
		reason scan.Reason
		want   string
	}{
		{true, scan.Good, "device d answers"},
		{false, scan.Timeout, "device d is silent: mend it"},
		{false, scan.StartMismatch, "device d has another map: mend it"},
		{false, scan.Exception, "device d gives no values: mend it"},
		{false, scan.BadChecksum, "device d gives no values: mend it"},
		{false, scan.LineBusy, "device d gives no values: mend it"},
	} {
		if got := deviceText(poll.DeviceStatus{Device: "d", Up: c.up, LastReason: c.reason, Detail: "mend it"}); got != c.want {
			t.Errorf("%v: got %q, want %q", c.reason, got, c.want)
		}
	}
}
