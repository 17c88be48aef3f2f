package agent

import (
	"cmp"
	"fmt"
	"time"

	"loadscribe/agent/poll"
	"loadscribe/agent/sitefile"
)

// Lines is how the lines go: what is set, what was asked, and what came of it
// since the agent started.
type Lines struct {
	Time    Stamp        `json:"time"`
	Started Stamp        `json:"started"` // when counting began
	Lines   []LineHealth `json:"lines"`   // those that are opened, in the site's order
}

// LineHealth is one line.
type LineHealth struct {
	Line string `json:"line"`
	Kind string `json:"kind"`
	// Where is the port or the address, Serial the port's settings.
	Where        string  `json:"where"`
	Serial       string  `json:"serial,omitempty"`
	TimeoutMS    float64 `json:"timeout_ms"`
	TurnaroundMS float64 `json:"turnaround_ms"`
	// Echo is the setting, EchoSeen whether requests were last seen to come back.
	Echo     string `json:"echo,omitempty"`
	EchoSeen bool   `json:"echo_seen,omitempty"`
	// Listen is true where the line is only listened to.
	Listen  bool   `json:"listen"`
	Up      bool   `json:"up"`
	Detail  string `json:"detail"`  // what is open, or what is wrong and what mends it
	Changed Stamp  `json:"changed"` // when Up last changed; null: never
	// Reopened counts openings after the first, Missed due times that were passed
	// over because the line was busy.
	Reopened int64 `json:"reopened"`
	Missed   int64 `json:"missed"`
	// BusyShare is the share of the last BusyOverS seconds in which a request was
	// under way; left out where nothing is asked.
	BusyShare *float64 `json:"busy_share,omitempty"`
	BusyOverS float64  `json:"busy_over_s"`
	// PredictedShare is what check predicts, of serial Modbus lines; Advice says
	// what to change where that is too much.
	PredictedShare *float64 `json:"predicted_share,omitempty"`
	Advice         string   `json:"advice,omitempty"`
	// StrayBytes came unasked and were dropped; left out where nobody counts them.
	StrayBytes *int64 `json:"stray_bytes,omitempty"`
	// Heard is what was heard of another master, of a line that is listened to.
	Heard   *LineHeard     `json:"heard,omitempty"`
	Devices []DeviceHealth `json:"devices"`
}

// LineHeard is what was heard since the line was last opened.
type LineHeard struct {
	Bytes     int64  `json:"bytes"`
	Requests  int64  `json:"requests"`
	Answers   int64  `json:"answers"`
	Unpaired  int64  `json:"unpaired"` // answers to nothing that was asked
	Skipped   int64  `json:"skipped"`  // bytes that are part of no frame
	LastAsked string `json:"last_asked"`
}

// DeviceHealth is one device of a line.
type DeviceHealth struct {
	Device   string `json:"device"`
	UnitID   int    `json:"unit_id"` // 0 on a text line
	Up       bool   `json:"up"`
	Reason   string `json:"reason"` // why down, else empty
	Detail   string `json:"detail"` // what is wrong and what mends it; empty while all is well
	Hint     string `json:"hint"`   // what of the polling is not worth its time; else empty
	LastScan Stamp  `json:"last_scan"`
	Scans    int64  `json:"scans"`
	// Errors counts scans without values, and those in which a channel had none,
	// by reason.
	Errors map[string]int64 `json:"errors"`
	// Requests is the sum of Answers and Failures; Retries are among them.
	Requests int64            `json:"requests"`
	Answers  int64            `json:"answers"`
	Failures map[string]int64 `json:"failures"` // by reason
	Retries  int64            `json:"retries"`
	// Damaged counts damaged answers, of lines that are listened to as well.
	Damaged int64 `json:"damaged"`
	// Late answers came after their request was given up; left out where nobody
	// can tell.
	Late    *int64   `json:"late,omitempty"`
	Replies *Replies `json:"replies,omitempty"` // left out where nothing was answered
}

