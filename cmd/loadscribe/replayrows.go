package main

import (
	"math"
	"strings"

	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
	"loadscribe/agent/quantity"
	"loadscribe/agent/replay"
)

// wattsPerSpecific are the W/(m³/s) in a kW/(m³/min).
const wattsPerSpecific = 60_000

// replayRow is one line of a table of outcomes: value·factor is in unit; a factor of 0
// is 1.
type replayRow struct {
	name, unit string
	factor     float64
	of         func(*replay.Outcome) replay.Amount
	share      bool // differences are told in per cent
	always     bool // shown where it is nothing throughout
	played     bool // known of what is played alone
	// raw is what the present settings gave before it was brought to what was
	// measured; nil: that is not told.
	raw func(f *replay.Fit, measured float64) float64
}

func plain(v float64) replay.Amount { return replay.Amount{Value: &v} }

func (p *replayPrinter) rows() []replayRow {
	return []replayRow{
		{name: "energy", unit: "kWh", of: func(o *replay.Outcome) replay.Amount { return o.Energy }, share: true, always: true,
			raw: func(f *replay.Fit, measured float64) float64 { return measured * (1 + f.EnergyShare) }},
		{name: "cost", unit: p.currency, of: func(o *replay.Outcome) replay.Amount { return o.Cost }, share: true},
		{name: "of this for demand", unit: p.currency, of: func(o *replay.Outcome) replay.Amount { return o.DemandCost }, share: true},
		{name: "emissions", unit: "kg", of: func(o *replay.Outcome) replay.Amount { return o.Emissions }, share: true},
		{name: "starts", unit: "1", of: func(o *replay.Outcome) replay.Amount { return o.Starts }, always: true,
			raw: func(f *replay.Fit, measured float64) float64 { return measured + f.Starts }},
		{name: "starts in an hour, most", unit: "1", of: func(o *replay.Outcome) replay.Amount { return o.StartsHourMax }, always: true},
		{name: "load cycles", unit: "1", of: func(o *replay.Outcome) replay.Amount { return o.Loads }, share: true, always: true,
			raw: func(f *replay.Fit, measured float64) float64 { return math.Round(measured * (1 + f.Loads)) }},
		{name: "load cycles a running hour", unit: "1/h", of: func(o *replay.Outcome) replay.Amount { return o.LoadsHour }, share: true, always: true},
		{name: "lowest pressure", unit: "Pa", of: func(o *replay.Outcome) replay.Amount { return o.LowestPa }, always: true,
			raw: func(f *replay.Fit, measured float64) float64 { return measured + f.LowestOffPa }},
		{name: "mean pressure", unit: "Pa", of: func(o *replay.Outcome) replay.Amount { return o.MeanPa }, always: true},
		{name: "below minimum pressure", unit: "s", of: func(o *replay.Outcome) replay.Amount { return o.BelowS }, always: true},
		{name: "power for air", unit: "kW/(m³/min)", factor: 1 / float64(wattsPerSpecific), of: func(o *replay.Outcome) replay.Amount { return o.SpecificPower }, share: true, always: true},
		{name: "time short of air", unit: "s", of: func(o *replay.Outcome) replay.Amount { return plain(o.ShortS) }, played: true},
		{name: "air that was short", unit: "m³", of: func(o *replay.Outcome) replay.Amount { return replay.Amount{Value: o.ShortM3} }, played: true},
	}
}

// in is an amount in the row's unit.
func (r *replayRow) in(o *replay.Outcome) replay.Amount {
	a := r.of(o)
	if r.factor == 0 {
		return a
	}
	if a.Value != nil {
		v := *a.Value * r.factor
		a.Value = &v
	}
	if a.Interval != nil {
		half := *a.Interval * r.factor
		a.Interval = &half
	}
	return a
}

// skip reports a row that says nothing: what is not known, or nothing in both.
func (r *replayRow) skip(a, b *replay.Amount) bool {
	known := a.Value != nil || b.Value != nil
	nothing := (a.Value == nil || *a.Value == 0) && (b.Value == nil || *b.Value == 0)
	return !known || nothing && !r.always
}

// amount is a value with its half width in the site's units.
func (p *replayPrinter) amount(a replay.Amount, unit string) string {
	if a.Value == nil {
		return "not known"
	}
	value, half, symbol := p.pair(*a.Value, a.Interval, unit)
	return joined(value, half, symbol)
}

func joined(value, half, symbol string) string {
	if half != "" {
		value += " ± " + half
	}
	if symbol != "" && symbol != "1" {
		value += " " + symbol
	}
	return value
}

// leastShown is from where on a half width has a place that is shown.
const leastShown = 5e-5

// pair is a value and its half width, rounded to what that warrants, and the unit.
func (p *replayPrinter) pair(v float64, half *float64, unit string) (value, spread, symbol string) {
	if unit == "1/Pa" { // read in per cent for each unit of pressure
		u := p.site.Units.Unit(quantity.Pressure)
		percent := 100 * u.Scale
		v *= percent
		if half != nil {
			wide := *half * percent
			half = &wide
		}
		unit = "% each " + u.Symbol
	}
	symbol, factor, offset := p.site.Units.Display(unit)
	if half != nil && *half*math.Abs(factor) < leastShown {
		half = nil
	}
	switch {
	case unit == "s":
		value, symbol = lasted(v), ""
		if half != nil {
			spread = lasted(*half)
		}
	case half != nil:
		value, spread = display.Pair(&v, half, &analysis.Column{Unit: unit}, p.site.Units)
	case unit == "1":
		value = display.Rounded(v, 0)
	case unit == "Pa":
		value, symbol, _ = strings.Cut(quantity.Format(v, quantity.Pressure, p.site.Units), " ")
	case display.IsMoney(unit):
		value = display.Rounded(v, 2)
	default:
		shown := v*factor + offset
		value = display.Rounded(shown, min(max(0, 3-display.Magnitude(shown)), 2))
		if shown == 0 {
			value = "0"
		}
	}
	return value, spread, symbol
}

// lasted is a time in words, from an hour on to the minute.
func lasted(seconds float64) string {
	if seconds >= 3600 {
		seconds = math.Round(seconds/60) * 60
	}
	return display.Duration(seconds)
}

// off is how much one is over the other.
func (p *replayPrinter) off(r *replayRow, from, to *replay.Amount) string {
	if from.Value == nil || to.Value == nil {
		return ""
	}
	d := *to.Value - *from.Value
	if r.share {
		if *from.Value == 0 {
			return ""
		}
		return signed(display.Rounded(100*d / *from.Value, 1)) + " %"
	}
	if r.unit == "s" {
		sign := "+"
		if d < 0 {
			sign = "-"
		}
		return sign + lasted(math.Abs(d))
	}
	symbol, factor, _ := p.site.Units.Display(r.unit)
	decimals := 1
	if r.unit == "1" {
		decimals, symbol = 0, ""
	} else if math.Abs(d*factor) >= 100 {
		decimals = 0
	}
	return strings.TrimSpace(signed(display.Rounded(d*factor, decimals)) + " " + symbol)
}

// signed puts a plus before what is not negative.
func signed(text string) string {
	if strings.HasPrefix(text, "-") {
		return text
	}
	return "+" + text
}
