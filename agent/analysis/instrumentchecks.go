package analysis

import (
	"fmt"
	"math"
	"time"

	"loadscribe/agent/sitefile"
)

// checks tells of comparisons with a reference that found the instrument off by more
// than its accuracy allows, where that bears on the window: what was found holds from
// the check before to this one, and what was left from this one to the next. The day of
// a check itself belongs to the time before it. One that was made after the last reading
// is as good as any: instruments are checked when they are taken down.
func (u *use) checks(site *sitefile.Site) {
	made := u.rec.ChecksMade()
	for i := range made {
		c := &made[i]
		day := endOfDay(site, c.On)
		before, after := int64(math.MinInt64), int64(math.MaxInt64)
		if i > 0 {
			before = neighbour(site, c, made[:i], true)
		}
		if i+1 < len(made) {
			after = neighbour(site, c, made[i+1:], false)
		}
		was, is := u.from < day && u.to > before, u.to > day && u.from < after
		u.check(c, day, was, is)
	}
}

// neighbour is the end of the day of the nearest check of the same channels, looking
// back or ahead.
func neighbour(site *sitefile.Site, c *sitefile.CheckOf, others []sitefile.CheckOf, back bool) int64 {
	for n := range others {
		o := &others[n]
		if back {
			o = &others[len(others)-1-n]
		}
		if len(o.Of) > 0 && len(c.Of) > 0 && o.Of[0] == c.Of[0] && o.On != c.On {
			return endOfDay(site, o.On)
		}
	}
	if back {
		return math.MinInt64
	}
	return math.MaxInt64
}

func endOfDay(site *sitefile.Site, day string) int64 {
	at, err := time.ParseInLocation(time.DateOnly, day, site.Location)
	if err != nil {
		return math.MinInt64 // a problem of the site file, told when it was read
	}
	return at.AddDate(0, 0, 1).UnixMilli()
}

// check tells what one found or left, where it was off. was and is: the window has time
// before and after it to which it speaks.
func (u *use) check(c *sitefile.CheckOf, day int64, was, is bool) {
	adjusted := c.Left != nil
	found, allowed := u.off(c, c.FoundOff(), c.Found.SI())
	switch {
	case len(found) > 0 && was && adjusted:
		u.ofCheck(c, found, u.from, fmt.Sprintf("the check of %s found it %s, %s, and it was adjusted: readings up to that day may be off by as much, those after it are not. Nothing is corrected", c.On, reads(c, c.FoundText, c.FoundOff()), allowed))
	case len(found) > 0 && (was || is) && !adjusted:
		u.ofCheck(c, found, u.from, fmt.Sprintf("the check of %s found it %s, %s, and it was not adjusted: readings may be off by as much. Have it adjusted, or state an accuracy that it keeps", c.On, reads(c, c.FoundText, c.FoundOff()), allowed))
	}
	if !adjusted || !is {
		return
	}
	if left, allowed := u.off(c, c.LeftOff(), c.Left.SI()); len(left) > 0 {
		u.ofCheck(c, left, max(u.from, day), fmt.Sprintf("the check of %s left it %s, %s. Have it adjusted again, or state an accuracy that it keeps", c.On, reads(c, c.LeftText, c.LeftOff()), allowed))
	}
}

// reads is what it showed beside the reference.
func reads(c *sitefile.CheckOf, text string, offSI float64) string {
	word, off := "high", math.Round(offSI/c.Reference.Unit.Scale*1e9)/1e9
	if off < 0 {
		word, off = "low", -off
	}
	return fmt.Sprintf("at %s where the reference had %s, %.4g %s too %s", text, c.ReferenceText, off, c.Reference.Unit.Symbol, word)
}

// off are the channels for which a difference is more than their accuracy allows, and
// what the first of them allows.
func (u *use) off(c *sitefile.CheckOf, offSI, readingSI float64) (channels []*sitefile.MapChannel, allowed string) {
	for _, of := range c.Of {
		half, given := u.rec.Device.LimitAt(of, readingSI)
		said := "more than its accuracy allows"
		if !given {
			a := (&chanSpec{role: of.Role, unit: of.Unit}).assumedAccuracy()
			half = float64(a.OfReading*math.Abs(readingSI-of.Unit.ToSI(0))) + a.SI
			said = "more than is assumed of an instrument without a stated accuracy"
		}
		if !sitefile.Exceeds(offSI, half) {
			continue
		}
		if channels = append(channels, of); len(channels) == 1 {
			allowed = fmt.Sprintf("%s (%.3g %s)", said, half/c.Reference.Unit.Scale, c.Reference.Unit.Symbol)
		}
	}
	return channels, allowed
}

// ofCheck tells a finding of some of the record's channels, unless no figure rests on
// them.
func (u *use) ofCheck(c *sitefile.CheckOf, of []*sitefile.MapChannel, from int64, said string) {
	rests := u.figures(of)
	if len(rests) == 0 {
		return
	}
	subject := *u
	if len(of) == 1 && len(u.rec.Of) > 1 {
		rec := *u.rec
		rec.Subject = u.rec.Device.Name + "." + of[0].Name
		subject.rec = &rec
	}
	facts := c.Facts(u.rec.Device)
	evidence := facts.String()
	if c.Against != "" {
		evidence += ", against " + c.Against
	}
	subject.tell(from, rests, said, evidence, "")
}
