package analysis

import (
	"math"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/sitefile"
)

// worked is a balance of a week from Monday 2 March 2026 00:00 UTC on with a
// demand by the minute (m³/s), at 700 kPa: a machine of 0.1 m³/s that delivers a
// part of each minute.
func worked(days int, demand func(at time.Time) float64) *airBalance {
	const flow = 0.1
	b := vessel(flow, 1, 100e3, days*1440)
	begin := time.Date(2026, time.March, 2, 0, 0, 0, 0, time.UTC)
	b.full = flow
	for i := range b.minutes {
		at := begin.Add(time.Duration(i) * time.Minute)
		m := &b.minutes[i]
		m.startMS = at.UnixMilli()
		m.startPa, m.endPa = 700e3, 700e3
		m.fullS[0] = demand(at) / flow * 60
		m.delivering = m.fullS[0] > 0
	}
	return b
}

// shopDemand is an invented shop's: people stay until 18:00, a crew cleans from 20
// to 21, a Saturday job from 8 to 12; else 0.005 m³/s leak.
func shopDemand(at time.Time) float64 {
	h, day := at.Hour(), at.Weekday()
	switch weekday := day >= time.Monday && day <= time.Friday; {
	case weekday && h >= 7 && h < 16:
		return 0.05 + 0.02*math.Sin(float64(at.Minute()))
	case weekday && h >= 16 && h < 18:
		return 0.03
	case weekday && h == 20, day == time.Saturday && h >= 8 && h < 12:
		return 0.02
	}
	return 0.005
}

func shiftSite(shifts ...string) *sitefile.Site {
	site := &sitefile.Site{Location: time.UTC, BarometerPa: 100e3, WeeksPerYear: 50}
	for _, text := range shifts {
		days, hours, _ := strings.Cut(text, " ")
		w := sitefile.WeekWindow{Text: text}
		for d := range w.Days {
			w.Days[d] = days == "daily" || d >= 1 && d <= 5
		}
		from, _ := time.Parse("15:04", hours[:5])
		w.FromMinute = from.Hour()*60 + from.Minute()
		if hours[6:] == "24:00" {
			w.UntilMinute = 1440
		} else {
			until, _ := time.Parse("15:04", hours[6:])
			w.UntilMinute = until.Hour()*60 + until.Minute()
		}
		site.Shifts = append(site.Shifts, w)
	}
	return site
}

// TestQuietHoursOfAShop: worked by hand. Each night from Tuesday's to Friday's has
// 15 h outside the shifts, less two of staying and one of cleaning; Monday's begins
// with 7 h before the first shift; the weekend is 63 h less three on Friday and
// four on Saturday, cut to the window's end at Monday midnight.
func TestQuietHoursOfAShop(t *testing.T) {
	b := worked(7, shopDemand)
	for _, tt := range []struct {
		name   string
		shifts []string
	}{{"with shifts", []string{"Mon-Fri 07:00-16:00"}}, {"from the data alone", nil}} {
		h := b.quietHours(shiftSite(tt.shifts...))
		if h.absent != "" {
			t.Fatalf("%s: %s", tt.name, h.absent)
		}
		got := h.minutes()
		want := 7 + 4*(15-3) + (8 - 3) + 24 - 4 + 24 // hours
		if len(got) != want*60 {
			t.Errorf("%s: %.2f quiet hours, want %d", tt.name, float64(len(got))/60, want)
		}
		for _, i := range got {
			if at := time.UnixMilli(b.minutes[i].startMS).UTC(); shopDemand(at) != 0.005 {
				t.Fatalf("%s: %v is not quiet", tt.name, at)
			}
		}
		if q, _ := b.mean(got); math.Abs(q.V-0.005) > 1e-12 {
			t.Errorf("%s: %g m³/s in quiet hours, want 0.005", tt.name, q.V)
		}
	}
	if nights := len(b.quietHours(shiftSite("Mon-Fri 07:00-16:00")).nights); nights != 6 {
		t.Errorf("%d nights, want Monday's morning, four nights and the weekend", nights)
	}
}

