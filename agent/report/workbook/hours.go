package workbook

import (
	"fmt"
	"time"

	"github.com/xuri/excelize/v2"

	"loadscribe/agent/analysis"
)

func unixMS(ms int64) time.Time { return time.UnixMilli(ms).UTC() }

// intervalSheet has each machine's quarter hours, and its days as formulas of them.
func (b *book) intervalSheet(s *sheet) error {
	columns := []column{{"machine", 16}, {"from", 22}, {"from, UTC", 20}, {"observed [s]", 10}}
	for _, st := range states() {
		columns = append(columns, column{st + " [s]", 10})
	}
	energy := len(columns)
	columns = append(columns, column{"energy [kWh]", 12}, column{"starts", 8}, column{"load cycles", 8})
	s.head(2, columns...)
	var spans []span
	for i := range b.data.Site.Machines {
		name := b.data.Site.Machines[i].Name
		if all := b.data.Intervals[name]; len(all) > 0 {
			first := s.row
			for j := range all {
				b.interval(s, name, &all[j])
			}
			spans = append(spans, span{name, first, s.row - 1, all})
		}
	}
	if len(spans) == 0 {
		s.put(cell{"nothing was recorded of a machine", look{}})
		return nil
	}
	b.file.SetActiveSheet(0)
	return b.days(s, energy, spans)
}

// span are one machine's rows.
type span struct {
	machine     string
	first, last int
	all         []analysis.Interval
}

func (b *book) interval(s *sheet, machine string, c *analysis.Interval) {
	local, utc := b.times(c.Start)
	row := []cell{{machine, look{}}, local, utc, {c.ObservedS, decimals(0)}}
	for _, st := range states() {
		row = append(row, cell{c.States[st], decimals(0)})
	}
	s.put(append(row, cell{c.EnergyKWh, decimals(3)}, cell{c.Starts, decimals(0)}, cell{c.LoadCycles, decimals(0)})...)
}

// days puts the sums of each day below, as formulas, with a picture of the energy.
func (b *book) days(s *sheet, energy int, spans []span) error {
	s.put()
	s.put(cell{"by day", look{head: true}}, cell{"day", look{head: true}}, cell{"", look{head: true}}, cell{"energy [kWh]", look{head: true}}, cell{"starts", look{head: true}}, cell{"load cycles", look{head: true}})
	for _, sp := range spans {
		first := s.row
		for _, d := range b.daysOf(sp.all) {
			sum := func(column int, comes float64) cell {
				cells := func(c int) string {
					return fmt.Sprintf("$%s$%d:$%s$%d", letter(c), sp.first, letter(c), sp.last)
				}
				return cell{formula{fmt.Sprintf("SUMIFS(%s,%s,\">=\"&$B%d,%s,\"<\"&($B%d+1))", cells(column), cells(1), s.row, cells(1), s.row), &comes}, decimals(2)}
			}
			s.put(cell{sp.machine, look{}}, cell{d.begin, look{format: "ddd yyyy-mm-dd"}}, cell{}, sum(energy, d.kWh), sum(energy+1, d.starts), sum(energy+2, d.loads))
		}
		last := s.row - 1
		total := func(column string, comes float64) cell {
			return cell{formula{fmt.Sprintf("SUM(%s%d:%s%d)", column, first, column, last), &comes}, look{format: "#,##0.00", strong: true}}
		}
		var kWh, starts, loads float64
		for _, d := range b.daysOf(sp.all) {
			kWh, starts, loads = kWh+d.kWh, starts+d.starts, loads+d.loads
		}
		s.put(cell{sp.machine, look{strong: true}}, cell{"all", look{strong: true}}, cell{}, total("D", kWh), total("E", starts), total("F", loads))
		s.chart(fmt.Sprintf("H%d", first), &excelize.Chart{Type: excelize.Col, Series: []excelize.ChartSeries{s.series("energy of "+sp.machine, 1, 3, first, last)},
			Title: title("Energy by day, " + sp.machine), XAxis: axis(""), YAxis: axis("kWh")}, 700)
		s.row = max(s.row, first+19)
	}
	return nil
}

// day are the sums of a day of the site.
type day struct {
	begin              time.Time
	kWh, starts, loads float64
}

func (b *book) daysOf(all []analysis.Interval) (days []day) {
	for i := range all {
		t, err := time.Parse(time.RFC3339Nano, all[i].Start)
		if err != nil {
			continue
		}
		t = t.In(b.zone)
		begin := time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC)
		if len(days) == 0 || !days[len(days)-1].begin.Equal(begin) {
			days = append(days, day{begin: begin})
		}
		d := &days[len(days)-1]
		if all[i].EnergyKWh != nil {
			d.kWh += *all[i].EnergyKWh
		}
		d.starts += float64(all[i].Starts)
		d.loads += float64(all[i].LoadCycles)
	}
	return days
}
