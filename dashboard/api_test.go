package dashboard

import (
	"encoding/json"
	"net/http"
	"reflect"
	"slices"
	"strings"
	"testing"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/agent/hookup"
	"loadscribe/agent/publish"
	"loadscribe/agent/replay"
	"loadscribe/agent/sitefile"
)

func TestAnswersFitTheDocument(t *testing.T) {
	s := newTestServer(t, newShop(), Options{})
	d := readDocument(t)
	tests := []struct {
		target string
		status int
		schema string
	}{
		{"/api/v1/site", 200, "Site"},
		{"/api/v1/state", 200, "State"},
		{"/api/v1/series?channel=controller.discharge_pressure&channel=meter.power&from=-1h", 200, "SeriesAnswer"},
		{"/api/v1/series?state=comp1&from=-1h", 200, "SeriesAnswer"},
		{"/api/v1/series?state=comp2&channel=meter.power", 200, "SeriesAnswer"},
		{"/api/v1/series?layout=columns&channel=controller.discharge_pressure&state=comp1&state=comp2&points=50", 200, "ColumnsAnswer"},
		{"/api/v1/series?state=comp1&state=comp2", 400, "Error"},
		{"/api/v1/moments?channel=controller.discharge_pressure&channel=meter.power&at=-1h&at=-2h", 200, "MomentsAnswer"},
		{"/api/v1/moments?channel=controller.discharge_pressure&at=now", 200, "MomentsAnswer"},
		{"/api/v1/moments?channel=no.such&at=now", 404, "Error"},
		{"/api/v1/below?system=main", 200, "BelowAnswer"},
		{"/api/v1/below?system=other", 404, "Error"},
		{"/api/v1/figures", 200, "FiguresAnswer"},
		{"/api/v1/figures?machine=comp1&from=2026-03-01&to=2026-03-02", 200, "FiguresAnswer"},
		{"/api/v1/events?limit=5", 200, "EventsAnswer"},
		{"/api/v1/events?kind=state&kind=note&subject=comp1&change=load&change=unload&cursor=1.2.3", 200, "EventsAnswer"},
		{"/api/v1/faults", 200, "FaultsAnswer"},
		{"/api/v1/service", 200, "ServiceAnswer"},
		{"/api/v1/service?from=-1d", 400, "Error"},
		{"/api/v1/service/effect?note=3&days=28", 200, "ServiceEffectAnswer"},
		{"/api/v1/service/effect?note=4", 400, "Error"},
		{"/api/v1/service/effect?note=x", 400, "Error"},
		{"/api/v1/service/effect?note=3&days=29", 400, "Error"},
		{"/api/v1/compare?before=2026-03-02/2026-03-08&after=2026-03-16/2026-03-22&system=main&model=air&peak=Mon-Fri+14:00-18:00&peak_months=6-9", 200, "Comparison"},
		{"/api/v1/compare", 400, "Error"},
		{"/api/v1/days?from=2026-03-02&to=2026-03-08&system=main", 200, "DaysAnswer"},
		{"/api/v1/days?machine=comp9", 400, "Error"},
		{"/api/v1/days?from=now&to=-1d", 400, "Error"},
		{"/api/v1/money?from=2026-03-02&to=2026-03-08&system=main", 200, "MoneyAnswer"},
		{"/api/v1/money?machine=comp9", 400, "Error"},
		{"/api/v1/money?step=1h", 400, "Error"},
		{"/api/v1/periods?first=2026-03-02/2026-03-08&second=2026-03-16/2026-03-22&machine=comp1", 200, "PeriodsAnswer"},
		{"/api/v1/periods?second=2026-03-16/2026-03-22", 400, "Error"},
		{"/api/v1/missed?from=2026-03-02&to=2026-03-08", 200, "MissedAnswer"},
		{"/api/v1/missed?from=now&to=-1d", 400, "Error"},
		{"/api/v1/missed?machine=comp1", 400, "Error"},
		{"/api/v1/remote-write", 200, "RemoteWrites"},
		{"/api/v1/remote-write?name=owner", 400, "Error"},
		{"/api/v1/text?hash=5f", 403, "Error"},
		{"/api/v1/notes", 405, "Error"},
		{"/api/v1/intervals?machine=comp1", 200, "IntervalsAnswer"},
		{"/api/v1/intervals", 400, "Error"},
		{"/api/v1/intervals?machine=comp9", 404, "Error"},
		{"/api/v1/unloads?machine=comp1&limit=10&seconds=60&points=5&from=-7d", 200, "UnloadsAnswer"},
		{"/api/v1/unloads", 400, "Error"},
		{"/api/v1/unloads?machine=comp1&limit=0", 400, "Error"},
		{"/api/v1/unloads?machine=comp9", 404, "Error"},
		{"/api/v1/cycles?machine=comp1&limit=10&from=-7d", 200, "CyclesAnswer"},
		{"/api/v1/cycles", 400, "Error"},
		{"/api/v1/cycles?machine=comp1&limit=5001", 400, "Error"},
		{"/api/v1/cycles?machine=comp9", 404, "Error"},
		{"/api/v1/demand?system=main&from=-2h&step=1h", 200, "DemandAnswer"},
		{"/api/v1/demand", 400, "Error"}, // of two systems
		{"/api/v1/demand?system=main&step=90s", 400, "Error"},
		{"/api/v1/demand?system=other", 404, "Error"},
		{"/api/v1/leaks?system=main", 200, "LeaksAnswer"},
		{"/api/v1/leaks?system=other", 404, "Error"},
		{"/api/v1/nights?system=main", 200, "NightsAnswer"},
		{"/api/v1/nights?system=main&from=-60d", 400, "Error"},
		{"/api/v1/nights?system=other", 404, "Error"},
		{"/api/v1/nights", 400, "Error"}, // of two systems
		{"/api/v1/series", 400, "Error"},
		{"/api/v1/series?channel=no.such", 404, "Error"},
		{"/api/v1/series?state=comp9", 404, "Error"},
		{"/api/v1/figures?machine=comp9", 404, "Error"},
		{"/api/v1/export", 400, "Error"},
		{"/api/v1/live", 426, "Error"},
		{"/api/v1/nothing", 404, "Error"},
		{"/api/v1/hookup", 503, "Error"}, // a stopped store
		{"/api/v1/registers", 503, "Error"},
		{"/api/v1/registers?device=nobody", 404, "Error"},
		{"/api/v1/lines", 503, "Error"},
		{"/api/v1/sitefile", 200, "SiteFilesAnswer"},
		{"/api/v1/sitefile?path=x", 400, "Error"},
		{"/api/v1/hookup/step", 405, "Error"},
		{"/api/v1/tests", 200, "Tests"},
		{"/api/v1/tests/start", 405, "Error"},
		{"/api/v1/replay?id=1", 503, "Error"},
	}
	for _, tt := range tests {
		t.Run(tt.target, func(t *testing.T) {
			w := get(s, tt.target)
			if w.Code != tt.status {
				t.Fatalf("status %d, want %d: %s", w.Code, tt.status, w.Body)
			}
			if ct := w.Header().Get("Content-Type"); ct != "application/json" {
				t.Errorf("content type %q", ct)
			}
			d.mustFit(t, tt.schema, w.Body.Bytes())
		})
	}
}

// The schema of each answer is the one the document names for its path.
func TestRoutesAreInTheDocument(t *testing.T) {
	s := newTestServer(t, newShop(), Options{})
	d := readDocument(t)
	var documented []string
	for path, item := range d.at("paths") {
		documented = append(documented, path)
		for method := range item.(map[string]any) {
			// Only what a person says is sent, notes and at a hook-up check; and a
			// backup is asked for, which seals what is open.
			posted := path == "/api/v1/notes" || path == "/api/v1/verify" || path == "/api/v1/backup" || path == "/api/v1/backup/ready" || strings.HasPrefix(path, "/api/v1/hookup/") || strings.HasPrefix(path, "/api/v1/tests/") || strings.HasPrefix(path, "/api/v1/levels/") || path == "/api/v1/replay/cancel" || path == "/api/v1/report/cancel"
			posted = posted || strings.HasPrefix(path, "/api/v1/door/") && path != "/api/v1/door/people" && path != "/api/v1/door/sessions"
			posted = posted || strings.HasPrefix(path, "/api/v1/newsite/") || strings.HasPrefix(path, "/api/v1/audit/") || strings.HasPrefix(path, "/api/v1/alarms/")
			if (path == "/api/v1/door/people" || path == "/api/v1/leaks" || path == "/api/v1/compare" || path == "/api/v1/replay" || path == "/api/v1/report") && method == "post" {
				continue // they are both: what is asked, or said, does not fit into an address
			}
			if want := map[bool]string{true: "post", false: "get"}[posted]; method != want {
				t.Errorf("%s has %s, want %s", path, method, want)
			}
		}
	}
	slices.Sort(documented)
	served := slices.Compact(slices.Sorted(slices.Values(slices.Concat(s.routes, s.posts))))
	if !slices.Equal(documented, served) {
		t.Errorf("documented %v\nserved     %v", documented, served)
	}
	for path, want := range map[string]string{
		"/api/v1/site": "Site", "/api/v1/state": "State", "/api/v1/figures": "FiguresAnswer",
		"/api/v1/figure-names": "FigureNamesAnswer", "/api/v1/moments": "MomentsAnswer", "/api/v1/below": "BelowAnswer",
		"/api/v1/demand": "DemandAnswer", "/api/v1/nights": "NightsAnswer", "/api/v1/leaks": "LeaksAnswer",
		"/api/v1/events": "EventsAnswer", "/api/v1/intervals": "IntervalsAnswer", "/api/v1/hookup": "HookupReport",
		"/api/v1/levels": "LevelsAnswer", "/api/v1/evidence": "EvidenceHead", "/api/v1/tests": "Tests",
		"/api/v1/compare": "Comparison", "/api/v1/replay": "ReplayJob", "/api/v1/report": "ReportJob",
		"/api/v1/days": "DaysAnswer", "/api/v1/periods": "PeriodsAnswer", "/api/v1/missed": "MissedAnswer", "/api/v1/remote-write": "RemoteWrites", "/api/v1/money": "MoneyAnswer",
		"/api/v1/service": "ServiceAnswer", "/api/v1/service/effect": "ServiceEffectAnswer", "/api/v1/unloads": "UnloadsAnswer", "/api/v1/cycles": "CyclesAnswer",
		"/api/v1/registers": "RegistersAnswer", "/api/v1/lines": "LinesAnswer", "/api/v1/sitefile": "SiteFilesAnswer",
		"/api/v1/faults": "FaultsAnswer", "/api/v1/text": "TextAnswer",
		"/api/v1/door": "Door", "/api/v1/door/people": "DoorPeople", "/api/v1/door/sessions": "DoorSessions",
	} {
		schema := d.at("paths", path, "get", "responses", "200", "content", "application/json", "schema")
		if schema["$ref"] != "#/components/schemas/"+want {
			t.Errorf("%s answers %v in the document, want %s", path, schema["$ref"], want)
		}
	}
	two, _ := d.at("paths", "/api/v1/series", "get", "responses", "200", "content", "application/json", "schema")["oneOf"].([]any)
	if text, _ := json.Marshal(two); string(text) != `[{"$ref":"#/components/schemas/SeriesAnswer"},{"$ref":"#/components/schemas/ColumnsAnswer"}]` {
		t.Errorf("/api/v1/series answers %s in the document", text)
	}
	for name, schema := range d.at("components", "schemas") {
		text, _ := json.Marshal(schema)
		for _, part := range strings.Split(string(text), `"#/components/schemas/`)[1:] {
			if ref, _, _ := strings.Cut(part, `"`); d.schema(ref) == nil {
				t.Errorf("%s refers to %s, which is not there", name, ref)
			}
		}
	}
}

