package report

import (
	"loadscribe/agent/analysis"
	"loadscribe/agent/replay"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// Data is what a report is made of, as package agent gathers it. What has a JSON name
// is part of report.json.
type Data struct {
	Site                *sitefile.Site `json:"-"`
	FromMS, ToMS, NowMS int64          `json:"-"` // Unix ms UTC; Now is when it is made
	// Figures is what summary --json prints for the window.
	Figures analysis.Report `json:"figures"`
	// Demand is each system's by the quarter hour.
	Demand []analysis.Demand `json:"demand"`
	// Hours are each subject's hours (analysis.HoursOf), machines first; the key is
	// "machine comp1" or "system main".
	Hours map[string]analysis.Hours `json:"-"`
	// Runs, Intervals and Unloads are each machine's, by its name.
	Runs      map[string][]analysis.Run      `json:"-"`
	Intervals map[string][]analysis.Interval `json:"-"`
	Unloads   map[string]analysis.Unloads    `json:"-"`
	// Series are cells of minutes of the channels that charts draw, by the channel's
	// id: power or current, discharge pressure and flow of machines, taps of systems.
	Series  map[string]store.Series   `json:"-"`
	Service []analysis.MachineService `json:"service"`
	Faults  []Fault                   `json:"faults"`
	Events  []store.Event             `json:"-"` // of the window, oldest first
	Tests   []analysis.TestResult     `json:"-"` // guided tests that count, oldest first
	// Replays is each system's replay of the alternatives; of a system that cannot be
	// replayed Absent says why.
	Replays []replay.Answer      `json:"replays"`
	Compare *analysis.Comparison `json:"compare,omitempty"`
	// CompareAbsent says why there is no comparison though one was asked for.
	CompareAbsent string `json:"compare_absent,omitempty"`
	// Gaps are the stretches in which a device was not read, longest first.
	Gaps []Gap `json:"gaps"`
}

// Made is who made the report of what, and when. Times are RFC 3339, UTC.
type Made struct {
	Version string `json:"version"`
	At      string `json:"at"`
	From    string `json:"from"` // the window
	To      string `json:"to"`
	Site    string `json:"site"`      // its name
	Hash    string `json:"site_hash"` // hex SHA-256 over the site file and its maps
	// Files are the site file and its maps with their own hashes.
	Files []FileHash `json:"files"`
	// Checkpoint is the signed text; empty where there is none, and Why says why.
	Checkpoint string `json:"checkpoint"`
	Why        string `json:"why,omitempty"`
	Log        string `json:"log,omitempty"`
	Size       int64  `json:"size,omitempty"`
	Root       string `json:"root,omitempty"`
	Key        string `json:"key,omitempty"`       // fingerprint
	CoversTo   string `json:"covers_to,omitempty"` // last reading under the checkpoint
	Uncovered  string `json:"uncovered,omitempty"` // a sentence, where part of the window is not under it
	Command    string `json:"command,omitempty"`   // that makes the report again
}

// FileHash is a file's name in the site and its SHA-256, hex.
type FileHash struct {
	Name string `json:"name"`
	Hash string `json:"sha256"`
}

// Fault is one fault code over the window.
type Fault struct {
	Subject string  `json:"subject"`
	Code    string  `json:"code"`
	Text    string  `json:"text"`
	Times   int64   `json:"times"`
	First   string  `json:"first,omitempty"` // RFC 3339 UTC
	Last    string  `json:"last,omitempty"`
	OnS     float64 `json:"on_s"`
}

// Gap is a stretch in which a device was not read.
type Gap struct {
	Device string  `json:"device"`
	From   string  `json:"from"` // RFC 3339 UTC
	To     string  `json:"to"`
	Reason string  `json:"reason"` // in words
	ForS   float64 `json:"for_s"`
}
