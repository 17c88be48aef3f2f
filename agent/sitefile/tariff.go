package sitefile

import (
	"time"

	"loadscribe/agent/quantity"
)

// quarter is what the cells of stored summaries can tell apart.
const quarter = 15

func (l *loader) readTariff(root *section) {
	t := root.sub("tariff")
	l.site.Tariff.DemandWindow = 15 * time.Minute
	if t == nil {
		return
	}
	tariff := &l.site.Tariff
	tariff.Currency = t.text("currency", "")
	always := false
	for _, e := range t.subs("energy") {
		price, ok := e.price("price")
		when := e.windows("when")
		for _, w := range when {
			if w.FromMinute%quarter != 0 || w.UntilMinute%quarter != 0 {
				e.problem(e.table.find("when").value.at, "when",
					"round it to :00, :15, :30 or :45", "%q is not on quarter hours", w.Text)
			}
		}
		e.done()
		always = always || len(when) == 0
		if ok {
			tariff.Energy = append(tariff.Energy, EnergyPrice{PerKWh: price, When: when})
		}
	}
	if len(tariff.Energy) > 0 && !always {
		t.warn(t.table.find("energy").at, "energy", "add an entry without \"when\"",
			"outside its windows energy has no price, so that its cost will be absent")
	}
	if d := t.sub("demand"); d != nil {
		tariff.DemandPrice, _ = d.price("price")
		tariff.DemandWindow = d.duration("window", tariff.DemandWindow, time.Minute, `write it like "15m" or "30m"`)
		if tariff.DemandWindow%time.Minute != 0 || tariff.DemandWindow > 24*time.Hour {
			d.problem(d.table.find("window").value.at, "window", `write it like "15m" or "30m"`,
				"a demand window is whole minutes, at most a day")
		}
		d.done()
	}
	if q, ok := t.quantity("emissions", quantity.EmissionFactor); ok {
		tariff.EmissionsKgPerJ, tariff.EmissionsProvided = q.SI(), true
		if q.Value < 0 {
			t.problem(t.table.find("emissions").value.at, "emissions", "write zero or more", "%s is below zero", q)
		}
	}
	if tariff.Currency == "" && (len(tariff.Energy) > 0 || tariff.DemandPrice > 0) {
		t.problem(t.table.at, "currency", `name it, like currency = "USD"`, "there are prices without a currency")
	}
	t.done()
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
