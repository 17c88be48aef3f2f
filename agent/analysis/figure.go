package analysis

import "loadscribe/agent/sitefile"

// Figure is a computed result, or the reason there is none. The JSON is the
// contract of /api/v1/figures.
type Figure struct {
	Name        string   `json:"name"`
	Value       *float64 `json:"value,omitempty"`
	Unit        string   `json:"unit,omitempty"`
	Uncertainty *float64 `json:"uncertainty,omitempty"` // half width of the interval, same unit
	Level       float64  `json:"level,omitempty"`       // 0.95
	Coverage    *float64 `json:"coverage,omitempty"`    // observed share of the window, 0-1
	// AtLeast: the value is a lower bound, for part of the window was not observed
	// or for the reason in AtLeastWhy.
	AtLeast    bool   `json:"at_least,omitempty"`
	AtLeastWhy string `json:"at_least_why,omitempty"`
	// Note is what must be read with the value: what it refers to, which way it goes.
	Note string `json:"note,omitempty"`
	// Denominator says in words what a share or mean is taken over.
	Denominator string `json:"denominator,omitempty"`
	// AtMost is the most it can be where a counter ran on over the gaps.
	AtMost *float64 `json:"at_most,omitempty"`
	// Limit is what the value is held to, where there is such a thing, and
	// LimitBasis says whose it is.
	Limit      *float64 `json:"limit,omitempty"`
	LimitBasis string   `json:"limit_basis,omitempty"`
	// At is when it was so, of a figure that is an extreme: between its ends lies what
	// the value tells of.
	At *Moment `json:"at,omitempty"`
	// Distribution counts what the mean is over by size.
	Distribution []Class  `json:"distribution,omitempty"`
	Method       string   `json:"method,omitempty"`
	Inputs       []string `json:"inputs,omitempty"`
	// Budget is what the uncertainty comes from, largest first; the shares of the
	// variance sum to 1. Figures of one instrument alone have none.
	Budget []BudgetPart `json:"budget,omitempty"`
	// Narrower is the cheapest thing that would make a wide interval at least a
	// quarter narrower; nil where it is not wide or there is no such thing.
	Narrower *Narrower `json:"narrower,omitempty"`
	Absent   string    `json:"absent,omitempty"`
}

// BudgetPart is what one input brings into a figure's variance.
type BudgetPart struct {
	Input string  `json:"input"`
	Share float64 `json:"share"` // 0-1
}

// Narrower is what one more instrument, test or line in the site file would buy.
type Narrower struct {
	Sentence string `json:"sentence"`
	// Uncertainty is what the figure's would then be, by its budget.
	Uncertainty float64 `json:"uncertainty"`
}

// Finding is something that a reader of the figures must know of the data
// themselves: what is missing, stuck, contradictory or impossible.
type Finding struct {
	Kind    string `json:"kind"`    // missing, stuck, contradictory, impossible or instrument
	Subject string `json:"subject"` // channel, device or machine
	// RFC 3339 UTC: when it was first and last seen. A finding may have begun
	// before the window, and may go on.
	From     string   `json:"from"`
	To       string   `json:"to"`
	Sentence string   `json:"sentence"`
	Evidence []string `json:"evidence"`
	// Figures are the names of those that rest on it, of the kind instrument.
	Figures []string `json:"figures,omitempty"`
	// Sign is what was seen, for rules that ask for it, and ForMS how long in all;
	// empty where none asks. No part of the JSON: the sentence says both.
	Sign  Sign  `json:"-"`
	ForMS int64 `json:"-"`
}

// Sign is what a finding has seen.
type Sign string

// The signs.
const (
	SignNotDrawn Sign = "not drawn" // loaded by its signal, and draws no more than unloaded
	SignDrawn    Sign = "drawn"     // unloaded by its signal, and draws as much as loaded
	SignIgnored  Sign = "ignored"   // told to load, and not loaded by its signal
	SignNegative Sign = "negative"  // a power below zero
	SignStill    Sign = "still"     // a counter that does not count
	SignSetting  Sign = "setting"   // the meter is set to other transformers or another bore
)

// Class counts what lies in [From, To), in the figure's unit; the last class has
// no To.
type Class struct {
	From  float64  `json:"from"`
	To    *float64 `json:"to,omitempty"`
	Count int      `json:"count"`
}

// MachineFigures are one machine's figures for a window.
type MachineFigures struct {
	Machine  string    `json:"machine"`
	Figures  []Figure  `json:"figures"`
	Findings []Finding `json:"findings"`
	Tables   []Table   `json:"tables"`
	Remarks  []Remark  `json:"remarks"` // on its health
}

// SystemFigures are one system's figures for a window.
type SystemFigures struct {
	System   string    `json:"system"`
	Figures  []Figure  `json:"figures"`
	Findings []Finding `json:"findings"`
	Tables   []Table   `json:"tables"`
}

// Report is every figure for a window. From and To are RFC 3339 UTC.
type Report struct {
	From     string           `json:"from"`
	To       string           `json:"to"`
	Machines []MachineFigures `json:"machines"`
	Systems  []SystemFigures  `json:"systems"`
	// Instruments are the records behind the figures, devices in the site file's
	// order.
	Instruments []sitefile.InstrumentFacts `json:"instruments"`
	// Notes say what the window rests on where that is not what was asked for:
	// raw readings that are no longer kept, summaries of earlier settings.
	Notes []string `json:"notes,omitempty"`
}

// Observed reports whether anything was observed in the window: of a site without
// machines and systems nothing else can be said.
func (r *Report) Observed() bool {
	seen := len(r.Machines)+len(r.Systems) == 0
	look := func(figures []Figure) {
		for i := range figures {
			seen = seen || figures[i].Name == "observed_time" && figures[i].Value != nil && *figures[i].Value > 0
		}
	}
	for i := range r.Machines {
		look(r.Machines[i].Figures)
	}
	for i := range r.Systems {
		look(r.Systems[i].Figures)
	}
	return seen
}
