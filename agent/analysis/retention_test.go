package analysis

import (
	"reflect"
	"strings"
	"testing"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// thinned is a memory whose raw scans before from are no longer kept.
type thinned struct {
	*memory
	from int64
}

func (m thinned) RawFrom() int64 { return m.from }

func (m thinned) Scans(q store.ScanQuery, fn func(*scan.Scan) error) error {
	q.FromMS = max(q.FromMS, m.from)
	return m.memory.Scans(q, fn)
}

// Dropping raw scans changes no figure of whole intervals. A window that cuts
// one is widened, and the report says so and why.
func TestFiguresWithoutRaw(t *testing.T) {
	site := plant(t)
	m := fold(site, handWorked(t).scans)
	src := thinned{m, monday + hourMS}
	want := mustCompute(t, m, site, monday, monday+hourMS)
	got := mustCompute(t, src, site, monday, monday+hourMS)
	if !reflect.DeepEqual(got, want) || len(got.Notes) > 0 {
		t.Errorf("got\n%s\nwant\n%s", asJSON(t, got), asJSON(t, want))
	}
	cut := mustCompute(t, src, site, monday+7*60_000, monday+40*60_000)
	want = mustCompute(t, m, site, monday, monday+45*60_000)
	if len(cut.Notes) != 1 || !strings.Contains(cut.Notes[0], "are no longer kept: the window was widened to whole intervals of 15 minutes") {
		t.Errorf("notes %q", cut.Notes)
	}
	cut.Notes = nil
	if !reflect.DeepEqual(cut, want) {
		t.Errorf("a cut window gives\n%s\nwant that of the whole intervals\n%s", asJSON(t, cut), asJSON(t, want))
	}
}

// After a change of settings, summaries whose raw scans are gone are used as
// they are and named; those that no longer fit count as unobserved and are
// named too. Nothing is silently left out.
func TestSummariesOfEarlierSettingsWithoutRaw(t *testing.T) {
	site := plant(t)
	m := fold(site, handWorked(t).scans)
	src := thinned{m, monday + hourMS}
	want := mustCompute(t, m, site, monday, monday+hourMS)

	renamed := plant(t)
	delete(renamed.Machines[0].Roles, scan.Standby)
	got := mustCompute(t, src, renamed, monday, monday+hourMS)
	if len(got.Notes) != 1 || !strings.Contains(got.Notes[0], "comp1: the time from 2024-03-04T00:00:00.000Z to 2024-03-04T01:00:00.000Z was summarised under earlier settings") ||
		!strings.Contains(got.Notes[0], "used as they are") {
		t.Errorf("notes %q", got.Notes)
	}
	for _, name := range []string{"observed_time", "loaded_time", "starts", "energy", "pressure_max"} {
		if a, b := figureOf(t, got, name), figureOf(t, want, name); a.Value == nil || *a.Value != *b.Value {
			t.Errorf("%s is %+v, want %+v", name, a, b)
		}
	}

	// As many channels, another one in a role: today's scale would be read into
	// what the other one gave.
	other := plant(t)
	controller := other.Devices[0].Map
	controller.Channels = append(controller.Channels, mapChannel(t, "sump", "", "u16", 10, "kPa", controller.Channels[0].Every))
	other.Machines[0].Roles[scan.DischargePressure] = "controller.sump"
	got = mustCompute(t, src, other, monday, monday+hourMS)
	if len(got.Notes) == 0 || !strings.Contains(got.Notes[0], "do not fit the present channels, and it counts as unobserved") {
		t.Errorf("another channel in a role: notes %q", got.Notes)
	}
	if f := figureOf(t, got, "pressure_max"); f.Value != nil {
		t.Errorf("another channel in a role: pressure_max is %+v", f)
	}

	// Pieces of an earlier version of the program say nothing of their layout, and
	// are still today's where all the rest is.
	for i := range m.pieces {
		_, m.pieces[i].Config, _ = strings.Cut(m.pieces[i].Config, ".")
	}
	if got := mustCompute(t, src, site, monday, monday+hourMS); !reflect.DeepEqual(got, want) {
		t.Errorf("pieces without a layout: got\n%s\nwant\n%s", asJSON(t, got), asJSON(t, want))
	}

	fewer := plant(t)
	delete(fewer.Machines[0].Roles, scan.Energy)
	got = mustCompute(t, src, fewer, monday, monday+hourMS)
	if len(got.Notes) == 0 || !strings.Contains(got.Notes[0], "do not fit the present channels, and it counts as unobserved") {
		t.Errorf("notes %q", got.Notes)
	}
	if f := figureOf(t, got, "observed_time"); f.Value == nil || *f.Value != 0 {
		t.Errorf("observed_time is %+v, want 0: those summaries cannot be read", f)
	}
}
