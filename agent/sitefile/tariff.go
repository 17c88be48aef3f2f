package sitefile

import (
	"strconv"
	"strings"
	"time"

	"loadscribe/agent/quantity"
)

// quarter is what the cells of stored summaries can tell apart, in minutes.
const quarter = 15

// DemandSlot is the shortest demand window, and the step of one that rolls:
// stored summaries hold slots of this length.
const DemandSlot = 5 * time.Minute

const ratchetForm = `write it like "80 % of 11 months"`

// Tariff is what energy costs. An empty Currency means that there is none.
type Tariff struct {
	Currency string
	// Energy are the prices. Exactly one of those that hold at a moment is the
	// narrowest, and counts: Price finds it.
	Energy []EnergyPrice
	Demand []DemandCharge // each is charged for itself
	// BillingDay is the day on which a billing month begins, 1-28.
	BillingDay int
	// Holidays count as Sundays.
	Holidays Holidays
	// PlantMeter is the channel of a meter of the whole plant, power or energy;
	// empty: none.
	PlantMeter        string
	EmissionsKgPerJ   float64
	EmissionsProvided bool
}

// EnergyPrice is a price per kWh in its period.
type EnergyPrice struct {
	Period
	PerKWh float64
}

// DemandCharge is a charge for the highest mean power of a billing month, over
// windows that begin in its period.
type DemandCharge struct {
	Period
	PerKW  float64       // a billing month
	Window time.Duration // whole demand slots; fixed ones divide a day
	// Rolling windows begin at every slot; fixed ones are aligned to the local
	// clock.
	Rolling bool
	// The demand charged for is at least RatchetShare of the highest of the
	// RatchetMonths billing months before; 0: no ratchet.
	RatchetShare  float64
	RatchetMonths int
}

func (l *loader) readTariff(root *section) {
	t := root.sub("tariff")
	l.site.Tariff.BillingDay = 1
	if t == nil {
		return
	}
	tariff := &l.site.Tariff
	tariff.Currency = t.text("currency", "")
	tariff.Holidays = t.holidays("holidays")
	tariff.BillingDay = int(t.integer("billing_day", 1, 1, 28, "write the day on which the meter is read, 1 to 28"))
	l.readEnergyPrices(t)
	l.readDemand(t)
	tariff.PlantMeter = l.plantMeter(t)
	if q, ok := t.quantity("emissions", quantity.EmissionFactor); ok {
		tariff.EmissionsKgPerJ, tariff.EmissionsProvided = q.SI(), true
		if q.Value < 0 {
			t.problem(t.table.find("emissions").value.at, "emissions", "write zero or more", "%s is below zero", q)
		}
	}
	priced := len(tariff.Energy) > 0
	for i := range tariff.Demand {
		priced = priced || tariff.Demand[i].PerKW > 0
	}
	if tariff.Currency == "" && priced {
		t.problem(t.table.at, "currency", `name it, like currency = "USD"`, "there are prices without a currency")
	}
	t.done()
}

func (l *loader) readEnergyPrices(t *section) {
	before := len(t.found.problems)
	taken := names{}
	var places []position
	for _, e := range t.subs("energy") {
		price, ok := e.price("price")
		p := EnergyPrice{Period: e.tariffPeriod(taken), PerKWh: price}
		e.done()
		if ok {
			l.site.Tariff.Energy = append(l.site.Tariff.Energy, p)
			places = append(places, e.table.at)
		}
	}
	all := l.site.Tariff.Energy
	for i := range all {
		if all[i].Name == "" {
			all[i].Name = all[i].words(len(all))
		}
	}
	if len(all) > 0 && len(t.found.problems) == before {
		t.checkPrices(all, places, !l.site.Tariff.Holidays.Empty())
	}
}