// Replies are the times that answers took, in ms: from the end of the request to
// the end of its answer on Modbus, the whole exchange of the last 128 on a text
// line.
type Replies struct {
	Count    int64   `json:"count"`
	MinMS    float64 `json:"min_ms"`
	MedianMS float64 `json:"median_ms"`
	P95MS    float64 `json:"p95_ms"`
	MaxMS    float64 `json:"max_ms"`
	// SuggestedTimeoutMS is three times the longest, rounded up, at least 500 ms.
	SuggestedTimeoutMS float64 `json:"suggested_timeout_ms"`
}

// Lines tells how the lines go.
func (a *Agent) Lines() (Lines, error) {
	_, wall := a.clock.Now()
	all := Lines{Time: Stamp(wall), Started: StampOf(a.started), Lines: []LineHealth{}}
	loads, err := poll.Predict(a.site)
	if err != nil {
		return all, fmt.Errorf("predict: %w", err)
	}
	status, health := a.poller.Status(), a.poller.Health()
	devices := map[string]poll.DeviceStatus{}
	for _, d := range status.Devices {
		devices[d.Device] = d
	}
	for i := range health {
		l, ok := a.site.LineByName(health[i].Line)
		if !ok {
			continue // the poller's lines are the site's
		}
		one := lineHealth(l, &status.Lines[i], &health[i])
		for _, load := range loads {
			if load.Line == l.Name {
				one.PredictedShare, one.Advice = &load.Share, load.Advice
			}
		}
		for _, h := range health[i].Devices {
			one.Devices = append(one.Devices, a.deviceHealth(&h, devices[h.Device], health[i].Wire != nil))
		}
		all.Lines = append(all.Lines, one)
	}
	return all, nil
}

func lineHealth(l *sitefile.Line, s *poll.LineStatus, h *poll.LineHealth) LineHealth {
	one := LineHealth{
		Line: l.Name, Kind: string(l.Kind), Where: cmp.Or(l.Port, l.Address), TimeoutMS: millis(l.Timeout), TurnaroundMS: millis(l.Turnaround),
		Listen: l.Listen, Up: s.Up, Detail: s.Detail, Changed: Stamp(s.ChangedMS), Reopened: int64(h.Reopened), Missed: int64(h.Missed),
		BusyOverS: h.BusyOver.Seconds(), Devices: []DeviceHealth{},
	}
	if l.Port != "" {
		one.Serial = l.Serial.String()
	}
	if l.Kind != sitefile.ModbusTCP && !l.Listen {
		one.Echo = string(cmp.Or(l.Echo, sitefile.EchoAuto))
	}
	if h.BusyOver > 0 {
		share := h.Busy.Seconds() / h.BusyOver.Seconds()
		one.BusyShare = &share
	}
	if h.Wire != nil {
		stray := int64(h.Wire.Discarded + h.Wire.Overflow)
		one.StrayBytes, one.EchoSeen = &stray, h.Wire.Echo
	}
	if heard := h.Heard; heard != nil {
		one.Heard = &LineHeard{int64(heard.Bytes), int64(heard.Requests), int64(heard.Answers), int64(heard.Unpaired), int64(heard.Skipped), heard.LastAsked}
	}
	return one
}

// deviceHealth joins what was asked of a device and how it goes. late: the line
// tells of late answers.
func (a *Agent) deviceHealth(h *poll.DeviceHealth, s poll.DeviceStatus, late bool) DeviceHealth {
	state := deviceState(s)
	one := DeviceHealth{
		Device: h.Device, Up: state.Up, Reason: state.Reason, Detail: state.Detail, Hint: state.Hint, LastScan: state.LastScan,
		Scans: state.Scans, Errors: state.Errors, Requests: int64(h.Requests), Answers: int64(h.Answers),
		Failures: map[string]int64{}, Retries: int64(h.Retries), Damaged: int64(s.Damaged),
	}
	if d, ok := a.site.DeviceByName(h.Device); ok {
		one.UnitID = int(d.UnitID)
	}
	for reason, n := range h.Failures {
		one.Failures[reason.String()] = int64(n)
	}
	if late {
		n := int64(h.Late)
		one.Late = &n
	}
	if r := h.Replies; r.Count > 0 {
		one.Replies = &Replies{int64(r.Count), millis(r.Min), millis(r.Median), millis(r.P95), millis(r.Max), millis(r.SuggestedTimeout())}
	}
	return one
}

func millis(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }
