package agent

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
	"loadscribe/agent/transfer"
)

// stampLayout is RFC 3339 in UTC with milliseconds, as in every answer of the
// API and every export.
const stampLayout = "2006-01-02T15:04:05.000Z"

// Stamp is a moment in Unix milliseconds, UTC. In JSON it is RFC 3339 with
// milliseconds; zero means "not known" and is null.
type Stamp int64

// StampOf returns t as a Stamp; the zero time gives zero.
func StampOf(t time.Time) Stamp {
	if t.IsZero() {
		return 0
	}
	return Stamp(t.UnixMilli())
}

// String returns the JSON text without quotes, or an empty string for zero.
func (s Stamp) String() string {
	if s == 0 {
		return ""
	}
	return time.UnixMilli(int64(s)).UTC().Format(stampLayout)
}

// MarshalJSON implements json.Marshaler.
func (s Stamp) MarshalJSON() ([]byte, error) {
	if s == 0 {
		return []byte("null"), nil
	}
	return []byte(`"` + s.String() + `"`), nil
}

// UnmarshalJSON implements json.Unmarshaler.
func (s *Stamp) UnmarshalJSON(b []byte) error {
	var text *string
	if err := json.Unmarshal(b, &text); err != nil {
		return fmt.Errorf("time: %w", err)
	}
	if text == nil {
		*s = 0
		return nil
	}
	t, err := time.Parse(time.RFC3339Nano, *text)
	if err != nil {
		return fmt.Errorf("time: %w", err)
	}
	*s = StampOf(t)
	return nil
}

// State is what is known now: the answer of /api/v1/state and the snapshot of
// /api/v1/live.
type State struct {
	// Seq is the live envelope's sequence number the snapshot belongs to; the
	// dashboard fills it in.
	Seq uint64 `json:"seq"`
	// DurableSeq is the last scan safe on disk, LastSeq the last one taken.
	DurableSeq uint64                  `json:"durable_seq"`
	LastSeq    uint64                  `json:"last_seq"`
	Time       Stamp                   `json:"time"`
	Started    Stamp                   `json:"started"` // null for a stopped store
	Version    string                  `json:"version"`
	Machines   []MachineState          `json:"machines"`
	Channels   map[string]ChannelState `json:"channels"` // by channel id
	Devices    []DeviceState           `json:"devices"`
	Lines      []LineState             `json:"lines"`
	Store      StoreState              `json:"store"`
	Awake      AwakeState              `json:"awake"`
}

// MachineState is what one machine does.
type MachineState struct {
	Machine string `json:"machine"`
	// State is off, standby, stopped, starting, unloaded, loaded, part-load,
	// tripped or unobserved.
	State string `json:"state"`
	Since Stamp  `json:"since"`
	// SinceKnown is false when the state began inside a gap, or before the
	// first scan.
	SinceKnown     bool   `json:"since_known"`
	Reason         string `json:"reason"` // why unobserved, else empty
	Method         string `json:"method"` // how the state is known
	StartsLastHour int64  `json:"starts_last_hour"`
	PressureTrend  string `json:"pressure_trend"` // rising, falling, steady or unknown
}

// ChannelState is a channel's last reading, in the map's unit.
type ChannelState struct {
	Value  *float64 `json:"value"`
	Time   Stamp    `json:"time"`
	Reason string   `json:"reason"` // "good", or why there is no value
	// Stale is true when the last scan is older than three periods.
	Stale bool `json:"stale"`
}

// DeviceState is how a device answers.
type DeviceState struct {
	Device      string  `json:"device"`
	Line        string  `json:"line"`
	Up          bool    `json:"up"`
	LastScan    Stamp   `json:"last_scan"` // last good scan
	Reason      string  `json:"reason"`    // why down, else empty
	Detail      string  `json:"detail"`    // what is wrong and what mends it; empty while all is well
	RoundTripMS float64 `json:"round_trip_ms"`
	// TurnaroundMS is the round trip less what the characters take on a serial
	// line; zero: not known.
	TurnaroundMS float64 `json:"turnaround_ms,omitempty"`
	// RefreshMS is about how often the registers of a group change that is
	// polled faster than that; Hint says so in words. Left out where there is
	// none.
	RefreshMS int64            `json:"refresh_ms,omitempty"`
	Hint      string           `json:"hint,omitempty"`
	Scans     int64            `json:"scans"`
	Errors    map[string]int64 `json:"errors"` // by reason
}

// LineState is how a line is.
type LineState struct {
	Line   string `json:"line"`
	Up     bool   `json:"up"`
	Detail string `json:"detail"`
}

// StoreState is how the store is.
type StoreState struct {
	OK     bool   `json:"ok"`
	Detail string `json:"detail"` // what is wrong, a phrase; empty while all is well
	Mend   string `json:"mend"`   // what to do about it, sentences
	// WaitingScans are read and not yet safe on disk: the last second's while
	// all is well.
	WaitingScans   int64 `json:"waiting_scans"`
	DirectoryBytes int64 `json:"directory_bytes"`
	// DroppedScans were read and could not be kept, since the store began.
	DroppedScans int64 `json:"dropped_scans"`
	// ClockSet is false while the computer's clock says a time that cannot be,
	// so that what is stored has wrong times.
	ClockSet bool `json:"clock_set"`
	// RecordTo is the time of the newest reading where the clock is behind it;
	// left out while it is not.
	RecordTo Stamp `json:"record_to,omitzero"`
	// RecordFrom is the time of the oldest reading that is kept, if only in
	// summaries; left out where there is none.
	RecordFrom Stamp `json:"record_from,omitzero"`
	// RawFrom is the time from which raw readings are kept; left out where none
	// was dropped.
	RawFrom Stamp `json:"raw_from,omitzero"`
}

// AwakeState is whether the computer that records may fall asleep, which it then does
// not do.
type AwakeState struct {
	// Sleep is "never", "held" (not by itself while the agent runs), "may" or
	// "unknown".
	Sleep string `json:"sleep"`
	How   string `json:"how"`  // by what that is known, a phrase; empty: it is not
	Why   string `json:"why"`  // sentences
	Mend  string `json:"mend"` // what to do about it, sentences; empty: nothing
}

// StateRun is a stretch of time in one state.
type StateRun struct {
	State  string `json:"state"`
	From   Stamp  `json:"from"`
	To     Stamp  `json:"to"`
	Reason string `json:"reason"` // why unobserved, else empty
}

// Event is a stored event as the API shows it.
type Event struct {
	Seq     uint64            `json:"seq"`
	Time    Stamp             `json:"time"`
	Kind    string            `json:"kind"`
	Subject string            `json:"subject"`
	Text    string            `json:"text"`
	Data    map[string]string `json:"data"`
	// NotSafe is set in the answer to a new note alone: it is kept, but the disk
	// has not taken it yet.
	NotSafe bool `json:"not_safe,omitempty"`
}

// EventOf returns a stored event as the API shows it.
func EventOf(e store.Event) Event {
	data := e.Data
	if data == nil {
		data = map[string]string{}
	}
	return Event{Seq: e.Seq, Time: Stamp(e.WallMS), Kind: e.Kind, Subject: e.Subject, Text: e.Text, Data: data}
}

// ScanUpdate is one scan as /api/v1/live shows it. Values are in the map's
// unit, null where there is no good one.
type ScanUpdate struct {
	Time   Stamp               `json:"time"`
	Device string              `json:"device"`
	Group  string              `json:"group"`
	Reason string              `json:"reason"`
	Values map[string]*float64 `json:"values"` // by channel id
	// Reasons say why a scan that came has no good value of some channels, by id; what
	// State says of each. Left out where all are good, or none for Reason.
	Reasons map[string]string `json:"reasons,omitempty"`
}

// ScanUpdateOf returns s as the live socket shows it. It shares nothing with s.
func ScanUpdateOf(s *scan.Scan) ScanUpdate {
	u := ScanUpdate{
		Time: Stamp(s.WallMS), Device: s.Group.Device, Group: s.Group.Name,
		Reason: s.Reason.String(), Values: make(map[string]*float64, len(s.Group.Channels)),
	}
	for i := range s.Group.Channels {
		c := &s.Group.Channels[i]
		u.Values[c.ID()] = ReadingOf(s, i)
		if why := s.ReasonOf(i); why != scan.Good && s.Reason == scan.Good {
			if u.Reasons == nil {
				u.Reasons = map[string]string{}
			}
			u.Reasons[c.ID()] = why.String()
		}
	}
	return u
}

// ReadingOf returns the value of channel i of s in the map's unit, or nil
// where it is not good or not a finite number.
func ReadingOf(s *scan.Scan, i int) *float64 {
	raw, ok := s.Get(i)
	if !ok {
		return nil
	}
	v := transfer.Value(&s.Group.Channels[i], raw)
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}
