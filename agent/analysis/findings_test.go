package analysis

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// second is what a plant's devices read at one second.
type second struct {
	running, loaded, command, pressure, starts, power, energy int64
	meter                                                     scan.Reason // why the meter gave nothing
	pressureBad                                               scan.Reason
}

// busy is a sound load/unload machine: 100 s loaded, 80 s unloaded, with a
// pressure that follows.
func busy(sec int64) second {
	at := sec % 180
	s := second{running: 1, power: 120 + sec%2, starts: 3, pressure: 7000 - 5*(at-100)}
	if at < 100 {
		s.loaded, s.command, s.power, s.pressure = 1, 1, 360+sec%3, 6500+5*at
	}
	s.energy = sec * 254 / 3600 // 25.4 kW in 0.1 kWh
	return s
}

// findingsOf folds an hour or more and returns the machine's findings, from
// pieces cut on the way; those from raw must be the same.
func findingsOf(t *testing.T, site *sitefile.Site, seconds int64, at func(int64) second) []Finding {
	t.Helper()
	tp := newTape(site, monday)
	for sec := int64(0); sec < seconds; sec++ {
		s := at(sec)
		tp.add("controller", sec*1000, s.running, s.loaded, s.command, 0, s.pressure, s.starts)
		if s.pressureBad != scan.Good {
			c := &tp.scans[len(tp.scans)-1]
			c.Quality = make([]scan.Reason, len(c.Values))
			c.Quality[4] = s.pressureBad
		}
		if s.meter != scan.Good {
			tp.bad("meter", sec*1000+200, s.meter)
		} else {
			tp.add("meter", sec*1000+200, s.power, s.energy)
		}
	}
	m := fold(site, tp.scans, 1000, 1001, 3333)
	rep := mustCompute(t, m, site, monday, monday+seconds*1000)
	raw, err := ComputeRaw(m, site, monday, monday+seconds*1000, farFuture, "")
	if err != nil {
		t.Fatal(err)
	}
	if a, b := fmt.Sprint(rep.Machines[0].Findings), fmt.Sprint(raw.Machines[0].Findings); a != b {
		t.Errorf("from pieces %s\nfrom raw %s", a, b)
	}
	return rep.Machines[0].Findings
}

// TestFindings shows each thing that can be wrong once, and it alone.
func TestFindings(t *testing.T) {
	clock := func(sec int64) string { return stamp(monday + sec*1000) }
	for _, c := range []struct {
		name          string
		spoil         func(s *second, sec int64)
		kind, subject string
		from, to      int64 // seconds; to may be later by the lag of the watch
		says          string
	}{
		{name: "nothing wrong"},
		{"load signal stuck on", func(s *second, sec int64) {
			if sec >= 1080 && sec < 1440 {
				s.loaded, s.command = 1, 1
			}
		}, findingContradictory, "meter.power", 1180, 1440, "stuck closed"},
		{"load signal stuck off", func(s *second, sec int64) {
			if sec >= 1080 && sec < 1440 {
				s.loaded, s.command = 0, 0
			}
		}, findingContradictory, "meter.power", 1080, 1360, "stuck open"},
		{"command without load", func(s *second, sec int64) {
			if sec >= 1800 && sec < 1900 {
				s.loaded, s.power = 0, 121+sec%2
			}
		}, findingContradictory, "controller.loaded", 1800, 1900, "told to load"},
		{"power with the motor off", func(s *second, sec int64) {
			if sec >= 1900 && sec < 1980 {
				s.running = 0
			}
		}, findingContradictory, "meter.power", 1900, 1980, "motor was off"},
		{"no power with the motor on", func(s *second, sec int64) {
			if sec >= 1910 && sec < 1980 {
				s.power = 0
			}
		}, findingContradictory, "meter.power", 1910, 1980, "next to nothing"},
		{"pressure that stands", func(s *second, sec int64) {
			if sec >= 900 && sec < 2700 {
				s.pressure = 6789
			}
		}, findingStuck, "controller.pressure", 900, 2700, "678.9 kPa"},
		{"power that stands", func(s *second, sec int64) {
			if sec >= 900 && sec < 2700 {
				s.power = 222
			}
		}, findingStuck, "meter.power", 900, 2700, "22.2 kW"},
		{"energy that stands", func(s *second, sec int64) {
			if sec >= 900 {
				s.energy = 60
			}
		}, findingStuck, "meter.energy", 900, 3600, "should have counted"},
		{"meter silent", func(s *second, sec int64) {
			if sec >= 1000 && sec < 1300 {
				s.meter = scan.Timeout
			}
		}, findingMissing, "meter", 1000, 1300, "timeout"},
		{"one channel absent", func(s *second, sec int64) {
			if sec >= 1000 && sec < 1300 {
				s.pressureBad = scan.Absent
			}
		}, findingMissing, "controller.pressure", 1000, 1300, "no value"},
		{"one impossible reading", func(s *second, sec int64) {
			if sec == 1234 {
				s.pressureBad = scan.Implausible
			}
		}, findingImpossible, "controller.pressure", 1234, 1234, "valid range"},
		{"reversed current transformer", func(s *second, sec int64) {
			s.power = -s.power
		}, findingImpossible, "meter.power", 0, 3600, "current transformer"},
	} {
		t.Run(c.name, func(t *testing.T) {
			site := plant(t)
			// The machine tells command and load apart.
			site.Machines[0].Roles[scan.LoadCommand] = "controller.standby"
			delete(site.Machines[0].Roles, scan.Standby)
			got := findingsOf(t, site, 3600, func(sec int64) second {
				s := busy(sec)
				if c.spoil != nil {
					c.spoil(&s, sec)
				}
				return s
			})
			if c.spoil == nil {
				if len(got) != 0 {
					t.Errorf("found %+v, want nothing", got)
				}
				return
			}
			var hit *Finding
			for i := range got {
				if got[i].Kind == c.kind && got[i].Subject == c.subject && strings.Contains(got[i].Sentence, c.says) {
					hit = &got[i]
				}
			}
			if hit == nil {
				t.Fatalf("not found: %s of %s that says %q; found %+v", c.kind, c.subject, c.says, got)
			}
			const lagS = 5 // two devices and a change of state
			if hit.From < clock(c.from) || hit.From > clock(c.from+lagS) || hit.To > clock(c.to+lagS) || hit.To < clock(c.to-lagS) {
				t.Errorf("found from %s to %s, want %s to %s", hit.From, hit.To, clock(c.from), clock(c.to))
			}
			if len(hit.Evidence) == 0 {
				t.Error("no evidence")
			}
		})
	}
}

