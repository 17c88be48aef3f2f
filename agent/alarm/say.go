package alarm

import (
	"fmt"
	"strconv"
	"time"

	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// spoken is a time in its two largest units.
func spoken(ms int64) string {
	d := time.Duration(ms) * time.Millisecond
	part := func(n int64, unit, rest string) string {
		if rest == "" {
			return fmt.Sprintf("%d %s", n, unit)
		}
		return fmt.Sprintf("%d %s %s", n, unit, rest)
	}
	whole := func(n int64, unit string) string {
		if n == 0 {
			return ""
		}
		return fmt.Sprintf("%d %s", n, unit)
	}
	switch {
	case d >= 24*time.Hour:
		return part(int64(d/(24*time.Hour)), "d", whole(int64(d/time.Hour)%24, "h"))
	case d >= time.Hour:
		return part(int64(d/time.Hour), "h", whole(int64(d/time.Minute)%60, "min"))
	case d >= time.Minute:
		return part(int64(d/time.Minute), "min", whole(int64(d/time.Second)%60, "s"))
	}
	return strconv.FormatFloat(d.Seconds(), 'f', -1, 64) + " s"
}

// shown writes a value of the point for the people of a site.
func (p *Point) shown(units quantity.System, si float64) string {
	switch {
	case p.Unit == "":
		return ""
	case p.Unit == "1/h":
		return strconv.FormatFloat(si, 'f', -1, 64)
	case p.Unit == "%":
		return strconv.FormatFloat(100*si, 'f', 0, 64) + " %"
	case p.dimension == quantity.Plain:
		return strconv.FormatFloat(si, 'g', 6, 64)
	}
	return quantity.Format(si, p.dimension, units)
}

// side is the word for how a bad value lies to the limit.
func (p *Point) side() string {
	switch {
	case p.Rule.On == sitefile.AlarmMinimum:
		return "below the minimum of"
	case p.Limit.Below:
		return "below"
	case p.Limit.Reached:
		return "at the limit of"
	}
	return "above"
}

// raisedText says what is wrong. why are words of the sight.
func (p *Point) raisedText(units quantity.System, value float64, why string) string {
	if p.limitless() {
		return p.What + ": " + why
	}
	text := fmt.Sprintf("%s %s, %s %s", p.What, p.shown(units, value), p.side(), p.shown(units, p.Limit.At))
	if p.Rule.afterMS > 0 {
		text += " for " + spoken(p.Rule.afterMS)
	}
	if why != "" {
		text += ": " + why
	}
	return text
}

// limitless reports whether the point has no value and limit of its own.
func (p *Point) limitless() bool { return p.Unit == "" }

func (p *Point) returnedText(units quantity.System, value float64, why string) string {
	if p.limitless() {
		if why == "" {
			return p.What + ": over"
		}
		return p.What + ": over, " + why
	}
	if p.Limit.Judge(value) == Bad { // it counts no more, as outside the shifts
		return fmt.Sprintf("%s %s: %s", p.What, p.shown(units, value), why)
	}
	text := fmt.Sprintf("%s back at %s", p.What, p.shown(units, value))
	if why != "" {
		text += ": " + why
	}
	return text
}

// ruleText is a rule in one sentence.
func ruleText(site *sitefile.Site, r *Rule) string {
	text := "Raised when " + ruleWhen(site, r)
	if r.InShifts {
		text += " in the shifts"
	}
	if r.afterMS > 0 {
		text += " for " + spoken(r.afterMS)
	}
	text += "; returns when that is over"
	if r.Back > 0 && len(r.Points) > 0 {
		text += " by " + shownStep(site.Units, r.Points[0], r.Back)
	}
	if r.clearAfterMS > 0 {
		text += " for " + spoken(r.clearAfterMS)
	}
	return text + "."
}

// shownStep is a difference in the site's units: no zero is moved.
func shownStep(units quantity.System, p *Point, step float64) string {
	if p.dimension == quantity.Plain {
		return strconv.FormatFloat(step, 'g', 6, 64)
	}
	u := units.Unit(p.dimension)
	return strconv.FormatFloat(step/u.Scale, 'g', 3, 64) + " " + u.Symbol
}

func ruleWhen(site *sitefile.Site, r *Rule) string {
	a := &r.Alarm
	side := func(what string, p *Point) string {
		return fmt.Sprintf("%s is %s %s", what, p.side(), p.shown(site.Units, p.Limit.At))
	}
	if len(r.Points) == 0 {
		return "what it watches is bad (it watches nothing: " + r.Absent + ")"
	}
	p := r.Points[0]
	switch a.On {
	case sitefile.AlarmTemperature:
		return side("the "+words(a.Role), p)
	case sitefile.AlarmPressure:
		if a.System != "" {
			return side("the pressure of "+a.System, p)
		}
		return side("the "+words(a.Role), p)
	case sitefile.AlarmMinimum:
		return "the pressure of a system is below its minimum_pressure"
	case sitefile.AlarmStarts:
		return fmt.Sprintf("a motor starts %s times within an hour, as often as it may", p.shown(site.Units, p.Limit.At))
	case sitefile.AlarmCycling:
		return fmt.Sprintf("a machine loads more than %s times within an hour", p.shown(site.Units, p.Limit.At))
	case sitefile.AlarmNoData:
		return "a device gives no values"
	case sitefile.AlarmService:
		return "an item of the service list is due" + ahead(a)
	case sitefile.AlarmQuiet:
		return fmt.Sprintf("what flows in quiet hours of the last week is more than %s above that of the four weeks before, more surely than by chance", p.shown(site.Units, p.Limit.At))
	case sitefile.AlarmFault:
		return "a fault code is on"
	case sitefile.AlarmDisk:
		return fmt.Sprintf("the disk of the data directory takes nothing, or less than %.4g GB is free on it", float64(a.FreeBytes)/1e9)
	case sitefile.AlarmCalibration:
		return "a calibration has run out" + ahead(a)
	case sitefile.AlarmUndelivered:
		return "nothing gets through to a receiver of samples or a target of messages, or less than is recorded"
	}
	return side(p.What, p)
}

func ahead(a *sitefile.Alarm) string {
	if a.Ahead == 0 {
		return ""
	}
	return ", or will be within " + spoken(a.Ahead.Milliseconds())
}
