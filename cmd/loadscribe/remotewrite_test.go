package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"net/url"
	"os"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/testdata/peers"
)

// TestRemoteWriteToPrometheus sends to a real Prometheus, which is stopped and started
// again, while the agent is killed in between. What lies there in the end is each reading
// that the export of the store has, at its time, and nothing else; counters agree with
// the figures of the same window.
func TestRemoteWriteToPrometheus(t *testing.T) {
	p := peers.Prometheus(t, "storage: {tsdb: {out_of_order_time_window: 1d}}\n", "--web.enable-remote-write-receiver")
	program := builtBinary(t)
	plant := servePlant(t, "127.0.0.1:0", nil)
	dir := t.TempDir()
	site := writeSite(t, dir, netLine(plant.address))
	text, err := os.ReadFile(site)
	if err != nil {
		t.Fatal(err)
	}
	writeFile(t, site, string(text)+"[[remote_write]]\nname = \"owner\"\nurl = \""+p.URL+"/api/v1/write\"\nsite = \"lane\"\nevery = \"50ms\"\n")
	c := startChild(t, program, "run", "--site", site)
	sent := func(what string, reached func(*agent.RemoteWrite) bool) {
		t.Helper()
		eventually(t, what, 60*time.Second, func() bool {
			var all agent.RemoteWrites
			status, body := tryGet("http://" + agentAt(t, dir) + "/api/v1/remote-write")
			return status == 200 && json.Unmarshal([]byte(body), &all) == nil && len(all.Receivers) == 1 && reached(&all.Receivers[0])
		})
	}
	sent("samples to arrive", func(r *agent.RemoteWrite) bool { return r.Samples > 1000 })
	if err := p.Stop(); err != nil {
		t.Fatal(err)
	}
	sent("the receiver to be missed", func(r *agent.RemoteWrite) bool { return r.State == "failing" && r.BehindScans > 20 })
	if err := c.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	c.exit(t, stopWithin)
	c = startChild(t, program, "run", "--site", site)
	sent("readings to wait for the receiver", func(r *agent.RemoteWrite) bool { return r.State == "failing" && r.BehindScans > 50 })
	if err := p.Start(); err != nil {
		t.Fatal(err)
	}
	sent("all that waited to arrive", func(r *agent.RemoteWrite) bool { return r.State == "sending" && r.BehindScans < 30 })
	c.signal(t, syscall.SIGTERM)
	if code := c.exit(t, 2*stopWithin); code != exitFine {
		t.Errorf("ended with %d; stderr:\n%s", code, c.stderr)
	}
	var stopped agent.RemoteWrites
	if err := json.Unmarshal([]byte(mustRun(t, "remote-write", "--site", site, "--json")), &stopped); err != nil || len(stopped.Receivers) != 1 {
		t.Fatalf("%+v, %v", stopped, err)
	}
	if r := stopped.Receivers[0]; r.State != "stopped" || r.MissedScans != 0 || len(r.LeftOut) != 0 || len(r.Refused) != 0 {
		t.Errorf("%+v", r)
	}
	comparePrometheus(t, p, site, stopped.Receivers[0].BehindScans)
	counterAgrees(t, p, site)
}

// rawSamples are the samples that a Prometheus has of a series, by time in Unix ms.
func rawSamples(t *testing.T, p *peers.PrometheusServer, series string) map[int64]float64 {
	t.Helper()
	var found struct {
		Data struct {
			Result []struct{ Values [][2]any }
		}
	}
	if err := p.Ask(t.Context(), "/api/v1/query", url.Values{"query": {series + "[1h]"}}, &found); err != nil {
		t.Fatal(err)
	}
	if len(found.Data.Result) != 1 {
		t.Fatalf("%s: %d series", series, len(found.Data.Result))
	}
	all := map[int64]float64{}
	for _, v := range found.Data.Result[0].Values {
		seconds, _ := v[0].(float64)
		text, _ := v[1].(string)
		value, err := strconv.ParseFloat(text, 64)
		if err != nil {
			t.Fatal(err)
		}
		all[int64(math.Round(seconds*1000))] = value
	}
	return all
}

