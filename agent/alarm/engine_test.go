package alarm

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

const startMS = int64(1_772_000_000_000)

// shop is a site with one machine, one system and two devices.
func shop(t *testing.T, alarms ...sitefile.Alarm) (*sitefile.Site, Sources) {
	t.Helper()
	channel := func(name, unit string) sitefile.MapChannel {
		u, err := quantity.ParseUnit(unit)
		if err != nil {
			t.Fatal(err)
		}
		return sitefile.MapChannel{Name: name, Unit: u, UnitText: unit}
	}
	m := &sitefile.RegisterMap{Channels: []sitefile.MapChannel{channel("heat", "°C"), channel("pressure", "bar"), channel("code", "1"), channel("amps", "A")}}
	site := &sitefile.Site{Alarms: alarms, Units: quantity.SI, Webhooks: []sitefile.Webhook{{Name: "dispatch"}}, RemoteWrites: []sitefile.RemoteWrite{{Name: "owner"}},
		Lines:    []sitefile.Line{{Name: "net", Kind: sitefile.ModbusTCP}},
		Devices:  []sitefile.Device{{Name: "c", Line: "net", Map: m}, {Name: "meter", Line: "net", Map: m}},
		Machines: []sitefile.Machine{{Name: "comp1", Roles: map[scan.Role]string{scan.DischargeTemperature: "c.heat"}, Motor: sitefile.Motor{StartsPerHour: 6}, Service: []sitefile.ServiceItem{{Item: "oil"}}}},
		Systems:  []sitefile.System{{Name: "main", MinimumPressurePa: 6e5, Taps: []sitefile.Tap{{Pressure: "c.pressure"}}}}}
	return site, Sources{
		Tap:    func(s *sitefile.System) string { return s.Taps[0].Pressure },
		GapMS:  func(string) int64 { return 3000 },
		Faults: []FaultChannel{{"c.code", "comp1", "c"}}, BridgeMS: 5000,
		EveryMS: func(sitefile.AlarmKind) int64 { return 20_000 },
	}
}

func hot() sitefile.Alarm {
	limit := 378.15
	return sitefile.Alarm{Name: "air end hot", On: sitefile.AlarmTemperature, Role: scan.DischargeTemperature, Above: &limit, Back: 3,
		After: 2 * time.Second, ClearAfter: time.Second, Priority: sitefile.HighPriority, TellAll: true}
}

// see gives a point a value at a second.
func see(e *Engine, second int64, kelvin float64) []Record {
	p := e.Rules()[0].Points[0]
	return e.See(p, &Sight{MonoMS: second * 1000, WallMS: startMS + second*1000, Seen: true, Value: kelvin, Verdict: p.Limit.Judge(kelvin)})
}

// raise sees it hot for 2 s and returns the record of the raise.
func raise(t *testing.T, e *Engine) Record {
	t.Helper()
	var got []Record
	for second, k := range []float64{370, 379, 379.3, 379.35} {
		got = append(got, see(e, int64(second), k)...)
	}
	if len(got) != 1 || got[0].State != Raised {
		t.Fatalf("records %+v, want one raise", got)
	}
	return got[0]
}

// TestRecordOfARaise: the time is that of the reading that completed the delay, since
// that of the first; value and limit are in the contract's unit, the sentence in the
// site's.
func TestRecordOfARaise(t *testing.T) {
	site, src := shop(t, hot())
	e, _ := New(site, src, nil, startMS)
	r := raise(t, e)
	if r.AtMS != startMS+3000 || r.MonoMS != 3000 || r.SinceMS != startMS+1000 || r.AtLeast || !r.Told || r.Times != 1 || len(r.ID) != 8 ||
		r.Unit != "°C" || *r.Value < 106.19 || *r.Value > 106.21 || *r.Limit < 104.99 || *r.Limit > 105.01 {
		t.Errorf("record %+v, value %g, limit %g", r, *r.Value, *r.Limit)
	}
	if want := "air end hot, raised: discharge temperature of comp1 106.2 °C, above 105.0 °C for 2 s"; r.Text(time.UTC) != want {
		t.Errorf("text %q, want %q", r.Text(time.UTC), want)
	}
	us, src := shop(t, hot())
	us.Units = quantity.US
	e, _ = New(us, src, nil, startMS)
	if r := raise(t, e); !strings.Contains(r.Says, "223.2 °F, above 221.0 °F") {
		t.Errorf("in US units: %q", r.Says)
	}
	back, ok := RecordOf(r.AtMS, r.Data())
	if back.MonoMS = r.MonoMS; !ok || *back.Value != *r.Value || *back.Limit != *r.Limit {
		t.Errorf("read again: %+v", back)
	}
	back.Value, back.Limit, r.Value, r.Limit = nil, nil, nil, nil
	back.Times = r.Times // 1 is not written
	if back != r {
		t.Errorf("read again\n got %+v\nwant %+v", back, r)
	}
}