// TestQuietHoursAbsent: each says what is missing.
func TestQuietHoursAbsent(t *testing.T) {
	even := func(time.Time) float64 { return 0.05 }
	for _, tt := range []struct {
		name   string
		demand func(time.Time) float64
		site   *sitefile.Site
		spoil  func(*airBalance)
		want   string
	}{
		{"three shifts", shopDemand, shiftSite("daily 00:00-24:00"), nil, "leave no time of this window in which nobody works"},
		{"no shifts, even demand", even, shiftSite(), nil, "no low level apart from the rest"},
		{"not observed", shopDemand, shiftSite("Mon-Fri 07:00-16:00"), func(b *airBalance) {
			for i := range b.minutes {
				b.minutes[i].seenMS = 0
			}
		}, "no half hour was observed"},
		{"no pressure", shopDemand, shiftSite("Mon-Fri 07:00-16:00"), func(b *airBalance) {
			for i := range b.minutes {
				b.minutes[i].startPa, b.minutes[i].endPa = 50e3, 50e3
			}
		}, "pressure stood on the system"},
	} {
		b := worked(7, tt.demand)
		if tt.spoil != nil {
			tt.spoil(b)
		}
		if h := b.quietHours(tt.site); !strings.Contains(h.absent, tt.want) {
			t.Errorf("%s: %q, want %q", tt.name, h.absent, tt.want)
		}
	}
}

// TestQuietNightOfWork: a night at four times the level of the others is left out,
// and a night whose pressure falls because the machine is off is level.
func TestQuietNightOfWork(t *testing.T) {
	busy := func(at time.Time) float64 {
		if at.Weekday() == time.Wednesday && at.Hour() >= 16 || at.Weekday() == time.Thursday && at.Hour() < 7 {
			return 0.02
		}
		return shopDemand(at)
	}
	b := worked(5, busy)
	h := b.quietHours(shiftSite("Mon-Fri 07:00-16:00"))
	if len(h.busy) != 1 || time.UnixMilli(h.busy[0].fromMS).UTC().Weekday() != time.Wednesday {
		t.Fatalf("left out: %+v, want Wednesday's night", h.busy)
	}
	// 1 m³ at 800 kPa absolute loses a ten-thousandth of its air a second.
	b = worked(1, shopDemand)
	for i := range b.minutes {
		m := &b.minutes[i]
		if i >= 16*60 {
			m.fullS[0], m.delivering = 0, false
			at := float64(i-16*60) * 60
			m.startPa, m.endPa = 800e3*math.Exp(-1e-4*at)-100e3, 800e3*math.Exp(-1e-4*(at+60))-100e3
		}
	}
	h = b.quietHours(shiftSite("Mon-Fri 07:00-16:00"))
	if len(h.nights) != 2 {
		t.Fatalf("%d nights, want 2; %s", len(h.nights), h.absent)
	}
	night := h.nights[1]
	// Choked down to 189.3 kPa: ln(800/189.3)/1e-4 = 14 412 s, 240 min.
	if n := len(night.minutes); n < 235 || n > 241 {
		t.Errorf("%d quiet minutes of the fall, want 240: until air is no longer choked", n)
	}
	m := b.bleedDown(&quietHours{nights: []quietNight{night}}, &sitefile.Site{BarometerPa: 100e3})
	// k = 1e-4/s · 1 m³ / 100 kPa; times the mean pressure.
	if want := 1e-4 * m.pa / 100e3; m.why != "" || math.Abs(m.flow.V/want-1) > 1e-9 {
		t.Errorf("bleed-down %g m³/s at %.0f Pa, want %g; %s", m.flow.V, m.pa, want, m.why)
	}
	if gumU := m.flow.Part("assumptions of the bleed-down method alone"); math.Abs(gumU/m.flow.V-methodU) > 1e-12 {
		t.Errorf("its own part is %g of it", gumU/m.flow.V)
	}
}