// exportedValues are the good values of a channel in an export, in its unit, by time.
func exportedValues(t *testing.T, site, device, channel string) map[int64]float64 {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(mustRun(t, "export", "--site", site, "--from", "-1h", "--layout", "long"))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	all := map[int64]float64{}
	for _, r := range rows[1:] { // time,device,channel,value,unit,quality
		if r[1] != device || r[2] != channel || r[5] != "good" {
			continue
		}
		at, err := time.Parse(time.RFC3339Nano, r[0])
		if err != nil {
			t.Fatal(err)
		}
		if all[at.UnixMilli()], err = strconv.ParseFloat(r[3], 64); err != nil {
			t.Fatal(err)
		}
	}
	return all
}

// comparePrometheus holds readings there to the store's own export. psi is by its
// definition (NIST SP 811: 6894.757 Pa; exactly 4.4482216152605 N / 0.0254² m²). behind
// are the scans that the sender says it has not sent.
func comparePrometheus(t *testing.T, p *peers.PrometheusServer, site string, behind int64) {
	t.Helper()
	const psi = 4.4482216152605 / (0.0254 * 0.0254)
	for _, tt := range []struct {
		series, device, channel string
		si                      func(float64) float64
	}{
		{`loadscribe_pressure_pascals{site="lane",machine="comp1",role="discharge_pressure"}`, "controller", "discharge_pressure", func(v float64) float64 { return v * psi }},
		{`loadscribe_temperature_celsius{site="lane",machine="comp1",role="discharge_temperature"}`, "controller", "discharge_temperature", func(v float64) float64 { return (v - 32) / 1.8 }},
		{`loadscribe_power_watts{site="lane",machine="comp1",role="power"}`, "meter", "power", func(v float64) float64 { return v * 1000 }},
	} {
		have, want := rawSamples(t, p, tt.series), exportedValues(t, site, tt.device, tt.channel)
		newest := slices.Max(slices.Collect(maps.Keys(have)))
		compared := 0
		for at, v := range want {
			got, ok := have[at]
			switch {
			case !ok && at < newest:
				t.Errorf("%s: the store has %v at %s, Prometheus has nothing", tt.series, v, time.UnixMilli(at).UTC())
			case ok && math.Abs(got-tt.si(v)) > 1e-9*math.Abs(got):
				t.Errorf("%s at %s: %v, the store has %v", tt.series, time.UnixMilli(at).UTC(), got, tt.si(v))
			case ok:
				compared++
			}
		}
		for at := range have {
			if _, ok := want[at]; !ok {
				t.Errorf("%s: Prometheus has a sample at %s that the store has not", tt.series, time.UnixMilli(at).UTC())
			}
		}
		late := int64(0) // they wait for the next start, and with them what was read of the last cell
		for at := range want {
			if at > newest {
				late++
			}
		}
		t.Logf("%s: %d samples compared, %d not sent yet", tt.channel, compared, late)
		if compared < 20 || late > behind+1 {
			t.Errorf("%s: %d samples compared, %d not sent, the sender says %d scans", tt.series, compared, late, behind)
		}
	}
}

// counterAgrees holds the increase of observed time there to the figure of the window
// between two of its samples, both within one run of the agent.
func counterAgrees(t *testing.T, p *peers.PrometheusServer, site string) {
	t.Helper()
	seconds := map[int64]float64{}
	for _, state := range []string{"off", "standby", "stopped", "starting", "unloaded", "loaded", "part-load", "tripped"} {
		for at, v := range rawSamples(t, p, fmt.Sprintf(`loadscribe_state_seconds_total{site="lane",machine="comp1",state=%q}`, state)) {
			seconds[at] += v
		}
	}
	times := slices.Sorted(maps.Keys(seconds))
	first, last := times[0], times[len(times)-1]
	var report struct {
		Machines []struct {
			Figures []struct {
				Name  string
				Value *float64
			}
		}
	}
	at := func(ms int64) string { return time.UnixMilli(ms).UTC().Format("2006-01-02T15:04:05.000Z") }
	if err := json.Unmarshal([]byte(mustRun(t, "summary", "--site", site, "--from", at(first), "--to", at(last+1), "--json")), &report); err != nil {
		t.Fatal(err)
	}
	for _, f := range report.Machines[0].Figures {
		if f.Name == "observed_time" {
			increase := seconds[last] - seconds[first]
			t.Logf("observed time: %.3f s by the counters, %.3f s by the figure", increase, *f.Value)
			if f.Value == nil || math.Abs(increase-*f.Value) > 0.01*increase {
				t.Errorf("observed time: %v s by the counters, %v by the figure", increase, f.Value)
			}
			return
		}
	}
	t.Error("no figure observed_time")
}