// stands tells in a few words what stands.
func stands(e *Engine, nowMS int64) string {
	var words []string
	for _, s := range e.Book().Standing(nowMS) {
		word := s.Rule
		if s.ReturnedMS != 0 {
			word += " returned"
		}
		if s.AckMS != 0 {
			word += " acknowledged by " + s.AckWho
		}
		if s.ShelvedUntil != 0 {
			word += " shelved"
		}
		words = append(words, word)
	}
	return strings.Join(words, "; ")
}

// TestStandsUntilReturnedAndAcknowledged: in either order; low priority alone needs no
// person.
func TestStandsUntilReturnedAndAcknowledged(t *testing.T) {
	site, src := shop(t, hot())
	e, _ := New(site, src, nil, startMS)
	r := raise(t, e)
	if _, err := e.Book().Acknowledge("nothing", "R. Vale", "", startMS); !errors.Is(err, ErrNoAlarm) {
		t.Errorf("an id that there is not: %v", err)
	}
	ack, err := e.Book().Acknowledge(r.ID, "R. Vale", "fan stuck", startMS+4000)
	if got := stands(e, startMS); err != nil || ack.Text(time.UTC) != "air end hot, acknowledged by R. Vale: "+r.Says+" (fan stuck)" || got != "air end hot acknowledged by R. Vale" {
		t.Errorf("acknowledged: %q, %v, stands %q", ack.Text(time.UTC), err, got)
	}
	see(e, 4, 370)
	if back := see(e, 5, 370); len(back) != 1 || back[0].State != Returned || back[0].ID != r.ID || stands(e, startMS) != "" {
		t.Errorf("returned after that: %+v, stands %q", back, stands(e, startMS))
	}

	e, _ = New(site, src, nil, startMS)
	r = raise(t, e)
	see(e, 4, 370)
	see(e, 5, 370)
	if got := stands(e, startMS); got != "air end hot returned" {
		t.Errorf("returned, not acknowledged: stands %q", got)
	}
	if _, err := e.Book().Acknowledge(r.ID, "R. Vale", "", startMS+6000); err != nil || stands(e, startMS) != "" {
		t.Errorf("then acknowledged: %v, stands %q", err, stands(e, startMS))
	}

	low := hot()
	low.Priority = sitefile.LowPriority
	site, src = shop(t, low)
	e, _ = New(site, src, nil, startMS)
	raise(t, e)
	see(e, 4, 370)
	if see(e, 5, 370); stands(e, startMS) != "" {
		t.Errorf("low priority, returned: stands %q", stands(e, startMS))
	}
}

// restart makes the engine anew from its history, as an agent does.
func restart(t *testing.T, site *sitefile.Site, src Sources, history []Record, nowMS int64) (*Engine, []Record) {
	t.Helper()
	stored := make([]Record, 0, len(history))
	for i := range history {
		r, ok := RecordOf(history[i].AtMS, history[i].Data())
		if !ok {
			t.Fatalf("%+v cannot be read again", history[i])
		}
		stored = append(stored, r)
	}
	return New(site, src, stored, nowMS)
}

