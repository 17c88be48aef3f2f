package poll

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// verifyAgain is how long a device with another map's values is left before it
// is looked at again.
const verifyAgain = time.Minute

// verifier checks that a device is what its map says: once when it is first
// reached, and again after each reconnection and each silence. It is for one
// goroutine; a nil verifier expects nothing.
type verifier struct {
	device   *sitefile.Device
	expected []sitefile.Expected
	poller   *GroupPoller
	found    bool      // all is as expected
	detail   string    // what was found instead; empty: not known to differ
	again    time.Time // when to look again where it differs
	silent   int       // tries in a row in which a part was not answered
}

// newVerifier returns nil where d's map expects nothing.
func newVerifier(d *sitefile.Device, log *slog.Logger) (*verifier, error) {
	if d.Map == nil || len(d.Map.Verify) == 0 {
		return nil, nil
	}
	// The values are read as a group of their own: same planning, decoding and
	// error paths as any other reading, hole by hole.
	asked := *d
	asked.Map = &sitefile.RegisterMap{Path: d.Map.Path, Protocol: d.Map.Protocol}
	for i := range d.Map.Verify {
		c := d.Map.Verify[i].Channel
		c.Name, c.Every = fmt.Sprintf("verify_%d", i+1), time.Second
		asked.Map.Channels = append(asked.Map.Channels, c)
	}
	group := sitefile.Groups(&sitefile.Site{Devices: []sitefile.Device{asked}})[0]
	poller, err := NewGroupPoller(&asked, group, log)
	if err != nil {
		return nil, err
	}
	return &verifier{device: d, expected: d.Map.Verify, poller: poller}, nil
}

// forget makes the next reading begin with a check.
func (v *verifier) forget() {
	if v != nil {
		v.found, v.detail, v.silent = false, "", 0
	}
}

// differs reports whether the device is known to have another map's values and
// is not to be asked yet.
func (v *verifier) differs(now time.Time) bool {
	return v != nil && v.detail != "" && now.Before(v.again)
}

// check reads the expected values unless they are known to be there. It
// returns Good, StartMismatch with a detail that says what mends it, or why
// the question was not answered.
func (v *verifier) check(ctx context.Context, r Reader, clock scan.Clock) (reason scan.Reason, detail string) {
	if v == nil || v.found {
		return scan.Good, ""
	}
	s := v.poller.Poll(ctx, r, clock)
	if s.Reason != scan.Good && s.Reason != scan.Exception {
		return s.Reason, ""
	}
	unanswered, first := scan.Good, 0
	for i := range v.expected {
		x := &v.expected[i]
		switch why := s.ReasonOf(i); {
		case why == scan.Exception:
			return v.mismatch(x, "the device refuses it")
		case why == scan.Implausible:
			return v.mismatch(x, fmt.Sprintf("holds 0x%04X, which is no %s", s.Values[i], x.Channel.Type))
		case why != scan.Good:
			unanswered, first = why, i
		case s.Values[i] != x.Equals:
			return v.mismatch(x, fmt.Sprintf("is %d", s.Values[i]))
		}
	}
	if unanswered == scan.Good {
		v.found, v.detail, v.silent = true, "", 0
		return scan.Good, ""
	}
	if v.silent++; v.silent < silentRounds {
		return unanswered, ""
	}
	return v.mismatch(&v.expected[first], "the device answers other questions, but not this one")
}

// mismatch notes what was found in the place of x.
func (v *verifier) mismatch(x *sitefile.Expected, found string) (scan.Reason, string) {
	v.again = time.Now().Add(verifyAgain)
	v.detail = fmt.Sprintf("unit %d is not what %s describes: %s should be %d, but %s: name the right map or unit id for device %q, or correct \"verify\" in the map",
		v.device.UnitID, x.MapPath, x.Place(), x.Equals, found, v.device.Name)
	return scan.StartMismatch, v.detail
}
