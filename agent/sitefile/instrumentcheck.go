package sitefile

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"loadscribe/agent/quantity"
)

// InstrumentCheck is one comparison of an instrument with a reference: what it read
// as it was found, and after it was adjusted.
type InstrumentCheck struct {
	On        string             // local day, as in "2026-03-02"
	Reference quantity.Quantity  // what the reference read
	Found     quantity.Quantity  // what the instrument read then
	Left      *quantity.Quantity // what it read after it was adjusted; nil: it was not
	Against   string             // the reference; empty: not said
	// As written.
	ReferenceText, FoundText, LeftText string
}

// FoundOff is how much more than the reference the instrument read, in SI.
func (c *InstrumentCheck) FoundOff() float64 { return c.Found.SI() - c.Reference.SI() }

// LeftOff is the same as it was left; what was not adjusted was left as it was found.
func (c *InstrumentCheck) LeftOff() float64 {
	if c.Left == nil {
		return c.FoundOff()
	}
	return c.Left.SI() - c.Reference.SI()
}

// CheckOf is a check and the channels of a record that it tells of.
type CheckOf struct {
	*InstrumentCheck
	Of []*MapChannel // of its quantity; may be empty
}

// ChecksMade are the checks of a record, oldest first: those of the instrument tell of
// its channels of the same quantity, but for those that have checks of their own.
func (r *InstrumentRecord) ChecksMade() (all []CheckOf) {
	for i := range r.Checks {
		one := CheckOf{InstrumentCheck: &r.Checks[i]}
		for _, c := range r.Of {
			if measures(c.Unit, one.Reference.Unit) && (r.own(c) == r.Instrument || len(r.own(c).Checks) == 0) {
				one.Of = append(one.Of, c)
			}
		}
		all = append(all, one)
	}
	for _, c := range r.Of {
		if own := r.own(c); own != r.Instrument {
			for i := range own.Checks {
				all = append(all, CheckOf{&own.Checks[i], []*MapChannel{c}})
			}
		}
	}
	slices.SortStableFunc(all, func(a, b CheckOf) int { return cmp.Compare(a.On, b.On) })
	return all
}

// own is a channel's record, or an empty one.
func (r *InstrumentRecord) own(c *MapChannel) *Instrument {
	if own := r.Device.Instrument.Channels[c.Name]; own != nil {
		return own
	}
	return &Instrument{}
}

// LimitAt is how far off a channel's reading may be by its stated accuracy; ok is false
// where none is stated, or one of an unknown span.
func (d *Device) LimitAt(c *MapChannel, readingSI float64) (half float64, ok bool) {
	a, given := d.AccuracyOf(c)
	span := d.SpanOf(c).WidthSI
	if !given || a.OfSpan > 0 && span == 0 {
		return 0, false
	}
	return a.OfReading*math.Abs(readingSI-c.Unit.ToSI(0)) + a.OfSpan*math.Abs(span) + a.SI, true
}

// Exceeds reports a difference beyond a limit, by more than what decimal numbers lose
// in binary ones.
func Exceeds(off, limit float64) bool { return math.Abs(off) > limit*(1+1e-9) }

// CheckFacts is a check for people and programs. Numbers are in Unit; OffAsFound and
// OffAsLeft are how much more than the reference the instrument read.
type CheckFacts struct {
	On         string   `json:"on"`
	Channels   []string `json:"channels"` // ids of those it tells of
	Reference  string   `json:"reference"`
	Found      string   `json:"found"`
	Left       string   `json:"left,omitempty"` // empty: not adjusted
	Against    string   `json:"against,omitempty"`
	Unit       string   `json:"unit"`
	OffAsFound float64  `json:"off_as_found"`
	OffAsLeft  *float64 `json:"off_as_left,omitempty"`
	// Allowed is the least that the stated accuracy of these channels allows; nil: none
	// is stated.
	Allowed *float64 `json:"allowed,omitempty"`
}

// String is the check in a few words.
func (f *CheckFacts) String() string {
	text := fmt.Sprintf("checked %s at %s: found %s", f.On, f.Reference, f.Found)
	if f.Allowed != nil && Exceeds(f.OffAsFound, *f.Allowed) {
		text += fmt.Sprintf(" (OFF by more than the %.4g %s of its accuracy)", *f.Allowed, f.Unit)
	}
	if f.Left != "" {
		text += ", left " + f.Left
	}
	return text
}