// TestRestart: what stands goes on standing with who acknowledged it; nothing is
// raised twice, and it returns by readings alone.
func TestRestart(t *testing.T) {
	site, src := shop(t, hot())
	e, _ := New(site, src, nil, startMS)
	history := []Record{raise(t, e)}
	ack, err := e.Book().Acknowledge(history[0].ID, "R. Vale", "", startMS+4000)
	if err != nil {
		t.Fatal(err)
	}
	history = append(history, ack, e.Book().Shelve("air end hot", "comp1", startMS+8*3_600_000, "R. Vale", "fan ordered", startMS+5000))
	again, ended := restart(t, site, src, history, startMS+60_000)
	if got := stands(again, startMS+60_000); len(ended) != 0 || got != "air end hot acknowledged by R. Vale shelved" {
		t.Errorf("after a restart %d ended, stands %q", len(ended), got)
	}
	if state, why, _ := again.StateOf(again.Rules()[0], 0); state != RaisedRule || why == "" {
		t.Errorf("before the first reading the rule is %s, %q: want raised and blind", state, why)
	}
	var got []Record
	for second := range int64(20) {
		got = append(got, see(again, second, 380)...)
	}
	if len(got) != 0 {
		t.Errorf("still hot after the restart: %+v", got)
	}
	see(again, 20, 370)
	if got := see(again, 21, 370); len(got) != 1 || got[0].State != Returned || got[0].ID != history[0].ID {
		t.Errorf("cool after the restart: %+v", got)
	}

	site.Alarms[0].Name = "another rule"
	again, ended = restart(t, site, src, history, startMS+60_000)
	if len(ended) != 1 || ended[0].State != Returned || ended[0].Why != "the site file watches it no more" || stands(again, startMS) != "" {
		t.Errorf("its rule is gone: %+v, stands %q", ended, stands(again, startMS))
	}
	if _, ended = restart(t, site, src, append(history, ended...), startMS+90_000); len(ended) != 0 {
		t.Errorf("told again at the next start: %+v", ended)
	}
}

// TestShelving: what is shelved is kept and not told; it is told when the shelf ends
// while it stands. A shelf ends by the wall clock, and a clock set back makes it no
// longer than seven days.
func TestShelving(t *testing.T) {
	site, src := shop(t, hot())
	for _, tt := range []struct {
		name, subject string
	}{{"the whole rule", ""}, {"its machine", "comp1"}} {
		e, _ := New(site, src, nil, startMS)
		shelved := e.Book().Shelve("air end hot", tt.subject, startMS+3_600_000, "R. Vale", "fan ordered", startMS)
		r := raise(t, e)
		if r.Told || stands(e, startMS+4000) != "air end hot shelved" {
			t.Errorf("%s: told %t, stands %q", tt.name, r.Told, stands(e, startMS+4000))
		}
		if ended, untold := e.Sweep(startMS + 3_599_999); len(ended)+len(untold) != 0 {
			t.Errorf("%s: ended a millisecond early: %+v", tt.name, ended)
		}
		ended, untold := e.Sweep(startMS + 3_600_000)
		if len(ended) != 1 || ended[0].State != Unshelved || len(untold) != 1 || untold[0].ID != r.ID {
			t.Errorf("%s: at its end %+v, to be told %+v", tt.name, ended, untold)
		}
		if _, untold := e.Sweep(startMS + 3_700_000); len(untold) != 0 || len(e.Untold(startMS+3_700_000)) != 0 {
			t.Errorf("%s: told twice", tt.name)
		}
		again, _ := restart(t, site, src, []Record{shelved, r, ended[0]}, startMS+3_700_000)
		if untold := again.Untold(startMS + 3_700_000); len(untold) != 0 {
			t.Errorf("%s: told again after a restart", tt.name)
		}
		again, _ = restart(t, site, src, []Record{shelved, r}, startMS+3_700_000)
		if ended, untold := again.Sweep(startMS + 3_700_000); len(ended) != 1 || len(untold) != 1 {
			t.Errorf("%s: the shelf ended while nobody ran: %+v, to be told %+v", tt.name, ended, untold)
		}
	}
	e, _ := New(site, src, nil, startMS)
	shelved := e.Book().Shelve("air end hot", "comp1", startMS+3_600_000, "R. Vale", "fan ordered", startMS)
	history := []Record{shelved, raise(t, e)}
	byHand, err := e.Book().Unshelve("air end hot", "comp1", "R. Vale", "", startMS+5000) // of the commands, while nobody records
	if err != nil {
		t.Fatal(err)
	}
	history = append(history, byHand)
	for start, want := range []int{1, 0} { // told at the first start, and not again at the next
		again, _ := restart(t, site, src, history, startMS+60_000)
		ended, untold := again.Sweep(startMS + 60_000)
		if len(untold) != want || len(ended) != want || len(again.Untold(startMS+60_000)) != 0 {
			t.Errorf("unshelved while nobody recorded: at start %d %+v, to be told %+v", start, ended, untold)
		}
		history = append(history, ended...)
	}

	e, _ = New(site, src, nil, startMS)
	eastern := time.FixedZone("EST", -5*3600)
	if r := e.Book().Shelve("air end hot", "comp1", startMS+3_600_000, "R. Vale", "fan ordered", startMS); r.Text(eastern) != "air end hot of comp1, shelved until Wed 2026-02-25 02:13 by R. Vale: fan ordered" {
		t.Errorf("the history says %q", r.Text(eastern))
	}
	e.Book().Shelve("air end hot", "comp1", startMS+7*24*3_600_000, "R. Vale", "x", startMS)
	if r := raise(t, e); r.Told {
		t.Error("told though shelved for a week")
	}
	if ended, untold := e.Sweep(startMS - 24*3_600_000); len(ended) != 1 || len(untold) != 1 {
		t.Errorf("with the clock set back by a day it is %d ended: want no shelf longer than seven days", len(ended))
	}
	if _, err := e.Book().Unshelve("air end hot", "comp1", "R. Vale", "", startMS); !errors.Is(err, ErrNotShelved) {
		t.Errorf("unshelved twice: %v", err)
	}
}

