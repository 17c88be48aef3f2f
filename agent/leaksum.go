package agent

import (
	"fmt"
	"math"
	"time"

	"loadscribe/agent/analysis"
)

// Leaks are a system's tagged leaks, and what they add up to beside what is
// measured. Flows are free air at the inlet, uncertainties of 95 %.
type Leaks struct {
	System string    `json:"system"`
	From   string    `json:"from"` // of the measured figure
	To     string    `json:"to"`
	Tags   []LeakTag `json:"tags"`
	// Pressure is the gauge pressure at which holes are reckoned: the mean of the
	// quiet hours, to which the measured leak refers; null: not known, and then no
	// flow is given.
	Pressure *float64 `json:"pressure_pa"`
	Open     LeakSum  `json:"open"`
	Mended   LeakSum  `json:"mended"`
	Measured *LeakSum `json:"measured,omitempty"`
	// Untagged is measured less open; below nothing the tags make more.
	Untagged *LeakSum `json:"untagged,omitempty"`
	// since are those of Mended that were mended after From: what is measured holds
	// some of theirs.
	since LeakSum
	// costEach is what a m³/s of leak costs in a year; nil: not known.
	costEach *float64
	// Cost is a year's of the open tags, at the price of the measured leak.
	Cost     *float64 `json:"open_cost"`
	Currency string   `json:"currency"`
	Sentence string   `json:"sentence"`
	Method   string   `json:"method"`
	Absent   string   `json:"absent,omitempty"` // why nothing is measured
}

// LeakSum is the sum of some tags; Unsized of them have no flow.
type LeakSum struct {
	Count   int     `json:"count"`
	Unsized int     `json:"unsized"`
	FlowM3S float64 `json:"flow_m3s"`
	U       float64 `json:"uncertainty_m3s"`
}

// Leaks lists a system's leak tags and holds them to the leak of a window.
func (h *History) Leaks(system string, fromMS, toMS int64) (Leaks, error) {
	return h.leaks(system, fromMS, toMS, h.Now())
}

// Leaks lists a system's leak tags and holds them to the leak of a window.
func (a *Agent) Leaks(system string, fromMS, toMS int64) (Leaks, error) {
	return a.leaks(system, fromMS, toMS, a.end())
}

func (h *History) leaks(system string, fromMS, toMS int64, now time.Time) (Leaks, error) {
	n, err := h.nights(system, fromMS, toMS, now)
	if err != nil {
		return Leaks{}, err
	}
	all, err := h.leakTags()
	if err != nil {
		return Leaks{}, err
	}
	begin, err := time.Parse(time.RFC3339, n.From)
	if err != nil {
		return Leaks{}, fmt.Errorf("begin of the quiet hours: %w", err)
	}
	l := Leaks{System: system, From: n.From, To: n.To, Tags: []LeakTag{}, Currency: h.site.Tariff.Currency,
		Method: fmt.Sprintf("each hole as a round one at the mean pressure of the quiet hours, the air in it at the speed of sound, with its coefficient (%g where none was given: a sharp edge); a size guessed by eye is taken within %.0f %% (assumed), tags as independent of each other", sharpEdge, 100*tagGuess)}
	l.measured(n.Figures)
	for i := range all {
		if all[i].System == system {
			l.add(h, all[i], begin.UnixMilli())
		}
	}
	l.compare()
	l.Sentence = l.say(h)
	return l, nil
}

// measured takes what the quiet hours tell.
func (l *Leaks) measured(figures []analysis.Figure) {
	by := map[string]*analysis.Figure{}
	for i := range figures {
		by[figures[i].Name] = &figures[i]
	}
	if f := by["quiet_pressure"]; f != nil && f.Value != nil {
		pa := *f.Value * 1000
		l.Pressure = &pa
	}
	f := by["leak_flow"]
	if f == nil || f.Value == nil {
		l.Absent = "the leak is not known"
		if f != nil && f.Absent != "" {
			l.Absent = f.Absent
		}
		return
	}
	l.Measured = &LeakSum{FlowM3S: *f.Value / 60}
	if f.Uncertainty != nil {
		l.Measured.U = *f.Uncertainty / 60
	}
	if cost := by["leak_cost"]; cost != nil && cost.Value != nil && *f.Value > 0 {
		each := *cost.Value / l.Measured.FlowM3S
		l.costEach = &each
	}
}

