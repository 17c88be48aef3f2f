package report

import (
	"loadscribe/agent/analysis"
	"loadscribe/agent/chart"
)

// Format is the version of report.json.
const Format = 1

// Document is all that a report states, in the order of reading. It is report.json.
type Document struct {
	Format   int       `json:"format"`
	Title    string    `json:"title"`
	Made     Made      `json:"made"`
	Findings []Finding `json:"findings"` // what matters most first
	// Year is what the window comes to in a year: figures of the report's own, each
	// with what it assumes in Method.
	Year     []YearOf  `json:"year"`
	Sections []Section `json:"sections"`
	Data     *Data     `json:"data"`
}

// YearOf are one subject's figures of a year.
type YearOf struct {
	Subject string            `json:"subject"` // "machine comp1", "system main"
	Figures []analysis.Figure `json:"figures"`
}

// Section is a part with a heading. Of level 1 each begins a page in print where it
// would otherwise begin low on one; of level 2 it belongs to the one before.
type Section struct {
	ID     string  `json:"id"` // of lower-case words and hyphens, once in a document
	Title  string  `json:"title"`
	Level  int     `json:"level"`
	Blocks []Block `json:"blocks"`
}

// Block is one piece of a section. One field is set.
type Block struct {
	Text  Text         `json:"text,omitempty"`  // a paragraph
	List  []Text       `json:"list,omitempty"`  // points
	Facts []Fact       `json:"facts,omitempty"` // names and what they are
	Table *Table       `json:"table,omitempty"`
	Chart *chart.Chart `json:"chart,omitempty"`
	// Box is set apart: an answer, a finding or a caution.
	Box *Box `json:"box,omitempty"`
	// Plain is kept as it is, line by line, as a checkpoint.
	Plain string `json:"plain,omitempty"`
}

// Text is a sentence or several.
type Text []Run

// Run is a part of a text: words, or one number with where it stands in the report.
type Run struct {
	Text string `json:"text"`
	// At is the JSON pointer (RFC 6901), from the top of report.json, to the number
	// that Text shows; empty: words.
	At string `json:"at,omitempty"`
	// Value is the number there, in its own unit.
	Value  *float64 `json:"value,omitempty"`
	Strong bool     `json:"strong,omitempty"`
	// Link is the ID of a section; empty: none.
	Link string `json:"link,omitempty"`
}

// Fact is a name and what it is.
type Fact struct {
	Name string `json:"name"`
	Is   Text   `json:"is"`
}

// Table is a table with a heading for each column.
type Table struct {
	Caption string   `json:"caption"`
	Columns []Column `json:"columns"`
	Rows    [][]Text `json:"rows"` // as many as Columns in each
	Notes   []Text   `json:"notes,omitempty"`
}

// Column is a heading. Weight is its share of the width beside the others'; 0 is 1.
type Column struct {
	Head   string  `json:"head"`
	Unit   string  `json:"unit,omitempty"`
	Number bool    `json:"number,omitempty"` // set to the right
	Weight float64 `json:"weight,omitempty"`
}

// Kinds of boxes.
const (
	BoxAnswer  = "answer"
	BoxFinding = "finding"
	BoxCaution = "caution"
	BoxGap     = "gap" // what is not known, and why
)

// Box is something set apart.
type Box struct {
	Kind   string  `json:"kind"`
	Title  string  `json:"title"`
	Blocks []Block `json:"blocks"` // no boxes in it
}

// Finding is what a rule found: what is so, what to do, what that would bring.
type Finding struct {
	Rule    string `json:"rule"`    // its name in the table of rules
	Subject string `json:"subject"` // machine, system, device or channel
	Title   string `json:"title"`   // one short sentence
	// Evidence are the numbers that it rests on.
	Evidence []Text  `json:"evidence"`
	Advice   Text    `json:"advice"` // what to do, first step first
	Effect   *Effect `json:"effect,omitempty"`
	// Cost is what it takes in a year as it is, where what following the advice would
	// bring is not told.
	Cost    *Cost  `json:"cost,omitempty"`
	Caution string `json:"caution,omitempty"`
	// Matters is how much it matters apart from money, 1 to 6: what may hurt people
	// (6), then what makes the figures untrue (5), then what stops the work (4), stand
	// before all money.
	Matters int `json:"matters"`
	// Broken is a limit of a maker or a standard that is not kept to: it stands before
	// all money too.
	Broken bool `json:"broken,omitempty"`
}

// Cost is what something takes in a year. Energy and Money may be nil.
type Cost struct {
	EnergyKWh *Amount `json:"energy_kwh,omitempty"`
	Money     *Amount `json:"money,omitempty"` // in Currency
	Currency  string  `json:"currency,omitempty"`
}

// Effect is what following an advice would bring in a year. Energy and Money may be nil.
type Effect struct {
	EnergyKWh *Amount `json:"energy_kwh,omitempty"`
	Money     *Amount `json:"money,omitempty"` // in Currency
	Currency  string  `json:"currency,omitempty"`
	By        string  `json:"by"`      // what is done for it, in a few words: "half of the leaks mended"
	Assumes   string  `json:"assumes"` // never empty
	How       string  `json:"how"`     // "by replay", "leak cost", …
}

// Amount is a value with the half width of its 95 % interval; Half nil: not known.
type Amount struct {
	Value float64  `json:"value"`
	Half  *float64 `json:"uncertainty,omitempty"`
}
