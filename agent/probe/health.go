package probe

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
)

// Health is how a line behaved under a row of equal questions to one device.
type Health struct {
	Asked        int `json:"asked"`
	Answers      int `json:"answers"`
	Exceptions   int `json:"exceptions"`
	Silences     int `json:"silences"`
	BadChecksums int `json:"bad_checksums"`
	WrongAnswers int `json:"wrong_answers"`
	LinesLost    int `json:"lines_lost"`
	// Late answers came after their question was given up.
	Late  uint64 `json:"late"`
	Stray uint64 `json:"stray_bytes"` // bytes that came unasked
	Echo  bool   `json:"echo"`        // requests come back on the line
	// Round trips of answers, exceptions included, from the first byte sent to
	// the last one received, in milliseconds.
	MinMS float64 `json:"min_ms,omitempty"`
	P50MS float64 `json:"p50_ms,omitempty"`
	P95MS float64 `json:"p95_ms,omitempty"`
	P99MS float64 `json:"p99_ms,omitempty"`
	MaxMS float64 `json:"max_ms,omitempty"`
	// TimeoutMS is the timeout to set; absent where nothing answered.
	TimeoutMS float64 `json:"suggested_timeout_ms,omitempty"`
	Healthy   bool    `json:"healthy"`
	// Verdict says in words what the pattern points at and what to look at.
	Verdict []string `json:"verdict"`
}

// Measure asks a device for the same thing n times and judges the line. see
// may be nil. The error is the context's or that of opening the line anew.
func Measure(ctx context.Context, session *Session, unit byte, req frame.ReadRequest, n int, timeout time.Duration, see func(done int)) (Health, error) {
	var h Health
	var trips []time.Duration
	lateBefore := session.unitStats(unit)
	strayBefore, _ := session.strays()
	gap := time.NewTimer(0)
	defer gap.Stop()
	for i := range n {
		// The line's silence is kept here, so that it is not in the figure.
		select {
		case <-gap.C:
		case <-ctx.Done():
			return h, ctx.Err()
		}
		begun := time.Now()
		_, err := session.Read(ctx, unit, req, timeout)
		trip := time.Since(begun)
		gap.Reset(2*frame.Gap(session.serial.Baud) + 2*time.Millisecond)
		if ctx.Err() != nil {
			return h, ctx.Err()
		}
		h.Asked++
		if h.count(err) {
			trips = append(trips, trip)
		}
		if errors.Is(err, modbus.ErrPortMissing) || errors.Is(err, modbus.ErrPortBusy) {
			return h, err
		}
		if see != nil {
			see(i + 1)
		}
	}
	h.Late = session.unitStats(unit) - lateBefore
	h.Stray, h.Echo = session.strays()
	h.Stray -= strayBefore
	h.trips(trips)
	h.judge(session.line.Framing)
	return h, nil
}

// count adds one outcome and reports whether it was an answer.
func (h *Health) count(err error) bool {
	switch {
	case err == nil:
		h.Answers++
		return true
	case refused(err):
		h.Exceptions++
		return true
	case errors.Is(err, modbus.ErrTimeout):
		h.Silences++
	case errors.Is(err, modbus.ErrBadChecksum):
		h.BadChecksums++
	case errors.Is(err, modbus.ErrWrongAnswer):
		h.WrongAnswers++
	default:
		h.LinesLost++
	}
	return false
}

func (h *Health) trips(trips []time.Duration) {
	if len(trips) == 0 {
		return
	}
	slices.Sort(trips)
	at := func(share float64) float64 { // nearest rank
		return millis(trips[max(0, int(math.Ceil(share*float64(len(trips))))-1)])
	}
	longest := trips[len(trips)-1]
	h.MinMS, h.P50MS, h.P95MS, h.P99MS, h.MaxMS = millis(trips[0]), at(0.5), at(0.95), at(0.99), millis(longest)
	h.TimeoutMS = millis(modbus.SuggestTimeout(longest))
}

// healthyShare of questions must be answered without damage for a line to be
// called healthy; below a hundred questions that means all of them.
const healthyShare = 0.99

// judge turns the pattern of errors into words. What points at what is common
// practice of RS-485 lines, no source.
func (h *Health) judge(framing modbus.Framing) {
	good := h.Answers + h.Exceptions
	serial := framing != modbus.TCP
	h.Healthy = good > 0 && float64(good) >= healthyShare*float64(h.Asked) && h.WrongAnswers == 0 && h.Late == 0
	say := func(format string, args ...any) { h.Verdict = append(h.Verdict, fmt.Sprintf(format, args...)) }
	switch {
	case h.Healthy:
		say("the line is healthy: %d of %d questions were answered", good, h.Asked)
	case good > 0:
		say("the line is not healthy: %d of %d questions were answered", good, h.Asked)
	default:
		say("nothing was answered")
	}
	switch {
	case good == 0 && h.BadChecksums == 0 && serial:
		say("silence without any damaged byte: the device is off, has another unit id or speed, or its A and B wires are swapped (swapping them back does no harm; names of A and B differ between makers)")
	case good == 0 && h.BadChecksums == 0:
		say("the server takes the connection and does not answer: look at the unit id, and whether it serves only so many connections")
	case good == 0:
		say("everything that comes is damaged: wrong speed or parity, or A and B swapped")
	case h.BadChecksums > 0 && serial:
		say("%d answers came damaged: a terminating resistor (120 Ω) belongs at each of the two ends of the line and nowhere else; "+
			"then look at the shield (grounded at one end), the common wire between the devices, and cables that run beside motor or drive cables", h.BadChecksums)
	}
	if h.Late > 0 {
		say("%d answers came after the timeout: give the line a longer one", h.Late)
	} else if h.Silences > 0 && good > 0 {
		say("%d questions were not answered: a loose contact, a line without bias (its first byte is lost), or a device that pauses; "+
			"a turnaround of 5 to 20 ms on the line helps slow devices", h.Silences)
	}
	if h.WrongAnswers > 0 {
		say("%d answers were somebody else's: a unit id used twice, or another master on the line", h.WrongAnswers)
	}
	if h.Stray > 0 && serial {
		say("%d bytes came unasked: noise on a line without bias, late answers, or another master", h.Stray)
	}
	if h.Exceptions > 0 && h.Answers == 0 {
		say("the device refuses this address, which does no harm here: its round trip counts")
	}
	if h.LinesLost > 0 {
		say("the line was lost %d times: the adapter's plug or cable, or a server that hangs up", h.LinesLost)
	}
	if h.Echo {
		say("requests come back on the line (an adapter with echo): that is taken out; leave echo at \"auto\"")
	}
}

// Cautions are said to whoever works at the wires. Common practice of the trade.
func Cautions() []string {
	return []string{
		"a machine on standby starts without warning: keep clear of belts, couplings and fans",
		"work on the wires of a live cabinet, RS-485 too, is for licensed people under your local codes",
		"never open the secondary of a current transformer while its primary carries current",
		"bleed the sump to zero before anything that holds pressure is opened",
	}
}
