package chart

import (
	"encoding/json"
	"math"
)

// Values are numbers in a chart's own unit; NaN is "not observed" and null in JSON.
type Values []float64

// MarshalJSON writes numbers to six digits and NaN as null.
func (v Values) MarshalJSON() ([]byte, error) {
	all := make([]json.RawMessage, len(v))
	for i, x := range v {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			all[i] = json.RawMessage("null")
			continue
		}
		all[i] = json.RawMessage(sixDigits(x))
	}
	return json.Marshal(all)
}

// Chart is one picture. One of Lines, Strips, Bars, Heat and Plant is set.
type Chart struct {
	ID    string `json:"id"` // of lower-case words and hyphens; once in a document
	Title string `json:"title"`
	// Summary says in one or two sentences what is to be seen: the text twin for
	// whoever does not see the picture.
	Summary string `json:"summary"`
	// Group stands between thousands in the ticks' numbers of five digits and more.
	Group  string  `json:"group,omitempty"`
	Lines  *Lines  `json:"lines,omitempty"`
	Strips *Strips `json:"strips,omitempty"`
	Bars   *Bars   `json:"bars,omitempty"`
	Heat   *Heat   `json:"heat,omitempty"`
	Plant  *Plant  `json:"plant,omitempty"`
}

// Axis is a scale. Min and Max equal: chosen from the data.
type Axis struct {
	Label string  `json:"label"` // what it is
	Unit  string  `json:"unit"`  // empty: a number
	Min   float64 `json:"min"`
	Max   float64 `json:"max"`
	Zero  bool    `json:"zero,omitempty"` // must hold nought
	// Ticks name places instead of numbers, as hours and weekdays; nil: numbers.
	Ticks []Tick `json:"ticks,omitempty"`
	group string // the chart's Group
}

// Tick is a named place on an axis.
type Tick struct {
	At   float64 `json:"at"`
	Name string  `json:"name"`
}

// Lines are series over a common x, as a demand over a week, a duration curve, or
// unloads laid over one another.
type Lines struct {
	X      Axis     `json:"x"`
	Y      Axis     `json:"y"`
	Series []Series `json:"series"`
	Limits []Limit  `json:"limits,omitempty"`
	Spans  []Span   `json:"spans,omitempty"` // shaded stretches of x, as shifts
}

// Series is one line. X ascends. Low and High, where given, are drawn as a band.
type Series struct {
	Name string `json:"name"` // beside the line; empty: none
	X    Values `json:"x"`
	Y    Values `json:"y"`
	Low  Values `json:"low,omitempty"`
	High Values `json:"high,omitempty"`
	Step bool   `json:"step,omitempty"` // holds to the next x
	Thin bool   `json:"thin,omitempty"` // one of many
	Fill bool   `json:"fill,omitempty"` // down to nought
	Kind int    `json:"kind,omitempty"` // place in the style: 0 the first, …
}

// Limit is a level or a place that values are held to; Vertical: at a place of x.
type Limit struct {
	At       float64 `json:"at"`
	Name     string  `json:"name"`
	Vertical bool    `json:"vertical,omitempty"`
}

// Span is a stretch of x with a name.
type Span struct {
	From float64 `json:"from"`
	To   float64 `json:"to"`
	Name string  `json:"name,omitempty"`
}

// Strips are days below one another on a common clock, each with states as a band
// and one quantity above it.
type Strips struct {
	X    Axis    `json:"x"` // hours of the day
	Y    Axis    `json:"y"`
	Rows []Strip `json:"rows"`
}

// Strip is one day.
type Strip struct {
	Name   string  `json:"name"`
	Line   Series  `json:"line"`
	States []Stage `json:"states"`
}

// Stage is a state for a while. State is the word of analysis; what was not
// observed has "unobserved", and is hatched.
type Stage struct {
	From  float64 `json:"from"` // of x
	To    float64 `json:"to"`
	State string  `json:"state"`
}

// Bars are columns, or rows where Across is set, of one or several stacked parts.
type Bars struct {
	Value  Axis     `json:"value"`
	Parts  []string `json:"parts"` // names of the stacked parts; one: not stacked
	Bars   []Bar    `json:"bars"`
	Across bool     `json:"across,omitempty"`
	Limits []Limit  `json:"limits,omitempty"`
}

// Bar is one column. Low and High are the ends of an interval of the whole, NaN or
// both nought: none.
type Bar struct {
	Name   string  `json:"name"`
	Values Values  `json:"values"` // of each part
	Low    float64 `json:"low,omitempty"`
	High   float64 `json:"high,omitempty"`
	Label  string  `json:"label,omitempty"` // at its end, as it should be read
}

// Heat is a map of rows and columns, as weekday by hour. NaN cells are hatched.
type Heat struct {
	Unit    string   `json:"unit"`
	Columns []string `json:"columns"`
	Rows    []string `json:"rows"`
	Cells   []Values `json:"cells"` // by row
}

// Plant is the system as drawn: what the air passes, left to right, at the height
// of its pressure.
type Plant struct {
	Machines []PlantPart `json:"machines"` // side by side at the left
	Parts    []PlantPart `json:"parts"`    // in the order that the air takes
	Unit     string      `json:"unit"`     // of Pressure
	Minimum  float64     `json:"minimum"`  // that users need; 0: not known
}

// PlantPart is a machine or part. Pressure NaN or 0: not read there.
type PlantPart struct {
	Name     string  `json:"name"`
	Kind     string  `json:"kind"`
	Note     string  `json:"note,omitempty"` // size, as "240 gal"
	Pressure float64 `json:"pressure,omitempty"`
	Tap      string  `json:"tap,omitempty"` // what reads it
}