// Parameters in the document are those the handlers take.
func TestParametersAreInTheDocument(t *testing.T) {
	s := newCommandServer(t, newShop(), Options{Secret: "0123abcd"})
	d := readDocument(t)
	for path := range d.at("paths") {
		if !strings.HasPrefix(path, "/api/v1/") || slices.Contains([]string{"/api/v1/live", "/api/v1/openapi.json"}, path) {
			continue
		}
		w := get(s, path+"?no_such_parameter=1", "Authorization", "Bearer 0123abcd")
		method := "get"
		if slices.Contains(s.posts, path) && !slices.Contains(s.routes, path) {
			method = "post"
			w = do(s, http.MethodPost, path+"?no_such_parameter=1", "Authorization", "Bearer 0123abcd", "Content-Type", "application/json")
		}
		var e errorAnswer
		if err := json.Unmarshal(w.Body.Bytes(), &e); err != nil || w.Code != 400 || e.Error.Field != "no_such_parameter" {
			t.Errorf("%s: an unknown parameter gives %d %s", path, w.Code, w.Body)
			continue
		}
		_, names, _ := strings.Cut(e.Error.Message, ": use ")
		taken := strings.FieldsFunc(names, func(r rune) bool { return r == ',' || r == ' ' })
		var documented []string
		parameters, _ := d.at("paths", path, method)["parameters"].([]any)
		for _, p := range parameters {
			documented = append(documented, p.(map[string]any)["name"].(string))
		}
		slices.Sort(taken)
		slices.Sort(documented)
		if !slices.Equal(taken, documented) {
			t.Errorf("%s takes %v, documented %v", path, taken, documented)
		}
	}
}

