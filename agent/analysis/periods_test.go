package analysis

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

func fieldIn(err error) string {
	if wrong := (*CompareError)(nil); errors.As(err, &wrong) {
		return wrong.Field
	}
	return ""
}

// twoHours is an hour at 36 kW and one at 30 kW, by one meter of 1 % of reading.
func twoHours(t *testing.T) (*sitefile.Site, *memory, PeriodsQuery) {
	t.Helper()
	site := plant(t)
	delete(site.Machines[0].Roles, scan.Energy)
	tp := newTape(site, monday)
	steady(tp, 0, 7201, func(sec int64) int64 {
		if sec < 3600 {
			return 360
		}
		return 300
	})
	return site, fold(site, tp.scans), PeriodsQuery{Machine: "comp1", First: Span{monday, monday + hourMS}, Second: Span{monday + hourMS, monday + 2*hourMS}, NowMS: farFuture}
}

func (p *Periods) row(t *testing.T, name string) *PeriodRow {
	t.Helper()
	at := slices.IndexFunc(p.Rows, func(r PeriodRow) bool { return r.Name == name })
	if at < 0 {
		t.Fatalf("no row %s", name)
	}
	return &p.Rows[at]
}

// TestPeriodsShareTheirMeter is worked by hand from u²(y-x) = u²(x) + u²(y) - 2u(x,y)
// (JCGM 100:2008, 5.2.2, from memory): 864 and 720 kWh a day, each ±1 % of reading
// (rectangular: 1/√3 % standard). A fifth of the error is each period's own (assumed,
// common practice), √(1-0.2²) of it moves both in proportion; the readings' step of
// 0.1 kW is rounded by itself in each: 24 h of 0.1/√12 kW.
func TestPeriodsShareTheirMeter(t *testing.T) {
	site, src, q := twoHours(t)
	p, err := PeriodsOf(src, site, q)
	if err != nil {
		t.Fatal(err)
	}
	r := p.row(t, "energy")
	check(t, r.Difference, -144, 0.3)
	const gain = 0.01 / 1.7320508
	shared := math.Sqrt(1-0.04) * gain * 144
	own := 0.2 * gain * math.Hypot(864, 720)
	step := 24 * 0.1 / math.Sqrt(12) * math.Sqrt2
	if want := 2 * math.Hypot(math.Hypot(shared, own), step); math.Abs(*r.Difference.Uncertainty-want) > 0.02*want {
		t.Errorf("uncertainty %.3f kWh a day, want %.3f", *r.Difference.Uncertainty, want)
	}
	if !r.Told || !strings.Contains(r.Difference.Note, moreThanWrong) || math.Abs(*r.Share+144.0/864) > 1e-3 {
		t.Errorf("told %v, %q, share %g; want a sixth less, told", r.Told, r.Difference.Note, *r.Share)
	}
	// The two figures are those of /figures, and what a day had follows from them.
	rep := mustCompute(t, src, site, monday, monday+hourMS)
	if want := figureOf(t, rep, "energy"); asJSON(t, want) != asJSON(t, r.First) {
		t.Errorf("the first period's energy is not that of its window: %s", asJSON(t, r.First))
	}
	if got, want := *r.FirstPerDay, 24**r.First.Value; math.Abs(got-want) > 1e-9 {
		t.Errorf("%g kWh a day, want %g", got, want)
	}
	if load := p.row(t, "loaded_share"); load.Told || load.Difference.Note != withinWrong {
		t.Errorf("loaded throughout both hours, and told apart: %s", asJSON(t, load.Difference))
	}
	if !strings.Contains(p.Sentence, "kWh less in the second period, "+moreThanWrong) {
		t.Errorf("sentence %q", p.Sentence)
	}
	// Where the meter was changed in between nothing cancels.
	q.Changes = []SettingChange{{Text: "meter.toml: scale", Meters: true}}
	if p, err = PeriodsOf(src, site, q); err != nil {
		t.Fatal(err)
	}
	if got, want := *p.row(t, "energy").Difference.Uncertainty, 2*math.Hypot(gain*math.Hypot(864, 720), step); math.Abs(got-want) > 0.02*want {
		t.Errorf("with another meter the uncertainty is %.3f, want %.3f", got, want)
	}
	if !slices.ContainsFunc(p.Remarks, func(s string) bool { return strings.Contains(s, "meter.toml: scale") }) {
		t.Errorf("the change is not said: %q", p.Remarks)
	}
}

