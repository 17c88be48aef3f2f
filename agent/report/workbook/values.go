package workbook

import (
	"math"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
)

// shown is a value, or where spread is set a difference or an uncertainty, of a unit of
// the API in the site's.
func (b *book) shown(v *float64, unit string, spread bool) *float64 {
	if v == nil {
		return nil
	}
	_, factor, offset := b.units.Display(unit)
	out := float64(*v * factor)
	if spread {
		out = math.Abs(out)
	} else {
		out += offset
	}
	return &out
}

// unitOf is the site's name of a unit; empty for plain numbers.
func (b *book) unitOf(unit string) string {
	symbol, _, _ := b.units.Display(unit)
	if symbol == "1" {
		return ""
	}
	return symbol
}

// lookOf is how a value of a unit looks.
func lookOf(v *float64, unit string) look {
	switch {
	case display.IsMoney(unit):
		return moneyLook
	case v == nil:
		return look{}
	case unit == "1" && *v == math.Trunc(*v):
		return decimals(0)
	}
	return decimals(placesOf(*v))
}

// number is a cell of a value in the site's units.
func (b *book) number(v *float64, c analysis.Column) cell {
	out := b.shown(v, c.Unit, display.IsSpread(&c))
	return cell{out, lookOf(out, c.Unit)}
}

// times are two cells: a stamp of RFC 3339 in the site's zone and in UTC.
func (b *book) times(stamp string) (local, utc cell) {
	t, err := time.Parse(time.RFC3339Nano, stamp)
	if err != nil {
		return cell{stamp, look{}}, cell{}
	}
	return b.moment(t)
}

func (b *book) moment(t time.Time) (local, utc cell) {
	return cell{t.In(b.zone), dateLook}, cell{t.UTC(), timeLook}
}

// subjects are the machines and systems with their figures and tables, in the order of
// the report.
func (b *book) subjects() (all []subject) {
	for i := range b.data.Figures.Machines {
		m := &b.data.Figures.Machines[i]
		all = append(all, subject{"machine " + m.Machine, m.Figures, m.Tables})
	}
	for i := range b.data.Figures.Systems {
		s := &b.data.Figures.Systems[i]
		all = append(all, subject{"system " + s.System, s.Figures, s.Tables})
	}
	return all
}

type subject struct {
	name    string
	figures []analysis.Figure
	tables  []analysis.Table
}

// figure is one of a subject's, nil where it has none of that name.
func (s *subject) figure(name string) *analysis.Figure {
	for i := range s.figures {
		if s.figures[i].Name == name {
			return &s.figures[i]
		}
	}
	return nil
}

// table is one of a subject's, nil where it has none of that name.
func (s *subject) table(name string) *analysis.Table {
	for i := range s.tables {
		if s.tables[i].Name == name {
			return &s.tables[i]
		}
	}
	return nil
}

// at is a row's value in the column of that name; nil: none.
func at(t *analysis.Table, r *analysis.Row, column string) *float64 {
	for i := range t.Columns {
		if t.Columns[i].Name == column && i < len(r.Values) {
			return r.Values[i]
		}
	}
	return nil
}