func TestTypesAreInTheDocument(t *testing.T) {
	d := readDocument(t)
	for name, v := range map[string]any{
		"Site": siteAnswer{}, "InstrumentFacts": sitefile.InstrumentFacts{}, "InstrumentSetting": sitefile.SettingFacts{}, "InstrumentCheck": sitefile.CheckFacts{}, "SiteLine": siteLine{}, "SiteDevice": siteDevice{}, "SiteChannel": siteChannel{},
		"SiteMachine": siteMachine{}, "SiteSystem": siteSystem{}, "SitePart": sitePart{}, "SiteTap": siteTap{},
		"State": agent.State{}, "MachineState": agent.MachineState{}, "ChannelState": agent.ChannelState{},
		"DeviceState": agent.DeviceState{}, "LineState": agent.LineState{}, "StoreState": agent.StoreState{}, "AwakeState": agent.AwakeState{},
		"SeriesAnswer": seriesAnswer{}, "Series": series{}, "SeriesCell": seriesCell{}, "StateRun": agent.StateRun{},
		"ColumnsAnswer": columnsAnswer{}, "ColumnSeries": columnSeries{}, "StateBand": stateBand{},
		"MomentsAnswer": momentsAnswer{}, "MomentChannel": momentChannel{}, "MomentReading": momentReading{}, "MomentBetween": momentBetween{},
		"BelowAnswer": analysis.Below{}, "BelowStretch": analysis.BelowStretch{},
		"FigureNamesAnswer": figureNamesAnswer{}, "FigureGroup": analysis.FigureGroup{}, "FigureTitle": analysis.FigureTitle{},
		"FiguresAnswer": analysis.Report{}, "MachineFigures": analysis.MachineFigures{}, "SystemFigures": analysis.SystemFigures{},
		"Figure": analysis.Figure{}, "Moment": analysis.Moment{}, "EventsAnswer": agent.EventPage{}, "Event": agent.Event{},
		"IntervalsAnswer": intervalsAnswer{}, "Interval": analysis.Interval{}, "ScanUpdate": agent.ScanUpdate{},
		"HookupReport": hookup.Report{}, "HookupStepReport": hookup.StepReport{}, "HookupReading": hookup.StepReading{},
		"HookupCheck": hookup.Check{}, "HookupFinding": hookup.Finding{}, "HookupStart": startRequest{},
		"Finding": analysis.Finding{}, "FigureClass": analysis.Class{}, "LevelsAnswer": levelsAnswer{}, "EvidenceHead": agent.EvidenceHead{}, "EvidenceKey": agent.EvidenceKey{},
		"EvidenceBreak": agent.EvidenceBreak{}, "EvidenceKept": agent.EvidenceKept{}, "EvidenceVerdict": agent.EvidenceVerdict{}, "VerifyRequest": verifyRequest{},
		"LevelsChange": agent.LevelsChange{}, "Levels": analysis.HeldLevels{}, "LevelMode": analysis.Mode{},
		"Comparison": analysis.Comparison{}, "CompareRequest": agent.CompareRequest{}, "ComparedModel": analysis.ComparedModel{},
		"ComparedPeriod": analysis.ComparedPeriod{}, "ComparedDayType": analysis.ComparedDayType{}, "ModelCoefficient": analysis.ModelCoefficient{}, "Production": analysis.Production{},
		"Remark": analysis.Remark{}, "ServiceAnswer": serviceAnswer{}, "MachineService": analysis.MachineService{}, "ServiceItem": analysis.ServiceItem{},
		"ServiceMark": analysis.ServiceMark{}, "ServiceMove": analysis.ServiceMove{}, "ServiceMoved": analysis.ServiceMoved{}, "ServiceEffectAnswer": analysis.ServiceEffect{}, "FaultCame": agent.FaultCame{},
		"FaultsAnswer": faultsAnswer{}, "Fault": agent.Fault{}, "NewNote": agent.Note{}, "TextAnswer": textAnswer{},
		"UnloadsAnswer": analysis.Unloads{}, "UnloadCurve": analysis.UnloadCurve{},
		"DaysAnswer": analysis.Days{}, "Day": analysis.Day{}, "DayMachine": analysis.DayMachine{}, "DayPressure": analysis.DayPressure{},
		"WeekMap": analysis.WeekMap{}, "WeekCell": analysis.WeekCell{}, "PeriodsAnswer": analysis.Periods{}, "Period": analysis.Period{},
		"PeriodDays": analysis.PeriodDays{}, "PeriodRow": analysis.PeriodRow{},
		"MissedAnswer": agent.Missed{}, "MissedDevice": agent.MissedDevice{}, "MissedGap": agent.MissedGap{}, "MissedChannel": agent.MissedChannel{}, "MissedCounter": agent.MissedCounter{}, "MissedClock": agent.MissedClock{},
		"MissedDisk": agent.MissedDisk{}, "MissedEvidence": agent.MissedEvidence{}, "MissedSleep": agent.MissedSleep{}, "MissedToDo": agent.MissedToDo{},
		"DemandAnswer": analysis.Demand{}, "DemandStep": analysis.DemandStep{},
		"LeaksAnswer": agent.Leaks{}, "LeakSum": agent.LeakSum{}, "LeakTag": agent.LeakTag{}, "LeakTagSaid": agent.LeakTagSaid{}, "NewLeakTag": agent.LeakTagEntry{},
		"NightsAnswer": analysis.Nights{}, "Night": analysis.Night{}, "NightQuarters": analysis.NightQuarters{},
		"Tests": agent.Tests{}, "TestStatus": agent.TestStatus{}, "TestRecord": agent.TestRecord{}, "TestCautions": agent.TestCautions{},
		"TestAsk": agent.TestAsk{}, "TestCancel": testCancel{}, "TestWithdrawal": agent.TestWithdrawal{},
		"RegistersAnswer": agent.Registers{}, "DeviceRegisters": agent.DeviceRegisters{}, "Register": agent.Register{},
		"LinesAnswer": agent.Lines{}, "LineHealth": agent.LineHealth{}, "LineHeard": agent.LineHeard{}, "DeviceHealth": agent.DeviceHealth{}, "ReplyTimes": agent.Replies{},
		"SiteFilesAnswer": agent.SiteFiles{}, "SiteText": agent.SiteText{}, "SiteProblem": sitefile.Problem{}, "DiskFiles": agent.DiskFiles{}, "FileChange": agent.FileChange{},
		"HookupStep": stepRequest{}, "HookupSpot": hookup.Spot{},
		"ReplayRequest": agent.ReplayRequest{}, "ReplayJob": agent.ReplayJob{}, "ReplayCancel": replayCancel{},
		"ReportRequest": agent.ReportRequest{}, "ReportInputs": agent.ReportInputs{}, "ReportJob": agent.ReportJob{}, "ReportCancel": reportCancel{}, "ReportMade": agent.ReportMade{}, "ReportFile": agent.ReportFile{},
		"ReplayAlternative": replay.Alternative{}, "ReplaySetting": replay.Setting{}, "ReplayListed": replay.Listed{}, "ReplayAnswer": replay.Answer{},
		"ReplayAmount": replay.Amount{}, "ReplayOutcome": replay.Outcome{}, "ReplayMachineOutcome": replay.MachineOutcome{}, "ReplayTracePoint": replay.TracePoint{},
		"ReplayResult": replay.Result{}, "ReplayCalibrated": replay.Calibrated{}, "ReplayFit": replay.Fit{},
		"ReplaySearch": replay.SearchSpec{}, "ReplayLimits": replay.SearchLimits{}, "ReplayFront": replay.Front{}, "ReplayBroken": replay.Broken{}, "ReplayPoint": replay.FrontPoint{},
		"Door": doorAnswer{}, "DoorSelf": doorSelf{}, "DoorSetUp": doorSetUp{}, "DoorIn": doorIn{}, "DoorNothing": doorNothing{}, "DoorPassword": doorPassword{},
		"DoorPeople": doorPeople{}, "DoorPerson": doorPerson{}, "DoorPersonChange": doorPersonChange{}, "DoorPersonRemove": doorPersonRemove{},
		"DoorSessions": doorSessions{}, "DoorSession": doorSession{}, "DoorSessionEnd": doorSessionEnd{}, "DoorCode": doorCode{},
		"DoorScrape": doorScrape{}, "DoorScrapeToken": doorScrapeToken{},
		"Error": errorAnswer{}, "ErrorDetail": errorDetail{},
	} {
		d.fitsType(t, name, reflect.TypeOf(v))
	}
}