// readDemand reads one charge, or a list of them.
func (l *loader) readDemand(t *section) {
	e := t.table.find("demand")
	if e == nil {
		t.entry("demand")
		return
	}
	var list []*section
	if e.value.kind == kindTable {
		list = []*section{t.sub("demand")}
	} else {
		list = t.subs("demand")
	}
	taken := names{}
	for _, d := range list {
		c := DemandCharge{Window: quarter * time.Minute}
		c.PerKW, _ = d.price("price")
		c.Period = d.tariffPeriod(taken)
		c.readWindow(d)
		c.readRatchet(d)
		d.done()
		l.site.Tariff.Demand = append(l.site.Tariff.Demand, c)
	}
	for i := range l.site.Tariff.Demand {
		if c := &l.site.Tariff.Demand[i]; c.Name == "" {
			c.Name = c.words(1)
		}
	}
}

func (c *DemandCharge) readWindow(d *section) {
	const mend = `write it like "15m" or "30m"`
	c.Window = d.duration("window", c.Window, time.Minute, mend)
	c.Rolling = d.yes("rolling", false)
	e := d.table.find("window")
	switch {
	case e == nil:
	case c.Window%DemandSlot != 0 || c.Window > 24*time.Hour:
		d.problem(e.value.at, "window", mend, "a demand window is whole five minutes, at most a day")
	case !c.Rolling && 24*time.Hour%c.Window != 0:
		d.problem(e.value.at, "window", `write a part of a day like "15m", "30m" or "1h", or add rolling = true`,
			"windows of %v do not fit into a day", c.Window)
	}
}

func (c *DemandCharge) readRatchet(d *section) {
	text := d.text("ratchet", "")
	if text == "" {
		return
	}
	e := d.table.find("ratchet")
	share, rest, ok := strings.Cut(text, "%")
	percent, err := strconv.ParseFloat(strings.TrimSpace(share), 64)
	fields := strings.Fields(rest)
	if !ok || err != nil || len(fields) != 3 || fields[0] != "of" || fields[2] != "months" {
		d.problem(e.value.at, "ratchet", ratchetForm, "%q is not a share of months", text)
		return
	}
	months, err := strconv.Atoi(fields[1])
	if err != nil || months < 1 || months > 36 || !(percent > 0 && percent <= 100) {
		d.problem(e.value.at, "ratchet", ratchetForm, "%q: a share is over 0 to 100 %%, of 1 to 36 months", text)
		return
	}
	c.RatchetShare, c.RatchetMonths = percent/100, months
}

// plantMeter reads the channel of a meter of the whole plant. Devices and
// machines must have been read.
func (l *loader) plantMeter(t *section) string {
	const key = "plant_meter"
	id := t.text(key, "")
	if id == "" {
		return ""
	}
	v := t.table.find(key).value
	c, ok := l.channel(t, key, v)
	if !ok {
		return ""
	}
	if d := c.Unit.Dimension; c.Unit != (quantity.Unit{}) && d != quantity.Power && d != quantity.Energy {
		t.problem(v.at, key, "name a channel of power or energy", "%s has a unit of %s", id, d)
		return ""
	}
	for i := range l.site.Machines {
		m := &l.site.Machines[i]
		for role, its := range m.Roles {
			if its == id {
				t.problem(v.at, key, "name the meter of the whole plant, or leave the key out",
					"%s is the %s of machine %q", id, role, m.Name)
				return ""
			}
		}
	}
	return id
}

// price reads a required price of zero or more.
func (s *section) price(key string) (float64, bool) {
	if s.need(key, "write a number, like price = 0.118") == nil {
		return 0, false
	}
	before := len(s.found.problems)
	p := s.number(key, 0)
	if p < 0 {
		s.problem(s.table.find(key).value.at, key, "write zero or more", "%g is below zero", p)
	}
	return p, len(s.found.problems) == before
}

// yes reads true or false.
func (s *section) yes(key string, fallback bool) bool {
	e := s.entry(key)
	if e == nil {
		return fallback
	}
	if e.value.kind != kindBool {
		s.wrongKind(e.value, key, kindBool.String(), "write true or false, without quotes")
		return fallback
	}
	return e.value.text == "true"
}

