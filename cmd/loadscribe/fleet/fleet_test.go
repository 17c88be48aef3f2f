package fleet

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"net/http"
	"net/url"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"loadscribe/agent/publish/remote"
	"loadscribe/simulator"
	"loadscribe/testdata/peers"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// story is one shop of the test, and what is different there.
type story struct {
	town string
	edit func(*simulator.Scenario)
}

// stories differ in what the rules rank by; every machine delivers what its plate says,
// which is all that a site without a flow meter can know.
func stories() []story {
	const cfm = 0.3048 * 0.3048 * 0.3048 / 60 // m³/s
	all := []story{
		{"orrimoor", func(s *simulator.Scenario) { s.Leak.FlowM3S, s.Machines[0].NoLoadStop = 6*cfm, 6*time.Minute }},
		{"vessossle", func(s *simulator.Scenario) { s.Leak.FlowM3S = 30 * cfm }}, // too much for it ever to stop
		{"quarletter", func(s *simulator.Scenario) { s.Leak.FlowM3S, s.Machines[0].NoLoadStop = 12*cfm, time.Hour }},
		{"tambunderly", func(s *simulator.Scenario) {
			s.Leak.FlowM3S = 18 * cfm
			s.Machines[0].NoLoadStop, s.Machines[0].LeastStarts = 30*time.Second, 0
		}},
	}
	for i := range all {
		edit := all[i].edit
		all[i].edit = func(s *simulator.Scenario) {
			s.Machines[0].FlowFactor, s.Machines[0].Schedule = 1, nil // it runs at night too, for the leaks
			edit(s)
		}
	}
	return all
}

// TestFleetRanksAsTheTruth plays four shops over a day and two hours into one receiver
// while they send each hour what came meanwhile. The receiver must have every sample,
// to the bit, and the rules must rank the shops as what truly happened in them does.
func TestFleetRanksAsTheTruth(t *testing.T) {
	if testing.Short() {
		t.Skip("four shops, a day each")
	}
	rules, err := filepath.Abs("../../../configs/prometheus/fleet-rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	receiver := peers.Prometheus(t, fmt.Sprintf("rule_files: [%q]\nstorage: { tsdb: { out_of_order_time_window: 3650d } }\n", rules),
		"--web.enable-remote-write-receiver", "--storage.tsdb.retention.time=3650d")
	from := Monday().Add(5 * time.Hour)
	until := from.Add(26 * time.Hour)
	shops := play(t, receiver, from, until)
	for _, s := range shops {
		sameSamples(t, receiver, s, until)
	}
	ranked(t, receiver, shops, until)
}