// The words that may appear are the ones the rest of the program uses.
func TestEnumsFitTheProgram(t *testing.T) {
	d := readDocument(t)
	words := func(path ...string) []string {
		var all []string
		list, _ := d.at(append([]string{"components", "schemas"}, path...)...)["enum"].([]any)
		for _, w := range list {
			all = append(all, w.(string))
		}
		return all
	}
	if got := words("StateName"); !slices.Equal(got, publish.States()) {
		t.Errorf("states %v, the program has %v", got, publish.States())
	}
	kinds := []string{string(sitefile.ModbusRTU), string(sitefile.ModbusASCII), string(sitefile.ModbusTCP), string(sitefile.ModbusRTUOverTCP), string(sitefile.Text), string(sitefile.FromFile)}
	if got := words("SiteLine", "properties", "kind"); !slices.Equal(got, kinds) {
		t.Errorf("line kinds %v, the program has %v", got, kinds)
	}
	controls := []string{string(sitefile.LoadUnload), string(sitefile.ModulateThenUnload), string(sitefile.Modulating),
		string(sitefile.VariableDisplacement), string(sitefile.VariableSpeed), string(sitefile.StartStop)}
	if got := words("SiteMachine", "properties", "control"); !slices.Equal(got, controls) {
		t.Errorf("control kinds %v, the program has %v", got, controls)
	}
}
