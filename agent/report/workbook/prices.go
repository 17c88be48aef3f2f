package workbook

import (
	"fmt"
	"strconv"
	"strings"

	"loadscribe/agent/analysis"
)

// priceCells are where a reader changes prices: cells of the sheet Prices by the name of
// a period of the tariff, or of a demand charge.
type priceCells struct{ energy, demand map[string]string }

const noPrices = "the site file has no prices: [tariff] gives them"

// priceSheet lists the prices of the tariff, each in a cell that may be changed.
func (b *book) priceSheet(s *sheet) error {
	b.prices = priceCells{energy: map[string]string{}, demand: map[string]string{}}
	s.head(1, column{"what", 40}, column{"price", 14}, column{"unit", 14}, column{"in the site file", 16}, column{"", 60})
	for _, sub := range b.subjects() {
		b.pricesOf(s, sub.table("energy_by_period"), "energy, ", b.prices.energy, periodOf)
		b.pricesOf(s, sub.table("demand_by_month"), "demand, ", b.prices.demand, chargeOf)
	}
	if len(b.prices.energy)+len(b.prices.demand) == 0 {
		s.put(cell{noPrices, look{}})
		return nil
	}
	s.put()
	s.put(cell{"The framed cells may be changed; the sheet Cost follows them.", look{strong: true}})
	return nil
}

// pricesOf writes a row for each price of a table that has none yet.
func (b *book) pricesOf(s *sheet, t *analysis.Table, what string, cells map[string]string, nameOf func(string) string) {
	if t == nil {
		return
	}
	for i := range t.Rows {
		r := &t.Rows[i]
		price, name := at(t, r, "price"), nameOf(r.Name)
		if price == nil || cells[name] != "" {
			continue
		}
		unit := ""
		for _, c := range t.Columns {
			if c.Name == "price" {
				unit = c.Unit
			}
		}
		row := s.put(cell{what + name, look{}}, cell{price, look{format: "0.0000", input: true}}, cell{unit, look{}}, cell{price, look{format: "0.0000"}})
		cells[name] = fmt.Sprintf("Prices!$B$%d", row)
	}
}

// periodOf is the name of a period of the tariff: that of its row.
func periodOf(row string) string { return row }

// chargeOf is the name of a demand charge: its row's without the month.
func chargeOf(row string) string {
	if _, charge, ok := strings.Cut(row, ", "); ok {
		return charge
	}
	return row
}

// costSheet reckons each subject's money from its energy and the prices.
func (b *book) costSheet(s *sheet) error {
	currency := b.data.Site.Tariff.Currency
	s.head(2, column{"of", 20}, column{"what", 40}, column{"energy [kWh] or demand [kW]", 16}, column{"± (95 %)", 12}, column{"price", 12},
		column{"share of the month", 12}, column{"at these prices [" + currency + "]", 16}, column{"in the report [" + currency + "]", 16}, column{"", 70})
	any := false
	for _, sub := range b.subjects() {
		any = b.costOf(s, &sub) || any
	}
	if !any {
		s.put(cell{noPrices + ", or no energy is known", look{}})
	}
	return nil
}

// costOf writes one subject's costs and reports whether it has any.
func (b *book) costOf(s *sheet, sub *subject) bool {
	sums := map[string]string{} // rows, by the figure of a year that follows from them
	for _, part := range []struct {
		table, sum, figure string
		cells              map[string]string
		row                func(t *analysis.Table, r *analysis.Row, n int) (what string, amount, spread, share *float64, says string)
	}{
		{"energy_by_period", "energy, all", "energy_cost", b.prices.energy, func(t *analysis.Table, r *analysis.Row, n int) (string, *float64, *float64, *float64, string) {
			return periodOf(r.Name), at(t, r, "energy"), at(t, r, "uncertainty"), nil, fmt.Sprintf("C%d*E%d", n, n)
		}},
		{"demand_by_month", "demand, all", "demand_cost", b.prices.demand, func(t *analysis.Table, r *analysis.Row, n int) (string, *float64, *float64, *float64, string) {
			return chargeOf(r.Name), at(t, r, "own part"), nil, at(t, r, "share of the month"), fmt.Sprintf("C%d*E%d*F%d", n, n, n)
		}},
	} {
		t := sub.table(part.table)
		if t == nil {
			continue
		}
		first := s.row
		for i := range t.Rows {
			r := &t.Rows[i]
			what, amount, spread, share, says := part.row(t, r, s.row)
			price, cost := at(t, r, "price"), at(t, r, "cost")
			if price == nil || part.cells[what] == "" {
				continue
			}
			s.put(cell{sub.name, look{}}, cell{r.Name, look{}}, cell{amount, decimals(3)}, cell{spread, decimals(3)},
				cell{formula{part.cells[what], price}, look{format: "0.0000"}}, cell{share, look{format: "0.0000"}}, cell{formula{says, cost}, moneyLook},
				cell{cost, moneyLook}, cell{r.Note, look{}})
		}
		if s.row == first {
			continue
		}
		total := sub.figure(part.figure)
		var in *float64
		if total != nil {
			in = total.Value
		}
		strong := look{format: moneyLook.format, strong: true}
		sum := s.put(cell{sub.name, look{strong: true}}, cell{part.sum, look{strong: true}}, cell{}, cell{}, cell{}, cell{},
			cell{formula{fmt.Sprintf("SUM(G%d:G%d)", first, s.row-1), in}, strong}, cell{in, strong})
		sums[part.figure+"_year"] = strconv.Itoa(sum)
	}
	if len(sums) == 0 {
		return false
	}
	b.yearOf(s, sub, sums)
	s.put()
	return true
}

// yearOf brings the money of a subject to a year, each kind in the proportion of the
// report's year to the report's window.
func (b *book) yearOf(s *sheet, sub *subject, sums map[string]string) {
	strong := look{format: moneyLook.format, strong: true}
	for i := range b.doc.Year {
		if b.doc.Year[i].Subject != sub.name {
			continue
		}
		for j := range b.doc.Year[i].Figures {
			f := &b.doc.Year[i].Figures[j]
			sum := sums[f.Name]
			if sum == "" || f.Value == nil {
				continue
			}
			says := fmt.Sprintf("IF(H%s=0,0,H%d*G%s/H%s)", sum, s.row, sum, sum)
			s.put(cell{sub.name, look{strong: true}}, cell{strings.ReplaceAll(f.Name, "_", " "), look{strong: true}}, cell{}, cell{f.Uncertainty, moneyLook}, cell{}, cell{},
				cell{formula{says, f.Value}, strong}, cell{f.Value, strong}, cell{f.Method, look{}})
		}
	}
}
