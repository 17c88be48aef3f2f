package analysis

import (
	"fmt"
	"math"
	"strings"

	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// narrowTo is what the uncertainty must fall to for a narrowing to be worth its
// mention: a quarter less.
const narrowTo = 0.75

// narrowing is one thing that makes some inputs surer.
type narrowing struct {
	of []left // the inputs that it narrows, by kind
	// The sentence: rests, the subjects of the inputs, does.
	rests, does string
}

// left is what remains of the standard uncertainty of the inputs whose names
// begin so.
type left struct {
	begins string
	factor float64
}

// What is left, as a standard uncertainty relative to the flow. A pump-up test over
// a receiver known to 3 % is good for ±5.4 % (agent/guided's budget: the volume
// ±3.5 %, temperature and water ±2.4 %, the day's weather ±2.3 %, gauge and space
// inside the machine ±1.6 % each; its test against the simulator holds it to that);
// a flow meter of the insertion kind, calibrated, for ±3 % (common practice, no
// source).
const (
	pumpUpLeaves    = 0.027
	flowMeterLeaves = 0.015
)

// narrowings are all of them, the cheapest first: what costs a look or a line in
// the site file, then some minutes' work, then an instrument. What each leaves is
// common practice, no source, but for what the assumptions' own limits say.
func narrowings() []narrowing {
	nameplateU := rectangular(flowHalfWidth) / flowMiddle
	volumeU := rectangular(volumeLimit)
	about := func(u float64) string { return fmt.Sprintf("±%.0f %%", 100*coverageFactor*u) }
	return []narrowing{
		{of: []left{{unnamedOf, 0}}, rests: "the stores' volume by the site file, " + about(volumeU),
			does: "all receivers and large pipes in the site file with their volumes (a receiver's plate has it, a pipe's follows from length and bore) make it " + about(rectangular(nominalLimit))},
		{of: []left{{delayOf, 1. / 3}, {momentsOf, 1. / 3}}, rests: "when air begins to flow after a load",
			does: "a pressure behind the minimum-pressure valve read at least once a second makes it ±1 s"},
		{of: []left{{ratedFlowOf, pumpUpLeaves / nameplateU}}, rests: "the flow on the nameplate, " + about(nameplateU),
			does: "four minutes' pump-up of a known volume with the plant valve shut makes it " + about(pumpUpLeaves)},
		{of: []left{{powerFactor, 0.3}, {motorVolts, 0}, {packageFans, 0}}, rests: "an assumed power factor",
			does: "two spot readings of the package's power, loaded and unloaded, make the power ±3 %"},
		{of: []left{{inletOf, 0.2}}, rests: "assumed air at the inlet",
			does: "a sensor of temperature and humidity at the machine's intake, and the site's altitude or barometer, make that ±1 %"},
		{of: []left{{ratedFlowOf, flowMeterLeaves / nameplateU}, {partLoadOf, 0}, {delayOf, 0}, {momentsOf, 0}},
			rests: "flow that no meter reads", does: "a calibrated flow meter makes it " + about(flowMeterLeaves)},
	}
}

// betterAccuracy is what a good instrument of the trade has, in place of
// assumedAccuracy (common practice, no source).
func betterAccuracy(d quantity.Dimension) (sitefile.Accuracy, bool) {
	switch d {
	case quantity.Pressure:
		return sitefile.Accuracy{SI: 4_000, Text: "4 kPa"}, true // 0.25 % of 16 bar
	case quantity.Power, quantity.Energy:
		return sitefile.Accuracy{OfReading: 0.01, Text: "1 % of reading"}, true // class 0.5 with class 0.5 transformers
	case quantity.Flow, quantity.Volume:
		return sitefile.Accuracy{OfReading: 0.02, Text: "2 % of reading"}, true
	case quantity.Temperature:
		return sitefile.Accuracy{SI: 0.5, Text: "0.5 K"}, true
	}
	return sitefile.Accuracy{}, false
}

// accuracyText is an accuracy of the trade in the site's units.
func (s *sheet) accuracyText(a sitefile.Accuracy) string {
	if strings.HasSuffix(a.Text, " kPa") {
		return s.shownPressure(a.SI)
	}
	return a.Text
}

// narrower finds the cheapest thing that makes v's interval a quarter narrower.
func (s *sheet) narrower(v gum.Value) *Narrower {
	if n := s.surerInstrument(v, false); n != nil {
		return n
	}
	for _, n := range narrowings() {
		then, subjects := n.applied(v)
		if then.U() > float64(narrowTo*v.U()) {
			continue
		}
		return narrowed(then, fmt.Sprintf("rests on %s%s; %s", n.rests, subjects, n.does))
	}
	return s.surerInstrument(v, true)
}

func narrowed(then gum.Value, sentence string) *Narrower {
	return &Narrower{Sentence: sentence, Uncertainty: float64(coverageFactor * then.U())}
}

// applied is v with the narrowing, and in brackets what it is done to.
func (n *narrowing) applied(v gum.Value) (then gum.Value, subjects string) {
	then = v
	var of []string
	for _, share := range v.Shares() {
		for _, l := range n.of {
			subject, ok := strings.CutPrefix(share.Input, l.begins)
			if !ok {
				continue
			}
			then = then.With(share.Input, l.factor)
			subject = strings.TrimSuffix(strings.TrimSuffix(subject, " (assumed)"), ", known to a scan")
			if share.Of >= leastShare && l.begins == n.of[0].begins && subject != "" {
				of = append(of, subject)
			}
		}
	}
	if len(of) > 0 {
		subjects = " (" + strings.Join(of, ", ") + ")"
	}
	return then, subjects
}

// surerInstrument is the instrument, or those of one kind, whose accuracy makes v's
// interval a quarter narrower, those that bring most first: where it is only
// assumed, stating it may do, which costs nothing; else a better one (given).
func (s *sheet) surerInstrument(v gum.Value, given bool) *Narrower {
	then := v
	var of []string
	var kind quantity.Dimension
	for _, share := range v.Shares() {
		c, mean := s.channelOf(share.Input)
		if c == nil || c.accuracyGiven != given || len(of) > 0 && c.unit.Dimension != kind {
			continue
		}
		better, ok := betterAccuracy(c.unit.Dimension)
		if !ok {
			continue
		}
		now, least := c.accuracyU(mean), rectangular(float64(better.OfReading*math.Abs(mean))+better.SI)
		if now <= 0 || least >= now {
			continue
		}
		then, kind = then.With(share.Input, least/now), c.unit.Dimension
		if of = append(of, c.id); then.U() > float64(narrowTo*v.U()) {
			continue
		}
		on := "rests on the accuracy of " + strings.Join(of, " and ")
		if given {
			return narrowed(then, fmt.Sprintf("%s; calibrated, or changed for what is good for ±%s, it leaves this", on, s.accuracyText(better)))
		}
		return narrowed(then, fmt.Sprintf("%s, assumed to be ±%s; state it in the site file, or have it calibrated: ±%s leaves this",
			on, s.accuracyText(assumedAccuracy(kind)), s.accuracyText(better)))
	}
	return nil
}

// channelOf finds the channel whose accuracy an input is, and its mean in the
// window.
func (s *sheet) channelOf(input string) (*chanSpec, float64) {
	if !strings.HasPrefix(input, accuracyOf) {
		return nil, 0
	}
	for i := range s.g.sp.chans {
		c := &s.g.sp.chans[i]
		if accuracyInput(c) != input {
			continue
		}
		if c.class == classAnalog && s.g.total.analog[c.slot].sum.ms > 0 {
			return c, c.mean(s.g.total.analog[c.slot].sum).v
		}
		return c, c.spanSI
	}
	for _, m := range s.machines {
		if c, mean := m.channelOf(input); c != nil {
			return c, mean
		}
	}
	return nil, 0
}
