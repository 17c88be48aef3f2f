package analysis

import (
	"math"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

const serviceDays = 35

// serviced is a plant that is read every five minutes, whose machine runs eight
// hours on working days: 40 h a week. Its hour meter began at 21480.4 h.
func serviced(t *testing.T, meter bool) (*sitefile.Site, *tape) {
	t.Helper()
	const every = 5 * time.Minute
	site := plant(t)
	for i := range site.Devices {
		site.Devices[i].Every = every
		for j := range site.Devices[i].Map.Channels {
			site.Devices[i].Map.Channels[j].Every = every
		}
	}
	delete(site.Machines[0].Roles, scan.StartCount)
	if meter {
		site.Devices[0].Map.Channels[5] = mapChannel(t, "starts", scan.RunHours, "u32", 0.1, "h", every)
		site.Machines[0].Roles[scan.RunHours] = "controller.starts"
	}
	site.Machines[0].Service = []sitefile.ServiceItem{{Item: "oil", Hours: 4000, Months: 12}, {Item: "air filter", Hours: 200}, {Item: "belt", Months: 6}}
	tp := newTape(site, monday)
	ran := 0.0 // h
	for ms := int64(0); ms <= serviceDays*dayMS; ms += every.Milliseconds() {
		running := int64(0)
		if day, hour := ms/dayMS%7, ms%dayMS/hourMS; day < 5 && hour >= 8 && hour < 16 {
			running = 1
		}
		tp.add("controller", ms, running, running, 0, 0, 7000, int64(math.Floor(214_804+10*ran+1e-6)))
		ran += float64(running) / 12
	}
	return site, tp
}

// due is the service of a record, by item.
func due(t *testing.T, site *sitefile.Site, tp *tape, done ...ServiceDone) (MachineService, map[string]ServiceItem) {
	t.Helper()
	all, err := Service(fold(site, tp.scans), site, done, monday+serviceDays*dayMS+1)
	if err != nil {
		t.Fatal(err)
	}
	items := map[string]ServiceItem{}
	for _, it := range all[0].Items {
		items[it.Item] = it
	}
	return all[0], items
}

func dayOfStamp(t *testing.T, text string) float64 {
	t.Helper()
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		t.Fatalf("%q: %v", text, err)
	}
	return float64(at.UnixMilli()-monday) / float64(dayMS)
}

// TestServiceDue: worked by hand. 40 h a week are 5.714 h a day. A filter of 200 h
// that was changed after the first week has run 160 h, and the 40 left take a
// week; oil of 4000 h at that pace takes 700 days, so that its 12 months end
// first. Hours or months, whichever comes first: common practice, no source.
func TestServiceDue(t *testing.T) {
	for _, meter := range []bool{true, false} {
		site, tp := serviced(t, meter)
		m, items := due(t, site, tp, ServiceDone{Machine: "comp1", Item: "air filter", AtMS: monday, Note: 1},
			ServiceDone{Machine: "comp1", Item: "air filter", AtMS: monday + 7*dayMS, Note: 2},
			ServiceDone{Machine: "comp1", Item: "oil", AtMS: monday, Note: 3},
			ServiceDone{Machine: "other", Item: "belt", AtMS: monday, Note: 4})
		if m.HoursPerDay == nil || math.Abs(*m.HoursPerDay-40.0/7) > 0.03 {
			t.Fatalf("meter %v: %v h a day, want 5.714 (%s)", meter, m.HoursPerDay, m.RateAbsent)
		}
		if meter && (m.HourMeter == nil || math.Abs(*m.HourMeter-21_680.4) > 0.11) {
			t.Errorf("hour meter %v, want 21680.4", m.HourMeter)
		}
		f := items["air filter"]
		if f.Note != 2 || f.HoursSince == nil || math.Abs(*f.HoursSince-160) > 0.6 || f.AtLeast || f.By != "hours" {
			t.Fatalf("meter %v: filter %+v", meter, f)
		}
		if at := dayOfStamp(t, f.Due); math.Abs(at-(serviceDays+7)) > 0.2 {
			t.Errorf("meter %v: filter due on day %.2f, want %d", meter, at, serviceDays+7)
		}
		if early, late := dayOfStamp(t, f.Earliest), dayOfStamp(t, f.Latest); early >= serviceDays+7 || late <= serviceDays+7 || early < serviceDays || f.Overdue {
			t.Errorf("meter %v: filter between day %.2f and %.2f: %+v", meter, early, late, f)
		}
		oil := items["oil"]
		if oil.By != "months" || !strings.HasPrefix(oil.Due, "2025-03-04T00:00") || oil.Earliest != "" { // monday is 4 March 2024
			t.Errorf("oil %+v", oil)
		}
		if b := items["belt"]; b.Due != "" || !strings.Contains(b.Absent, "write a note that names this item") {
			t.Errorf("belt, of which no note tells: %+v", b)
		}
	}
}

// TestServiceOfAShortRecord: two days do not tell how the days differ.
func TestServiceOfAShortRecord(t *testing.T) {
	site, tp := serviced(t, true)
	tp.scans = tp.scans[:2*288+1]
	all, err := Service(fold(site, tp.scans), site, nil, monday+2*dayMS+1)
	if err != nil {
		t.Fatal(err)
	}
	if m := all[0]; m.HoursPerDay == nil || math.Abs(*m.HoursPerDay-8) > 0.1 || math.Abs(*m.Uncertainty-*m.HoursPerDay) > 1e-9 {
		t.Errorf("%+v", m)
	}
}