// play opens the shops and has them record and send by the hour.
func play(t *testing.T, receiver *peers.PrometheusServer, from, until time.Time) []*Shop {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 3*time.Minute)
	defer cancel()
	var wait sync.WaitGroup
	shops := make([]*Shop, len(stories()))
	for i, story := range stories() {
		wire := NewWire(nil)
		s, err := Open(t.TempDir(), Options{Town: story.town, Size: Small(), Edit: story.edit, Seed: uint64(40 + i), From: from, Length: until.Sub(from),
			Every: time.Minute, URL: receiver.URL + "/api/v1/write", Wire: wire, Keep: true})
		if err != nil {
			t.Fatal(err)
		}
		shops[i] = s
		t.Cleanup(func() {
			if err := s.Close(); err != nil {
				t.Error(err)
			}
			wire.Close()
		})
		wait.Go(func() {
			for at := from; at.Before(until); at = at.Add(time.Hour) {
				if err := s.Record(at.Add(time.Hour)); err != nil {
					t.Error(err)
					return
				}
				if err := s.Deliver(ctx); err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	if wait.Wait(); t.Failed() {
		t.FailNow()
	}
	return shops
}

// sameSamples holds what the receiver has of a shop against what its record gave.
func sameSamples(t *testing.T, receiver *peers.PrometheusServer, s *Shop, until time.Time) {
	t.Helper()
	var found struct {
		Data struct {
			Result []struct {
				Metric map[string]string
				Values [][2]json.RawMessage
			}
		}
	}
	err := receiver.Ask(context.Background(), "/api/v1/query", url.Values{"query": {fmt.Sprintf("{site=%q}[27h]", s.Town)},
		"time": {strconv.FormatInt(until.Unix(), 10)}}, &found)
	if err != nil {
		t.Fatal(err)
	}
	given, number := s.Given()
	got, ends := 0, 0
	for _, series := range found.Data.Result {
		var labels []remote.Label
		for _, name := range slices.Sorted(maps.Keys(series.Metric)) {
			labels = append(labels, remote.Label{Name: name, Value: series.Metric[name]})
		}
		want := given[Name(labels)]
		for _, v := range series.Values {
			seconds, err := strconv.ParseFloat(string(v[0]), 64)
			if err != nil {
				t.Fatal(err)
			}
			value, err := strconv.ParseFloat(strings.Trim(string(v[1]), `"`), 64)
			at := int64(math.Round(seconds * 1000))
			if was, ok := want[at]; err != nil || !ok || was != value {
				t.Fatalf("%s at %d: the receiver has %s, the record gave %v (%v)", Name(labels), at, v[1], was, ok)
			}
			got++
		}
	}
	unique := 0
	for _, samples := range given {
		unique += len(samples)
		for _, v := range samples {
			if math.Float64bits(v) == remote.StaleBits {
				ends++ // which a query does not show
			}
		}
	}
	if unique != got+ends || int64(unique) != number || len(given) < 20 || unique < 26*60*20 {
		t.Errorf("%s: the receiver has %d samples and %d ends of series, the record gave %d of %d series (%d with repeats)", s.Town, got, ends, unique, len(given), number)
	}
	if st := s.State(); st.Samples != int64(unique) || len(st.Refused) > 0 {
		t.Errorf("%s: the sender says %d delivered and %v refused of %d", s.Town, st.Samples, st.Refused, unique)
	}
}

// rank is a rule and what it is of in truth.
type rank struct {
	rule  string
	apart float64 // truths must differ by so much, or the order says nothing
	near  float64 // and the rule's figure be so near its truth
	truth func(*simulator.Truth) float64
}

// ranks are of the day before until.
func ranks(t *testing.T, until time.Time) []rank {
	dayBefore := until.Add(-24 * time.Hour)
	return []rank{
		{"site:loadscribe_specific_power_joules_per_cubic_meter:ratio1d", 0.03, 0.05, func(tr *simulator.Truth) float64 {
			m := totals(t, tr, dayBefore, until)
			return (m.StateJ[simulator.Starting] + m.StateJ[simulator.Unloaded] + m.StateJ[simulator.Loaded]) / m.DeliveredM3
		}},
		{"site:loadscribe_starts_per_hour:max1d", 0.1, 0.01, func(tr *simulator.Truth) float64 {
			return float64(totals(t, tr, dayBefore, until).Starts) / 24
		}},
		{"site:loadscribe_quiet_demand_cubic_meters_per_second:last", 0.2, 0.03, func(tr *simulator.Truth) float64 {
			night := dayBefore.Add(8 * time.Hour) // 22:00
			return tr.Plant(night, night.Add(6*time.Hour)).LeakedM3 / (6 * time.Hour).Seconds()
		}},
	}
}

// ranked holds the order of the shops by each rule to the order by the truth.
func ranked(t *testing.T, receiver *peers.PrometheusServer, shops []*Shop, until time.Time) {
	t.Helper()
	rules := rulesOf(t, receiver)
	for expr, want := range map[string]float64{ // of every shop
		"count by (site) (loadscribe_device_up)":                                    2,
		rules.expand("site_machine:loadscribe_observed_seconds:increase1d / 86400"): 1,
	} {
		points, err := receiver.Query(context.Background(), expr, until)
		if err != nil || len(points) != len(shops) {
			t.Fatalf("%s: %v %v", expr, points, err)
		}
		for _, p := range points {
			if math.Abs(p.Value/want-1) > 0.005 {
				t.Errorf("%s of %s is %v, not %v", expr, p.Labels["site"], p.Value, want)
			}
		}
	}
	for _, r := range ranks(t, until) {
		points, err := receiver.Query(context.Background(), "sort_desc("+rules.expand(rules[r.rule])+")", until)
		if err != nil || len(points) != len(shops) {
			t.Errorf("%s: %v %v", r.rule, points, err)
			continue
		}
		truths := map[string]float64{}
		for _, s := range shops {
			truths[s.Town] = r.truth(s.Stage.World.Truth())
		}
		t.Logf("%s: %v, in truth %v", r.rule, points, truths)
		inOrder(t, r, points, truths)
	}
}

// inOrder holds points to truths: each near its own, and one after the other.
func inOrder(t *testing.T, r rank, points []peers.Point, truths map[string]float64) {
	t.Helper()
	for i, p := range points {
		truth := truths[p.Labels["site"]]
		if math.Abs(p.Value-truth) > r.near*truth {
			t.Errorf("%s of %s is %v, in truth %v", r.rule, p.Labels["site"], p.Value, truth)
		}
		if i == 0 {
			continue
		}
		before := truths[points[i-1].Labels["site"]]
		if before < truth {
			t.Errorf("%s ranks %v, the truth is %v", r.rule, points, truths)
		}
		if before > 0 && before/truth-1 < r.apart {
			t.Errorf("%s: two shops are too alike for an order: %v", r.rule, truths)
		}
	}
}

// totals are those of a shop's only machine.
func totals(t *testing.T, truth *simulator.Truth, from, until time.Time) simulator.Totals {
	t.Helper()
	m, err := truth.Totals(truth.Machines()[0], from, until)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// ruleTexts are expressions by the name that they are recorded as.
type ruleTexts map[string]string

// rulesOf asks the receiver for the rules that it has read.
func rulesOf(t *testing.T, receiver *peers.PrometheusServer) ruleTexts {
	t.Helper()
	answer, err := http.Get(receiver.URL + "/api/v1/rules")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	var found struct {
		Data struct {
			Groups []struct {
				Rules []struct{ Name, Query string }
			}
		}
	}
	if err := json.NewDecoder(answer.Body).Decode(&found); err != nil {
		t.Fatal(err)
	}
	texts := ruleTexts{}
	for _, g := range found.Data.Groups {
		for _, r := range g.Rules {
			texts[r.Name] = r.Query
		}
	}
	if len(texts) < 20 {
		t.Fatalf("the receiver has read %d rules", len(texts))
	}
	return texts
}

var recorded = regexp.MustCompile(`\b(?:site|site_machine|site_system|fleet):[a-z0-9_]+:[a-z0-9_]+\b(\[[0-9a-z]+\])?`)

// expand puts the rules that an expression reads into it: the record lies in the past,
// where no rule was evaluated.
func (r ruleTexts) expand(expr string) string {
	return recorded.ReplaceAllStringFunc(expr, func(name string) string {
		name, span, ranged := strings.Cut(name, "[")
		inner := "(" + r.expand(r[name]) + ")"
		if ranged {
			inner += "[" + strings.TrimSuffix(span, "]") + ":15m]"
		}
		return inner
	})
}