// TestBookTellsApart: what is said of one alarm, rule or machine is not said of another.
func TestBookTellsApart(t *testing.T) {
	raised := func(id, rule, subject string, atMS int64) Record {
		return Record{State: Raised, ID: id, Rule: rule, Subject: subject, Priority: "high", AtMS: atMS}
	}
	shelved := func(rule, subject string) Record {
		return Record{State: Shelved, Rule: rule, Subject: subject, AtMS: startMS, UntilMS: startMS + 3_600_000}
	}
	told := func(rule, subject string) Record {
		return Record{State: Unshelved, Rule: rule, Subject: subject, AtMS: startMS + 2000, Told: true}
	}
	for _, tt := range []struct {
		name    string
		history []Record
		want    string // ids that are still to be told
	}{
		{"of the rule", []Record{shelved("hot", ""), raised("a", "hot", "m", startMS+1), told("hot", "")}, ""},
		{"of the machine", []Record{shelved("hot", "m"), raised("a", "hot", "m", startMS+1), told("hot", "m")}, ""},
		{"of another rule", []Record{shelved("hot", ""), shelved("low", ""), raised("a", "hot", "m", startMS+1), told("low", ""), {State: Unshelved, Rule: "hot", AtMS: startMS + 3000}}, "a"},
		{"of another machine", []Record{shelved("hot", "m"), shelved("hot", "n"), raised("a", "hot", "m", startMS+1), told("hot", "n"), {State: Unshelved, Rule: "hot", Subject: "m", AtMS: startMS + 3000}}, "a"},
		{"its machine is shelved still", []Record{shelved("hot", "m"), shelved("hot", ""), raised("a", "hot", "m", startMS+1), told("hot", ""), {State: Unshelved, Rule: "hot", Subject: "m", AtMS: startMS + 3000}}, "a"},
	} {
		e := &Engine{book: NewBook(tt.history), rules: []*Rule{{Alarm: sitefile.Alarm{Name: "hot"}, Targets: []string{"dispatch"}}}}
		var ids []string
		for _, r := range e.Untold(startMS + 4000) {
			ids = append(ids, r.ID)
		}
		if got := strings.Join(ids, " "); got != tt.want {
			t.Errorf("unshelved %s: to be told %q, want %q", tt.name, got, tt.want)
		}
	}
	b := NewBook([]Record{raised("a", "hot", "m", startMS), {State: Returned, ID: "a", Rule: "hot", Subject: "m", AtMS: startMS + 1},
		raised("b", "hot", "m", startMS+2), {State: Acknowledged, ID: "a", Rule: "hot", Subject: "m", AtMS: startMS + 3, Who: "R. Vale"}})
	if s := b.Standing(startMS + 4); len(s) != 1 || s[0].ID != "b" || s[0].AckMS != 0 {
		t.Errorf("the earlier alarm is acknowledged, and so is the later: %+v", s)
	}
}

// TestMessagesAreBounded: three raises an hour are told; the next that is says how many
// were not, once.
func TestMessagesAreBounded(t *testing.T) {
	p := newPoint(0, 0, 0, 3000)
	got := ""
	for _, minute := range []int64{0, 1, 2, 3, 4, 59, 61, 62, 63, 200} {
		held, ok := p.mayTell(minute * 60_000)
		if got += " -"; ok {
			got = fmt.Sprintf("%s%d", got[:len(got)-1], held)
		}
	}
	if want := " 0 0 0 - - - 3 0 0 0"; got != want {
		t.Errorf("told %q, want %q", got, want)
	}
}