// TestServiceBeforeTheRecord: with the meter's reading of that day the hours are
// exact; without, at least what was recorded; a meter that went back says so.
func TestServiceBeforeTheRecord(t *testing.T) {
	site, tp := serviced(t, true)
	mark := ServiceDone{Machine: "comp1", Item: "air filter", AtMS: monday - 30*dayMS}
	_, items := due(t, site, tp, mark)
	if f := items["air filter"]; !f.AtLeast || f.HoursSince == nil || math.Abs(*f.HoursSince-200) > 0.6 {
		t.Errorf("without a meter reading: %+v", f)
	}
	at := 21_400.0
	mark.HourMeter = &at
	_, items = due(t, site, tp, mark)
	f := items["air filter"]
	if f.AtLeast || f.HoursSince == nil || math.Abs(*f.HoursSince-280.4) > 0.11 || !f.Overdue || f.By != "hours" {
		t.Errorf("with one: %+v", f)
	}
	at = 21_680.9 // rounded up by half an hour when it was written down
	_, items = due(t, site, tp, mark)
	if f := items["air filter"]; f.HoursSince == nil || *f.HoursSince != 0 || f.Absent != "" {
		t.Errorf("a reading rounded up: %+v", f)
	}
	at = 30_000
	_, items = due(t, site, tp, mark)
	if f := items["air filter"]; f.HoursSince != nil || f.Due != "" || !strings.Contains(f.Absent, "less than") {
		t.Errorf("a meter that went back: %+v", f)
	}
}

// TestServiceOverAGap: a meter counts on while nobody looks; without one it is "at
// least".
func TestServiceOverAGap(t *testing.T) {
	for _, meter := range []bool{true, false} {
		site, tp := serviced(t, meter)
		kept := tp.scans[:0]
		for _, s := range tp.scans { // two days of a week are missing
			if d := (s.WallMS - monday) / dayMS; d != 15 && d != 16 {
				kept = append(kept, s)
			}
		}
		tp.scans = kept
		_, items := due(t, site, tp, ServiceDone{Machine: "comp1", Item: "air filter", AtMS: monday + 7*dayMS})
		f := items["air filter"]
		want := 160.0
		if !meter {
			want = 144
		}
		if f.HoursSince == nil || math.Abs(*f.HoursSince-want) > 0.7 || f.AtLeast == meter {
			t.Errorf("meter %v: %+v, want %g h", meter, f, want)
		}
	}
}

// TestServiceMonthsEnd: a month after the 31st is the last of a shorter month, not
// a day of the next.
func TestServiceMonthsEnd(t *testing.T) {
	site := plant(t)
	b := &serviceBook{site: site}
	for _, c := range []struct {
		from   string
		months float64
		want   string
	}{{"2025-01-31", 1, "2025-02-28"}, {"2024-08-31", 6, "2025-02-28"}, {"2024-02-29", 12, "2025-02-28"}, {"2025-01-15", 1, "2025-02-15"}, {"2025-11-30", 3, "2026-02-28"}} {
		at, err := time.Parse(time.DateOnly, c.from)
		if err != nil {
			t.Fatal(err)
		}
		if got := time.UnixMilli(b.afterMonths(at.UnixMilli(), c.months)).UTC().Format(time.DateOnly); got != c.want {
			t.Errorf("%s and %g months: %s, want %s", c.from, c.months, got, c.want)
		}
	}
}

// TestServiceWithoutADate: where no date by hours can be told the item says so,
// and one by months stands.
func TestServiceWithoutADate(t *testing.T) {
	site, tp := serviced(t, true)
	tp.scans = tp.scans[:200] // 16 hours: less than a day
	all, err := Service(fold(site, tp.scans), site, []ServiceDone{{Machine: "comp1", Item: "oil", AtMS: monday}, {Machine: "comp1", Item: "air filter", AtMS: monday}}, monday+hourMS*16)
	if err != nil {
		t.Fatal(err)
	}
	for _, it := range all[0].Items {
		dated := it.Item == "oil"
		if it.Item != "belt" && (!strings.Contains(it.Absent, "no date by hours") || (it.Due != "") != dated) {
			t.Errorf("%+v", it)
		}
	}
	at := 0.0
	idle := &serviceBook{perDay: estimate{v: 1e-3}, hasRate: true}
	it := ServiceItem{EveryHours: 4000, HoursSince: &at}
	if _, ok := idle.afterHours(&it); ok || !strings.Contains(it.Absent, "hundred years") {
		t.Errorf("a machine that hardly runs: %+v", it)
	}
}

// TestHourMeterWrittenWrong: a note says 20000 h on a day on which the machine's
// own meter stood at 21520.4 (21480.4 and one week of 40 h). It ran 160 h since.
func TestHourMeterWrittenWrong(t *testing.T) {
	site, tp := serviced(t, true)
	for _, c := range []struct {
		wrote float64
		told  bool
	}{{20_000, true}, {21_600, true}, {21_521, false}} {
		_, items := due(t, site, tp, ServiceDone{Machine: "comp1", Item: "air filter", AtMS: monday + 7*dayMS, HourMeter: &c.wrote, Note: 1})
		f := items["air filter"]
		if f.HoursSince == nil || math.Abs(*f.HoursSince-160) > 1 {
			t.Errorf("%g h: %v h since, want 160", c.wrote, f.HoursSince)
		}
		if told := strings.Contains(f.Absent, "cannot be"); told != c.told {
			t.Errorf("%g h: it says %q", c.wrote, f.Absent)
		}
	}
}