// Facts is the check as it is shown.
func (c *CheckOf) Facts(d *Device) CheckFacts {
	u := c.Reference.Unit
	in := func(si float64) *float64 {
		v := math.Round(si/u.Scale*1e9) / 1e9 // 101.2 less 100.0 is 1.2
		return &v
	}
	f := CheckFacts{On: c.On, Channels: []string{}, Reference: c.ReferenceText, Found: c.FoundText, Left: c.LeftText, Against: c.Against,
		Unit: u.Symbol, OffAsFound: *in(c.FoundOff())}
	if c.Left != nil {
		f.OffAsLeft = in(c.LeftOff())
	}
	for _, of := range c.Of {
		f.Channels = append(f.Channels, d.Name+"."+of.Name)
		if half, ok := d.LimitAt(of, c.Found.SI()); ok && (f.Allowed == nil || *in(half) < *f.Allowed) {
			f.Allowed = in(half)
		}
	}
	return f
}

const (
	checksForm  = `write it like checks = [{ on = "2026-03-02", reference = "100.0 psi", found = "101.2 psi", left = "100.1 psi", against = "reference gauge R-12" }]`
	readingForm = `write the reading with its unit, like "100.0 psi"`
)

// checks reads the comparisons of an instrument. of are the units of what it measures;
// nil: not known.
func (s *section) checks(of []quantity.Unit) (all []InstrumentCheck) {
	for _, t := range s.subs("checks") {
		c, ok := t.check(of)
		t.done()
		if ok {
			all = append(all, c)
		}
	}
	slices.SortStableFunc(all, func(a, b InstrumentCheck) int { return cmp.Compare(a.On, b.On) })
	return all
}

// check reads one; ok is false where it was complained of.
func (t *section) check(of []quantity.Unit) (c InstrumentCheck, ok bool) {
	before := len(t.found.problems)
	if t.need("on", checksForm) != nil {
		if c.On = t.date("on"); c.On == "" && len(t.found.problems) == before {
			t.problem(t.table.find("on").value.at, "on", checksForm, "the day is empty")
		}
	}
	c.Against = t.plate("against")
	c.Reference, c.ReferenceText = t.reading("reference", of, true)
	c.Found, c.FoundText = t.reading("found", of, true)
	if left, text := t.reading("left", of, false); text != "" {
		c.Left, c.LeftText = &left, text
	}
	if len(t.found.problems) > before {
		return c, false
	}
	for _, r := range []struct {
		key string
		q   *quantity.Quantity
	}{{"found", &c.Found}, {"left", c.Left}} {
		if r.q == nil {
			continue
		}
		if why := unlike(r.q.Unit, c.Reference.Unit); why != "" {
			t.problem(t.table.find(r.key).value.at, r.key, "write both readings as the same quantity", "%s of the reference and %s cannot be compared: %s", c.ReferenceText, r.q, why)
			return c, false
		}
	}
	if off := math.Abs(c.FoundOff()); math.IsInf(off, 0) || math.IsInf(c.LeftOff(), 0) {
		t.problem(t.table.find("found").value.at, "found", checksForm, "%s is too far from %s", c.FoundText, c.ReferenceText)
		return c, false
	}
	return c, true
}

// unlike says why two readings cannot be compared; empty: they can.
func unlike(a, b quantity.Unit) string {
	switch {
	case !measures(a, b):
		return fmt.Sprintf("one is %s, the other %s", named(b), named(a))
	case a.Basis != b.Basis:
		return "their flows refer to different air"
	}
	return ""
}

// reading reads one reading of the quantities.
func (t *section) reading(key string, of []quantity.Unit, needed bool) (quantity.Quantity, string) {
	if needed && t.need(key, checksForm) == nil {
		return quantity.Quantity{}, ""
	}
	text := t.text(key, "")
	e := t.table.find(key)
	if e == nil || e.value.kind != kindText {
		return quantity.Quantity{}, ""
	}
	q, err := quantity.Parse(text)
	switch {
	case err != nil:
		t.problem(e.value.at, key, readingForm, "%v", err)
	case len(of) > 0 && !slices.ContainsFunc(of, func(u quantity.Unit) bool { return measures(u, q.Unit) }):
		t.problem(e.value.at, key, readingForm, "%q is %s, and this instrument measures none", text, named(q.Unit))
	}
	return q, text
}

// measures reports a unit of what a channel in u measures.
func measures(u, of quantity.Unit) bool {
	return u.Dimension == of.Dimension && u.Absolute == of.Absolute
}

func named(u quantity.Unit) string {
	switch {
	case u.Dimension != quantity.Pressure:
		return "of the kind " + u.Dimension.String()
	case u.Absolute:
		return "an absolute pressure"
	}
	return "a gauge pressure"
}

// units are those of a device's channels; nil where not all are known.
func (d *Device) units() (all []quantity.Unit) {
	if d.Map == nil || d.Map.partial {
		return nil
	}
	for i := range d.Map.Channels {
		all = append(all, d.Map.Channels[i].Unit)
	}
	return all
}