// date reads a calendar date, in quotes or bare, or an empty text.
func (s *section) date(key string) string {
	e := s.entry(key)
	if e == nil {
		return ""
	}
	if e.value.kind != kindText && e.value.kind != kindDate {
		s.wrongKind(e.value, key, "a date", `write it like "2026-03-02"`)
		return ""
	}
	if e.value.text == "" {
		return ""
	}
	if _, err := time.Parse(time.DateOnly, e.value.text); err != nil {
		s.problem(e.value.at, key, `write it like "2026-03-02"`, "%q is not a date", e.value.text)
		return ""
	}
	return e.value.text
}

// Price is the price that counts at a moment; nil where the tariff has none.
func (t *Tariff) Price(local time.Time) *EnergyPrice {
	if i := t.priceAt(t.weekOf(local), local); i >= 0 {
		return &t.Energy[i]
	}
	return nil
}

func (t *Tariff) priceAt(w weekTime, local time.Time) int {
	best := -1
	for i := range t.Energy {
		p := &t.Energy[i].Period
		if p.onDate(local.Month(), local.Day()) && p.onWeek(w.today, w.yesterday, w.minute) &&
			(best < 0 || p.narrowness() > t.Energy[best].narrowness()) {
			best = i
		}
	}
	return best
}

// FineDemand reports whether demand needs slots shorter than a quarter hour.
func (t *Tariff) FineDemand() bool {
	for i := range t.Demand {
		if c := &t.Demand[i]; c.Rolling || c.Window%(quarter*time.Minute) != 0 {
			return true
		}
	}
	return false
}

// weekTime is a moment's place in the week of the tariff, where holidays are
// Sundays.
type weekTime struct {
	today, yesterday time.Weekday
	minute           int
}

func (t *Tariff) weekOf(local time.Time) weekTime {
	w := weekTime{local.Weekday(), (local.Weekday() + 6) % 7, local.Hour()*60 + local.Minute()}
	if t.Holidays.Empty() {
		return w
	}
	if t.Holidays.On(local) {
		w.today = time.Sunday
	}
	y, m, d := local.Date()
	if t.Holidays.On(time.Date(y, m, d-1, 12, 0, 0, 0, time.UTC)) {
		w.yesterday = time.Sunday
	}
	return w
}

// BillingMonth is the billing month that holds a moment, half open.
func (s *Site) BillingMonth(at time.Time) (from, to time.Time) {
	begins := max(1, s.Tariff.BillingDay)
	y, m, d := at.In(s.Location).Date()
	if d < begins {
		m--
	}
	day := func(m time.Month) time.Time { return time.Date(y, m, begins, 0, 0, 0, 0, s.Location) }
	return day(m), day(m + 1)
}

// BillingMonths is how many billing months a span is: of each that it touches, the
// share that lies in it.
func (s *Site) BillingMonths(from, to time.Time) (months float64) {
	for at := from; at.Before(to); {
		begin, end := s.BillingMonth(at)
		until := end
		if to.Before(end) {
			until = to
		}
		months += until.Sub(at).Hours() / end.Sub(begin).Hours()
		at = end
	}
	return months
}

// quartersPerDay is how many quarter hours the clock shows in a day.
const quartersPerDay = minutesPerDay / quarter

// PricesOn is which of Energy counts at each quarter hour of the clock on the
// date of day, in day's own zone; -1: none.
func (t *Tariff) PricesOn(day time.Time) [quartersPerDay]int16 {
	w := t.weekOf(day)
	var all [quartersPerDay]int16
	for q := range all {
		w.minute = q * quarter
		all[q] = int16(t.priceAt(w, day))
	}
	return all
}

// AppliesOn is whether a demand window counts for the charge that begins at
// each quarter hour of the clock, or in it, on the date of day.
func (t *Tariff) AppliesOn(c *DemandCharge, day time.Time) [quartersPerDay]bool {
	w := t.weekOf(day)
	var all [quartersPerDay]bool
	for q := range all {
		all[q] = c.OnDate(day) && c.onWeek(w.today, w.yesterday, q*quarter)
	}
	return all
}
