package analysis

import (
	"encoding/csv"
	"os"
	"strconv"
	"strings"
	"testing"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// TestStartsTable holds the table to testdata/vectors/motor_starts.csv: NEMA MG
// 10 table 2-3, design A and B (read; two stored reprints compared).
func TestStartsTable(t *testing.T) {
	f, err := os.Open("../../testdata/vectors/motor_starts.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	number := func(text string) float64 {
		v, err := strconv.ParseFloat(text, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	checked := 0
	for _, r := range rows[1:] {
		hp, poles := number(r[0]), int(number(r[2]))
		row, column, ok := mg10For(hp*quantity.HorsepowerW, poles)
		if !ok || row.hp != hp || row.starts[column] != number(r[3]) || row.rest[column] != number(r[5]) {
			t.Errorf("%g hp, %d poles: %+v column %d, %v; want %s starts and %s s", hp, poles, row, column, ok, r[3], r[5])
		}
		checked++
	}
	if checked != 60 {
		t.Errorf("%d rows checked, want 60", checked)
	}
}

func TestStartsLimit(t *testing.T) {
	motor := func(hp float64, poles int, starting string, maker float64) *sitefile.Machine {
		return &sitefile.Machine{Motor: sitefile.Motor{PowerW: hp * quantity.HorsepowerW, Poles: poles, Starting: starting, StartsPerHour: maker}}
	}
	for _, c := range []struct {
		name  string
		m     *sitefile.Machine
		limit float64 // 0: none
		says  string
	}{
		{"6.8 allows 6", motor(50, 4, "wye-delta", 0), 6, "6.8"},
		{"the maker's first", motor(50, 4, "wye-delta", 4), 4, "maker"},
		{"the maker's in whole starts", motor(50, 4, "wye-delta", 7.5), 7, "maker"},
		{"between two rows the larger motor's", motor(45, 4, "direct", 0), 6, "50 hp"},
		{"not for a drive", motor(50, 4, "drive", 0), 0, "drive"},
		{"a drive's maker may say", motor(50, 4, "drive", 20), 20, "maker"},
		{"beyond the table", motor(400, 4, "direct", 0), 0, "neither"},
		{"poles not given", motor(50, 0, "direct", 0), 0, "neither"},
		{"eight poles", motor(50, 8, "direct", 0), 0, "neither"},
	} {
		limit, basis, ok := startsLimit(c.m)
		if limit != c.limit || ok != (c.limit > 0) || !strings.Contains(basis, c.says) {
			t.Errorf("%s: %g, %q, %v; want %g and %q", c.name, limit, basis, ok, c.limit, c.says)
		}
	}
}

// TestStartsOfEveryKind: a start that comes to nothing, one after the supply
// failed, and one whose changeover falls into a reading.
func TestStartsOfEveryKind(t *testing.T) {
	site := plant(t)
	site.Machines[0].Motor = sitefile.Motor{PowerW: 50 * quantity.HorsepowerW, Poles: 4, Starting: "wye-delta"}
	tp := newTape(site, monday)
	counter := int64(100)
	for sec := int64(0); sec < 3600; sec++ {
		var running, loaded int64
		switch {
		case sec < 100:
		case sec < 120: // runs up and is off again
			running = 1
		case sec < 300:
		case sec == 304: // the changeover
		case sec < 310:
			running = 1
		case sec < 900:
			running, loaded = 1, 1
		case sec < 960: // no supply
			tp.bad("controller", sec*1000, scan.Timeout)
			continue
		case sec < 980: // back, and waiting
		case sec < 2000:
			running, loaded = 1, 1
		case sec < 2100: // the line is broken; the controller counts two starts
			tp.bad("controller", sec*1000, scan.BadChecksum)
			continue
		case sec < 2200:
		default:
			running, loaded = 1, 1
		}
		switch sec {
		case 100, 300, 980, 2200:
			counter++
		case 2100:
			counter += 2
		}
		tp.add("controller", sec*1000, running, loaded, 1-running, 0, 7000, counter)
	}
	rep := mustCompute(t, fold(site, tp.scans, 101, 305, 901), site, monday, monday+3600_000)
	check(t, figureOf(t, rep, "starts"), 4, 0)
	// The changeover at 304 s is no start of its own, and what the current did
	// in it is not told from readings a second apart.
	if f := figureOf(t, rep, "starts"); !strings.Contains(f.Method, "out of reach without a meter's fast maximum register") {
		t.Errorf("starts: method %q does not say that a start's profile is out of reach", f.Method)
	}
	check(t, figureOf(t, rep, "starts_failed"), 1, 0)
	check(t, figureOf(t, rep, "starts_after_power_failure"), 1, 0)
	check(t, figureOf(t, rep, "starts_per_hour_max"), 4, 0)
	for name, most := range map[string]float64{"starts": 6, "starts_per_hour_max": 6} {
		f := figureOf(t, rep, name)
		if !f.AtLeast || f.AtMost == nil || *f.AtMost != most {
			t.Errorf("%s: at least %v, at most %v; want at least, and at most %g", name, f.AtLeast, f.AtMost, most)
		}
	}
	f := figureOf(t, rep, "starts_per_hour_max")
	if f.Limit == nil || *f.Limit != 6 || !strings.Contains(f.LimitBasis, "MG 10") {
		t.Errorf("limit %v by %q, want 6 by NEMA MG 10", f.Limit, f.LimitBasis)
	}
	// From the stop at 121 s (one reading after it) to the start at 300 s.
	rest := figureOf(t, rep, "shortest_rest")
	check(t, rest, 179, 1)
	if rest.Limit == nil || *rest.Limit != 72 {
		t.Errorf("least rest %v, want 72 s for 50 hp and 4 poles", rest.Limit)
	}
}

// TestNoBoundWithoutCounter: where the counter does not reach over all gaps, no
// upper bound is claimed.
func TestNoBoundWithoutCounter(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(site *sitefile.Site, s *second, sec int64) (skip bool)
	}{
		{"no counter", func(site *sitefile.Site, _ *second, sec int64) bool {
			delete(site.Machines[0].Roles, scan.StartCount)
			return sec > 500 && sec < 700
		}},
		{"the counter began anew in the gap", func(_ *sitefile.Site, s *second, sec int64) bool {
			if sec >= 700 {
				s.starts = 0
			}
			return sec > 500 && sec < 700
		}},
		{"the record ends before the window", func(_ *sitefile.Site, _ *second, sec int64) bool { return sec > 500 }},
	} {
		site := plant(t)
		tp := newTape(site, monday)
		for sec := int64(0); sec < 1200; sec++ {
			s := busy(sec)
			if !c.spoil(site, &s, sec) {
				tp.add("controller", sec*1000, s.running, s.loaded, 0, 0, s.pressure, s.starts)
			}
		}
		f := figureOf(t, mustCompute(t, fold(site, tp.scans), site, monday, monday+1200_000), "starts")
		if f.AtMost != nil || !f.AtLeast {
			t.Errorf("%s: starts at most %v, at least %v", c.name, f.AtMost, f.AtLeast)
		}
	}
}

func TestRollingBound(t *testing.T) {
	at := func(minutes ...int64) []start {
		var all []start
		for _, m := range minutes {
			all = append(all, start{wall: m * 60_000, mono: m * 60_000, segment: 1})
		}
		return all
	}
	gap := func(from, to, n int64) counterGap { return counterGap{from: from * 60_000, to: to * 60_000, diff: n} }
	for _, c := range []struct {
		name   string
		starts []start
		gaps   []counterGap
		want   int64
	}{
		{"no gap", at(0, 10, 70), nil, 2},
		{"one beside", at(0, 10, 70), []counterGap{gap(20, 25, 3)}, 5},
		{"one that ends as the hour begins", at(100, 110), []counterGap{gap(40, 51, 2)}, 4},
		{"one that ended before", at(100, 112), []counterGap{gap(40, 51, 2)}, 3},
		{"far away", at(0, 10), []counterGap{gap(200, 210, 1)}, 2},
		{"two gaps in an hour", at(), []counterGap{gap(0, 10, 2), gap(50, 55, 3)}, 5},
	} {
		if got := rollingBound(c.starts, c.gaps); got != c.want {
			t.Errorf("%s: at most %d, want %d", c.name, got, c.want)
		}
	}
}

func TestDistribution(t *testing.T) {
	got := distribution([]int64{12_000, 14_000, 29_999, 30_000, 200_000, 5_000_000})
	var text []string
	total := 0
	for _, c := range got {
		to := "up"
		if c.To != nil {
			to = strconv.FormatFloat(*c.To, 'g', -1, 64)
		}
		text = append(text, strconv.FormatFloat(c.From, 'g', -1, 64)+"-"+to+":"+strconv.Itoa(c.Count))
		total += c.Count
	}
	want := "10-20:2 20-30:1 30-45:1 45-60:0 60-90:0 90-120:0 120-180:0 180-300:1 300-600:0 600-1200:0 1200-3600:0 3600-up:1"
	if strings.Join(text, " ") != want || total != 6 {
		t.Errorf("classes %v, want %s", text, want)
	}
}

// TestNoRateFromSeconds: none seen in some seconds is not none an hour, and "at
// least none" is no figure. What a whole hour shows is one.
func TestNoRateFromSeconds(t *testing.T) {
	site := plant(t)
	for name, c := range map[string]struct {
		seconds, startAt int64
		absent           bool
	}{
		"39 s between 40 readings at rest": {40, -1, true}, "a start in 40 s": {40, 20, false}, "an hour and some at rest": {3700, -1, false},
	} {
		tp := newTape(site, monday)
		for sec := range c.seconds {
			running := int64(0)
			if c.startAt >= 0 && sec >= c.startAt {
				running = 1
			}
			tp.add("controller", sec*1000, running, 0, 1-running, 0, 7000, 100+running)
		}
		rep := mustCompute(t, fold(site, tp.scans), site, monday-8*3600_000, monday+c.seconds*1000)
		for _, f := range []string{"starts_per_hour_mean", "starts_per_hour_max"} {
			if got := figureOf(t, rep, f); (got.Absent != "") != c.absent || got.Value == nil != c.absent ||
				c.absent && !strings.Contains(got.Absent, "39 s observed") {
				t.Errorf("%s: %s is %v, absent %q", name, f, got.Value, got.Absent)
			}
		}
	}
}