// TestOneFindingForWhatComesBack: a spell that goes on is one finding, and so
// are those that come back, with their number and their time in all.
func TestOneFindingForWhatComesBack(t *testing.T) {
	site := plant(t)
	// Three times half an hour at one pressure, through ten cycles each.
	got := findingsOf(t, site, 3*3600, func(sec int64) second {
		s := busy(sec)
		if sec%3600 >= 900 && sec%3600 < 2700 {
			s.pressure = 6789
		}
		return s
	})
	var stuck []Finding
	for _, f := range got {
		if f.Kind == findingStuck {
			stuck = append(stuck, f)
		}
	}
	if len(stuck) != 1 || !strings.Contains(stuck[0].Sentence, "in 3 spells") || !strings.Contains(stuck[0].Sentence, "1 h 30 min") {
		t.Errorf("findings %+v; want one of three spells, 1 h 30 min in all", stuck)
	}
}

// TestFindingsOfGaps: unobserved time is a finding with its reason, and a
// window without a reading is one whole.
func TestFindingsOfGaps(t *testing.T) {
	site := plant(t)
	tp := newTape(site, monday)
	for sec := int64(0); sec < 1200; sec++ {
		s := busy(sec)
		if sec >= 300 && sec < 600 {
			tp.bad("controller", sec*1000, scan.BadChecksum)
			continue
		}
		tp.add("controller", sec*1000, s.running, s.loaded, 0, 0, s.pressure, s.starts)
	}
	rep := mustCompute(t, fold(site, tp.scans), site, monday, monday+1800_000)
	got := rep.Machines[0].Findings
	if len(got) != 2 || got[0].Kind != findingMissing || !strings.Contains(got[0].Sentence, "bad checksum") ||
		got[0].From != stamp(monday+299_000) || got[0].To != stamp(monday+600_000) || got[1].From != stamp(monday+1_199_000) || got[1].To != stamp(monday+1_800_000) {
		t.Errorf("findings %+v; want the gap of five minutes and the end of the record", got)
	}
}

// TestCountersAreHeldToWhatWasSeen: an hour meter, a start counter and an
// energy counter that disagree with the states and the power beside them.
func TestCountersAreHeldToWhatWasSeen(t *testing.T) {
	site := plant(t)
	m := site.Devices[0].Map
	m.Channels[3] = mapChannel(t, "hours", scan.RunHours, "u32", 0.01, "h", time.Second)
	delete(site.Machines[0].Roles, scan.FaultCode)
	site.Machines[0].Roles[scan.RunHours] = "controller.hours"
	for _, c := range []struct {
		name              string
		hours, starts, kW int64 // hundredths of an hour an hour; starts in two hours; tenths of a kW
		want              []string
	}{
		{"they agree", 100, 0, 254, nil},
		{"all wrong", 50, 9, 480, []string{"controller.hours", "controller.starts", "meter.energy"}},
	} {
		tp := newTape(site, monday)
		for sec := int64(0); sec < 7200; sec++ {
			s := busy(sec)
			tp.add("controller", sec*1000, s.running, s.loaded, 0, 1000+c.hours*sec/3600, s.pressure, 3+c.starts*sec/7200)
			tp.add("meter", sec*1000+200, s.power, c.kW*sec/3600)
		}
		var got []string
		for _, f := range mustCompute(t, fold(site, tp.scans), site, monday, monday+7_200_000).Machines[0].Findings {
			got = append(got, f.Subject)
		}
		if strings.Join(got, " ") != strings.Join(c.want, " ") {
			t.Errorf("%s: findings of %v, want %v", c.name, got, c.want)
		}
	}
}

// TestOutageSaidOnce: a channel that gave nothing while its machine was not observed at
// all says no more than the gap; one that gave nothing for longer, or at another time,
// does.
func TestOutageSaidOnce(t *testing.T) {
	g := newGathered(&spec{watches: []watch{{kind: watchAbsent}, {kind: watchStuck}}}, 0, 10*hourMS, nil)
	g.total.gaps = []gap{{from: hourMS, to: 2 * hourMS, reason: scan.Timeout}}
	s := &sheet{g: g}
	for _, tt := range []struct {
		name string
		f    found
		want bool
	}{
		{"in it, by what was asked when", found{from: hourMS + 10_000, to: 2*hourMS + 10_000}, true},
		{"longer", found{from: hourMS, to: 3 * hourMS}, false},
		{"at another time", found{from: 5 * hourMS, to: 6 * hourMS}, false},
		{"no lack of values", found{watch: 1, from: hourMS, to: 2 * hourMS}, false},
	} {
		if got := s.inGap(tt.f); got != tt.want {
			t.Errorf("%s: %v, want %v", tt.name, got, tt.want)
		}
	}
}