// TestRuleIsBlind: a rule whose readings stop, and one of a channel that is not read.
func TestRuleIsBlind(t *testing.T) {
	site, src := shop(t, hot())
	e, _ := New(site, src, nil, startMS)
	see(e, 0, 370)
	for second, want := range map[int64]RuleState{3: QuietRule, 4: BlindRule} {
		if state, why, _ := e.StateOf(e.Rules()[0], second*1000); state != want || (why != "") != (want == BlindRule) {
			t.Errorf("%d s after the last reading: %s, %q", second, state, why)
		}
	}
	src.GapMS = func(string) int64 { return 0 }
	e, _ = New(site, src, nil, startMS)
	if state, why, _ := e.StateOf(e.Rules()[0], 0); len(e.Rules()[0].Points) != 0 || state != BlindRule || why != "c.heat is not polled" {
		t.Errorf("not polled: %s, %q", state, why)
	}
}

// TestRulesSay: each kind's sentence, and what it watches.
func TestRulesSay(t *testing.T) {
	grown, volts := 0.2, 62.0
	for _, tt := range []struct {
		alarm          sitefile.Alarm
		subjects, text string
	}{
		{hot(), "comp1", "Raised when the discharge temperature is above 105.0 °C for 2 s; returns when that is over by 3 °C for 1 s."},
		{sitefile.Alarm{On: sitefile.AlarmMinimum, After: 2 * time.Minute, Back: 1e4}, "main", "Raised when the pressure of a system is below its minimum_pressure for 2 min; returns when that is over by 0.1 bar."},
		{sitefile.Alarm{On: sitefile.AlarmStarts}, "comp1", "Raised when a motor starts 6 times within an hour, as often as it may; returns when that is over."},
		{sitefile.Alarm{On: sitefile.AlarmCycling, Limit: 60}, "comp1", "Raised when a machine loads more than 60 times within an hour; returns when that is over."},
		{sitefile.Alarm{On: sitefile.AlarmNoData, Device: "meter"}, "meter", "Raised when a device gives no values; returns when that is over."},
		{sitefile.Alarm{On: sitefile.AlarmNoData}, "c, meter", "Raised when a device gives no values; returns when that is over."},
		{sitefile.Alarm{On: sitefile.AlarmService, Ahead: 14 * 24 * time.Hour}, "comp1", "Raised when an item of the service list is due, or will be within 14 d; returns when that is over."},
		{sitefile.Alarm{On: sitefile.AlarmQuiet, Above: &grown}, "main", "Raised when what flows in quiet hours of the last week is more than 20 % above that of the four weeks before, more surely than by chance; returns when that is over."},
		{sitefile.Alarm{On: sitefile.AlarmFault}, "comp1", "Raised when a fault code is on; returns when that is over."},
		{sitefile.Alarm{On: sitefile.AlarmDisk, FreeBytes: 2e9}, "disk", "Raised when the disk of the data directory takes nothing, or less than 2 GB is free on it; returns when that is over."},
		{sitefile.Alarm{On: sitefile.AlarmUndelivered, After: 30 * time.Minute}, "dispatch, owner", "Raised when nothing gets through to a receiver of samples or a target of messages, or less than is recorded for 30 min; returns when that is over."},
		{sitefile.Alarm{On: sitefile.AlarmReading, Channel: "meter.amps", Above: &volts}, "meter", "Raised when meter.amps is above 62.0 A; returns when that is over."},
	} {
		tt.alarm.Name = "one"
		site, src := shop(t, tt.alarm)
		e, _ := New(site, src, nil, startMS)
		r := e.Rules()[0]
		if got := strings.Join(r.Subjects(), ", "); got != tt.subjects || r.Text != tt.text {
			t.Errorf("%s: of %q, want %q\n got %s\nwant %s", tt.alarm.On, got, tt.subjects, r.Text, tt.text)
		}
	}
	nothing := hot()
	nothing.Role = scan.OilTemperature
	site, src := shop(t, nothing)
	e, _ := New(site, src, nil, startMS)
	if state, why, _ := e.StateOf(e.Rules()[0], 0); state != BlindRule || why != "no channel has the role oil_temperature of a machine" {
		t.Errorf("a rule that watches nothing is %s: %q", state, why)
	}
}