// TestPeriodsSwapped: the other way round every difference changes its sign, and
// nothing else.
func TestPeriodsSwapped(t *testing.T) {
	site, src, q := twoHours(t)
	a, err := PeriodsOf(src, site, q)
	if err != nil {
		t.Fatal(err)
	}
	q.First, q.Second = q.Second, q.First
	b, err := PeriodsOf(src, site, q)
	if err != nil {
		t.Fatal(err)
	}
	if len(a.Rows) != len(b.Rows) || a.Command != b.Command {
		t.Fatalf("%d and %d rows; %q and %q", len(a.Rows), len(b.Rows), a.Command, b.Command)
	}
	for i := range a.Rows {
		x, y := &a.Rows[i], &b.Rows[i]
		if x.Difference.Value == nil {
			continue
		}
		if *x.Difference.Value != -*y.Difference.Value || math.Abs(*x.Difference.Uncertainty-*y.Difference.Uncertainty) > 1e-12 || x.Told != y.Told {
			t.Errorf("%s: %g ± %g and %g ± %g", x.Name, *x.Difference.Value, *x.Difference.Uncertainty, *y.Difference.Value, *y.Difference.Uncertainty)
		}
	}
}

// TestPeriodsInPart: what was not observed is no zero: a day's energy is that of the
// observed time, and it is said.
func TestPeriodsInPart(t *testing.T) {
	p := partly(t, 6200)
	r := p.row(t, "energy")
	if !r.Second.AtLeast || math.Abs(*r.SecondPerDay-864) > 2 || r.Told {
		t.Errorf("half an hour lost: %s", asJSON(t, r))
	}
	if !slices.ContainsFunc(p.Remarks, func(s string) bool { return strings.Contains(s, "Of the second period 52 % was observed") }) {
		t.Errorf("remarks %q", p.Remarks)
	}
	// Less than half of a period says nothing of it.
	p = partly(t, 6500)
	if r = p.row(t, "energy"); r.Difference.Value != nil || !strings.Contains(r.Difference.Absent, "of the second period 44 % was observed") {
		t.Errorf("most of the hour lost: %s", asJSON(t, r.Difference))
	}
	if !strings.HasPrefix(p.Sentence, "Nothing can be compared") {
		t.Errorf("sentence %q", p.Sentence)
	}
}

// partly is two hours of 36 kW, of the second of which a part from 900 s on is lost.
func partly(t *testing.T, lost int64) *Periods {
	t.Helper()
	site := plant(t)
	delete(site.Machines[0].Roles, scan.Energy)
	tp := newTape(site, monday)
	for sec := int64(0); sec <= 7200; sec++ {
		if sec > 4500 && sec < lost {
			tp.bad("controller", sec*1000, scan.Timeout)
			tp.bad("meter", sec*1000, scan.Timeout)
			continue
		}
		tp.add("controller", sec*1000, 1, 1, 0, 0, 6500, 41)
		tp.add("meter", sec*1000, 360, 0)
	}
	p, err := PeriodsOf(fold(site, tp.scans), site, PeriodsQuery{First: Span{monday, monday + hourMS}, Second: Span{monday + hourMS, monday + 2*hourMS}, NowMS: farFuture})
	if err != nil {
		t.Fatal(err)
	}
	return &p
}

func TestPeriodsRefuse(t *testing.T) {
	site, src, good := twoHours(t)
	for _, c := range []struct {
		name, field string
		change      func(*PeriodsQuery)
	}{
		{"overlap", "second", func(q *PeriodsQuery) { q.Second.FromMS -= 1 }},
		{"empty first", "first", func(q *PeriodsQuery) { q.First.ToMS = q.First.FromMS }},
		{"second to come", "second", func(q *PeriodsQuery) { q.NowMS = monday + hourMS }},
		{"no such machine", "machine", func(q *PeriodsQuery) { q.Machine = "comp9" }},
	} {
		q := good
		c.change(&q)
		if _, err := PeriodsOf(src, site, q); fieldIn(err) != c.field {
			t.Errorf("%s: %v, want one of %q", c.name, err, c.field)
		}
	}
}

// TestUnlikeDays: a week beside a week is like it, a weekend is not.
func TestUnlikeDays(t *testing.T) {
	week := Period{DayTypes: []PeriodDays{{workday, 5}, {offDay, 2}}}
	two := Period{DayTypes: []PeriodDays{{workday, 10}, {offDay, 4}}}
	weekend := Period{DayTypes: []PeriodDays{{offDay, 2}}}
	if unlikeDays(&week, &two) || !unlikeDays(&week, &weekend) || !unlikeDays(&weekend, &week) {
		t.Error("a week, two weeks and a weekend are told apart wrongly")
	}
	if got, want := dayList(&week), "5 days of the type workday and 2 of the type off-day"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}