func (l *Leaks) add(h *History, t LeakTag, fromMS int64) {
	if t.HoleM != nil && l.Pressure != nil {
		if flow, ok := holeFlowM3S(h.site, *t.HoleM, t.Coefficient, *l.Pressure); ok {
			t.FlowM3S = &flow
		}
	}
	l.Tags = append(l.Tags, t)
	switch {
	case t.State == "open":
		l.Open.count(t.FlowM3S)
	case t.State == "mended":
		l.Mended.count(t.FlowM3S)
		if int64(t.Mended) > fromMS {
			l.since.count(t.FlowM3S)
		}
	}
}

// count adds a tag's flow; nil: it has none.
func (s *LeakSum) count(flowM3S *float64) {
	s.Count++
	if flowM3S == nil {
		s.Unsized++
		return
	}
	s.FlowM3S += *flowM3S
	s.U = math.Hypot(s.U, coveringTags*guessU(*flowM3S))
}

// compare sets what is measured and has no tag.
func (l *Leaks) compare() {
	if l.costEach != nil {
		cost := *l.costEach * l.Open.FlowM3S
		l.Cost = &cost
	}
	if l.Measured != nil {
		l.Untagged = &LeakSum{FlowM3S: l.Measured.FlowM3S - l.Open.FlowM3S, U: math.Hypot(l.Measured.U, l.Open.U)}
	}
}

func tags(n int) string {
	if n == 1 {
		return "1 tag"
	}
	return fmt.Sprintf("%d tags", n)
}

// say tells what the open tags make of what is measured.
func (l *Leaks) say(h *History) string {
	flow := func(s LeakSum) string {
		unit, factor, _ := h.site.Units.Display("m³/min")
		value, half := analysis.Rounded(s.FlowM3S*60*factor, s.U*60*factor)
		return value + " ± " + half + " " + unit
	}
	open := l.Open.Count - l.Open.Unsized
	unsized := ""
	if l.Open.Unsized > 0 {
		unsized = fmt.Sprintf(" Without a size: %s.", tags(l.Open.Unsized))
	}
	since := ""
	if l.Measured != nil && l.since.Count > 0 {
		since = fmt.Sprintf(" Mended since these days began: %s", tags(l.since.Count))
		if l.since.FlowM3S > 0 {
			since += fmt.Sprintf(", %s; as long as they leaked, that is in what is measured", flow(l.since))
		}
		since += "."
	}
	return l.sayOpen(flow, open, unsized) + since
}

// sayOpen tells of the open tags, of which so many have a size.
func (l *Leaks) sayOpen(flow func(s LeakSum) string, open int, unsized string) string {
	switch {
	case l.Open.Count == 0 && l.Measured == nil:
		return "No open leak is tagged, and what leaks is not measured: " + l.Absent + "."
	case l.Open.Count == 0:
		return fmt.Sprintf("No open leak is tagged; %s are measured.", flow(*l.Measured))
	case l.Measured == nil:
		return fmt.Sprintf("%s open; what leaks in all is not measured: %s.", tags(l.Open.Count), l.Absent)
	case open == 0:
		return fmt.Sprintf("%s open, none with a size; %s are measured.", tags(l.Open.Count), flow(*l.Measured))
	}
	made := fmt.Sprintf("%s %s %s of %s measured", tags(open), map[bool]string{true: "makes", false: "make"}[open == 1], flow(l.Open), flow(*l.Measured))
	left := l.Untagged
	switch {
	case math.Abs(left.FlowM3S) <= left.U:
		return made + ": as much, within what both are known to." + unsized
	case left.FlowM3S < 0:
		return made + ": more than leaks. Holes are guessed too large, or some are mended and not marked." + unsized
	}
	return fmt.Sprintf("%s: some %s have no tag yet.%s", made, flow(*left), unsized)
}
