package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Uncertainty follows the GUM (JCGM 100): limits without further knowledge are
// rectangular (half width / √3), independent parts add in squares, and the
// interval stated is twice the standard uncertainty, about 95 %.
const (
	coverageFactor = 2.0
	stated         = 0.95
)

// estimate is a value with its standard uncertainty, in one unit.
type estimate struct{ v, u float64 }

// scaled is e in another unit. The conversions round each product, so that no
// processor fuses it into a later sum.
func (e estimate) scaled(by float64) estimate {
	return estimate{float64(e.v * by), float64(e.u * math.Abs(by))}
}

// over is the quotient of two independent estimates; d.v must not be 0.
func (e estimate) over(d estimate) estimate {
	q := e.v / d.v
	return estimate{q, quad(e.u/d.v, q*d.u/d.v)}
}

// quad adds in squares. Each square is rounded by itself, so that no processor
// fuses it into the sum.
func quad(parts ...float64) float64 {
	var s float64
	for _, p := range parts {
		s += float64(p * p)
	}
	return math.Sqrt(s)
}

// rectangular is the standard uncertainty of a limit ±a.
func rectangular(a float64) float64 { return gum.Rectangular(a) }

// resolutionU is the standard uncertainty from a step of one count.
func resolutionU(step float64) float64 { return math.Abs(step) / math.Sqrt(12) }

// assumedAccuracy is what is taken for an instrument whose accuracy the site
// file does not state. Common practice, no source.
func assumedAccuracy(d quantity.Dimension) sitefile.Accuracy {
	switch d {
	case quantity.Pressure:
		return sitefile.Accuracy{SI: 10_000, Text: "10 kPa"}
	case quantity.Power, quantity.Energy, quantity.Current:
		return sitefile.Accuracy{OfReading: 0.02, Text: "2 % of reading"}
	case quantity.Voltage:
		return sitefile.Accuracy{OfReading: 0.01, Text: "1 % of reading"}
	case quantity.Flow, quantity.Volume:
		return sitefile.Accuracy{OfReading: 0.05, Text: "5 % of reading"}
	case quantity.Temperature:
		return sitefile.Accuracy{SI: 2, Text: "2 K"}
	case quantity.Ratio, quantity.Plain:
		return sitefile.Accuracy{SI: 0.03, Text: "0.03"}
	}
	return sitefile.Accuracy{OfReading: 0.02, Text: "2 % of reading"}
}

func (c *chanSpec) assumedAccuracy() sitefile.Accuracy {
	if c.role == scan.Barometer { // a gauge's would be no reading of the weather
		return sitefile.Accuracy{SI: 300, Text: "0.3 kPa"}
	}
	return assumedAccuracy(c.unit.Dimension)
}

// setAccuracy takes what the site file states of a channel. A share of a span that
// nobody knows is no statement: the assumed accuracy holds then, and says so.
func (c *chanSpec) setAccuracy(d *sitefile.Device, mc *sitefile.MapChannel) {
	c.accuracy, c.accuracyGiven = d.AccuracyOf(mc)
	span := d.SpanOf(mc).WidthSI
	if c.accuracy.OfSpan > 0 && span == 0 {
		c.accuracy, c.accuracyGiven = sitefile.Accuracy{}, false
		return
	}
	c.accuracy.SI += float64(c.accuracy.OfSpan * math.Abs(span))
	c.accuracy.OfSpan = 0
	own := d.Instrument.Channels[mc.Name]
	c.ownAccuracy = own != nil && own.Accuracy[mc.Unit.Dimension.String()].Text != ""
}

// accuracyU is the standard uncertainty that the instrument brings at a value in
// SI.
func (c *chanSpec) accuracyU(valueSI float64) float64 {
	a := c.accuracy
	if !c.accuracyGiven {
		a = c.assumedAccuracy()
	}
	return a.StandardU(float64(a.OfReading*math.Abs(valueSI-c.zeroSI)) + a.SI)
}

// input names the channel, and its accuracy where that is assumed.
func (c *chanSpec) input() string {
	if c.accuracyGiven {
		return c.id
	}
	return fmt.Sprintf("%s (accuracy ±%s assumed)", c.id, c.assumedAccuracy().Text)
}

// reading is the uncertainty of a mean of readings near valueSI: the
// instrument's limit does not average out, nor is the resolution counted on to.
func (c *chanSpec) reading(valueSI float64) float64 {
	return quad(c.accuracyU(valueSI), resolutionU(c.countSI))
}

// value is a reading, or a mean of readings, with what its instrument brings: its
// limit, which does not average out, and the resolution.
func (c *chanSpec) value(valueSI float64) gum.Value {
	return gum.New(valueSI, c.accuracyU(valueSI), accuracyInput(c)).
		Plus(gum.New(0, resolutionU(c.countSI), resolutionInput(c, "mean")))
}

// mean is the time-weighted mean of a sum in SI.
func (c *chanSpec) mean(s sum) estimate {
	counts := s.twice.Float64() / (2 * float64(s.ms))
	v := float64(counts*c.countSI) + c.offsetSI
	return estimate{v, c.reading(v)}
}

// integral is the time integral of a sum in SI·s.
func (c *chanSpec) integral(s sum) estimate {
	if s.ms == 0 {
		return estimate{}
	}
	m := c.mean(s)
	return m.scaled(float64(s.ms) / 1000)
}

// si converts counts.
func (c *chanSpec) si(counts float64) float64 { return float64(counts*c.countSI) + c.offsetSI }