// TestNightViewTellsEveryQuarter: the same shop, and what became of its hours. By
// hand: Tuesday's 07:00 to 16:00 are shifts, 16:00 to 18:00 people stay, 20:00 to
// 21:00 the crew cleans; 19:45 is taken.
func TestNightViewTellsEveryQuarter(t *testing.T) {
	b := worked(7, shopDemand)
	at := func(day, hour, minute int) int64 {
		return time.Date(2026, time.March, day, hour, minute, 0, 0, time.UTC).UnixMilli()
	}
	gap := int((at(4, 2, 0) - b.minutes[0].startMS) / minuteMS)
	for i := gap; i < gap+45; i++ {
		b.minutes[i].seenMS = 0
	}
	low := int((at(5, 3, 0) - b.minutes[0].startMS) / minuteMS)
	for i := low; i < low+30; i++ {
		b.minutes[i].startPa, b.minutes[i].endPa = 50e3, 50e3 // 1.5 bar against 1: not choked
	}
	site := shiftSite("Mon-Fri 07:00-16:00")
	site.WeeksPerYear = 50
	h := b.quietHours(site)
	v := newNightView(b, h, site)
	var out NightQuarters
	from, to := at(2, 0, 0), at(9, 0, 0)
	v.quarters(&out, from, to)
	if len(out.Found) != 7*96 || len(out.Flow) != 7*96 || len(out.Pressure) != 7*96 {
		t.Fatalf("%d, %d, %d quarter hours, want %d of each", len(out.Found), len(out.Flow), len(out.Pressure), 7*96)
	}
	taken := 0
	for _, q := range out.Found {
		if q == QuarterTaken {
			taken++
		}
	}
	if want := len(h.minutes()) / 15; taken != want {
		t.Errorf("%d quarter hours taken, the quiet hours are %d", taken, want)
	}
	for _, tt := range []struct {
		name string
		at   int64
		want Quarter
	}{
		{"at work", at(3, 9, 0), QuarterShift}, {"people stay", at(3, 16, 30), QuarterRestless}, {"the crew", at(3, 20, 15), QuarterRestless},
		{"before it", at(3, 19, 45), QuarterTaken}, {"Sunday", at(8, 12, 0), QuarterTaken}, {"Saturday's job", at(7, 9, 0), QuarterRestless},
		{"a gap", at(4, 2, 15), QuarterUnseen}, {"little pressure", at(5, 3, 0), QuarterEmpty},
	} {
		i := (tt.at - from) / cellMS
		if got := out.Found[i]; got != tt.want {
			t.Errorf("%s: %s, want %s", tt.name, got, tt.want)
		}
		if told := out.Flow[i] != nil; told != (tt.want == QuarterTaken || tt.want == QuarterRestless) {
			t.Errorf("%s: flow told: %v", tt.name, told)
		}
	}
	nights := v.nights()
	if len(nights) != 6 {
		t.Fatalf("%d nights, want 6: to Monday, four between days, the weekend", len(nights))
	}
	var quiet float64
	for i := range nights {
		n := &nights[i]
		if n.Flow == nil || math.Abs(*n.Flow-0.005) > 1e-9 || n.Why != "" {
			t.Errorf("night %s: flow %v, want 0.005 m³/s; why %q", n.From, n.Flow, n.Why)
		}
		quiet += n.Quiet
	}
	if want := float64(len(h.minutes())) * 60; quiet != want {
		t.Errorf("the nights have %g s of quiet, the quiet hours %g", quiet, want)
	}
}

// TestNightViewSaysWhyANightIsLeftOut: one night in which somebody works throughout,
// and one that nobody read.
func TestNightViewSaysWhyANightIsLeftOut(t *testing.T) {
	b := worked(5, func(at time.Time) float64 {
		if at.Day() == 3 && at.Hour() >= 16 || at.Day() == 4 && at.Hour() < 7 {
			return 0.03 // Tuesday's night: level, and six times the others
		}
		return shopDemand(at)
	})
	for i := range b.minutes {
		if at := time.UnixMilli(b.minutes[i].startMS).UTC(); at.Day() == 4 && at.Hour() >= 16 || at.Day() == 5 && at.Hour() < 7 {
			b.minutes[i].seenMS = 0
		}
	}
	site := shiftSite("Mon-Fri 07:00-16:00")
	nights := newNightView(b, b.quietHours(site), site).nights()
	for i, want := range map[int]string{2: "somebody worked", 3: "not observed"} {
		if n := &nights[i]; n.Flow != nil || n.Quiet != 0 || !strings.Contains(n.Why, want) {
			t.Errorf("night %d (%s): %g s, why %q, want %q", i, n.From, n.Quiet, n.Why, want)
		}
	}
	// Without shifts the times that were found are the nights.
	found := newNightView(b, b.quietHours(shiftSite()), shiftSite())
	if all := found.nights(); len(all) == 0 || all[0].Flow == nil {
		t.Errorf("without shifts: %+v", all)
	}
}
