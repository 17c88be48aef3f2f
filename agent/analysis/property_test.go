package analysis

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"

	"pgregory.net/rapid"
)

// variants are sites whose states come from different channels.
func variants(t testing.TB) map[string]*sitefile.Site {
	bits := plant(t)
	bits.Shifts = []sitefile.WeekWindow{{Days: [7]bool{true, true, true, true, true, true, true}, FromMinute: 7, UntilMinute: 22, Text: "00:07-00:22"}}
	power := plant(t)
	delete(power.Machines[0].Roles, scan.MotorRunning)
	delete(power.Machines[0].Roles, scan.Loaded)
	mixed := plant(t)
	delete(mixed.Machines[0].Roles, scan.Loaded)
	part := plant(t)
	part.Machines[0].Control = sitefile.VariableSpeed
	part.Devices[1].Map.Channels[0] = mapChannel(t, "power", scan.LoadFraction, "f32", 1, "%", time.Second)
	delete(part.Machines[0].Roles, scan.Power)
	part.Machines[0].Roles[scan.LoadFraction] = "meter.power"
	money := plant(t)
	money.Shifts = bits.Shifts
	delete(money.Machines[0].Roles, scan.Energy)
	money.Tariff.PlantMeter = "meter.energy"
	money.Tariff.Demand = []sitefile.DemandCharge{{PerKW: 10, Window: 10 * time.Minute, Rolling: true, RatchetShare: 0.8, RatchetMonths: 2}}
	reckoned := plant(t)
	reckoned.Devices[1].Map.Channels = []sitefile.MapChannel{
		mapChannel(t, "power", scan.MotorCurrent, "u16", 0.1, "A", time.Second), mapChannel(t, "energy", scan.VoltageAB, "u16", 0.1, "V", time.Second)}
	roles := reckoned.Machines[0].Roles
	delete(roles, scan.Power)
	delete(roles, scan.Energy)
	delete(roles, scan.StartCount)
	roles[scan.MotorCurrent], roles[scan.VoltageAB], roles[scan.PowerFactor] = "meter.power", "meter.energy", "controller.starts"
	amps := plant(t)
	amps.Devices[1].Map.Channels[0] = mapChannel(t, "power", scan.MotorCurrent, "u16", 0.1, "A", time.Second)
	delete(amps.Machines[0].Roles, scan.Power)
	amps.Machines[0].Roles[scan.MotorCurrent], amps.Machines[0].Motor.Volts = "meter.power", 460
	sump := plant(t)
	sump.Machines[0].Roles[scan.SumpPressure] = "controller.pressure"
	warm := plant(t)
	warm.Devices[0].Map.Channels[5] = mapChannel(t, "starts", scan.DischargeTemperature, "i16", 0.1, "°C", time.Second)
	warm.Devices[1].Map.Channels = []sitefile.MapChannel{
		mapChannel(t, "power", scan.AmbientTemperature, "i16", 0.1, "°C", time.Second), mapChannel(t, "energy", scan.AftercoolerTemp, "u16", 0.001, "°C", time.Second)}
	roles = warm.Machines[0].Roles
	for _, r := range []scan.Role{scan.Power, scan.Energy, scan.StartCount} {
		delete(roles, r)
	}
	roles[scan.DischargeTemperature], roles[scan.AmbientTemperature], roles[scan.AftercoolerTemp] = "controller.starts", "meter.power", "meter.energy"
	drops := plant(t)
	drops.Machines[0].Control = sitefile.VariableSpeed
	drops.Devices[0].Map.Channels[5] = mapChannel(t, "starts", scan.SeparatorDrop, "i16", 0.1, "kPa", time.Second)
	drops.Devices[1].Map.Channels = []sitefile.MapChannel{
		mapChannel(t, "power", scan.LoadFraction, "u16", 0.1, "%", time.Second), mapChannel(t, "energy", scan.ReceiverPressure, "u16", -0.01, "kPa", time.Second)}
	roles = drops.Machines[0].Roles
	for _, r := range []scan.Role{scan.Power, scan.Energy, scan.StartCount, scan.Loaded} {
		delete(roles, r)
	}
	roles[scan.SeparatorDrop], roles[scan.LoadFraction], roles[scan.ReceiverPressure] = "controller.starts", "meter.power", "meter.energy"
	warmTap := plant(t) // the system's pressure beside the machine's health, none of its own
	warmTap.Devices[0].Map.Channels[5] = mapChannel(t, "starts", scan.DischargeTemperature, "i16", 0.1, "°C", time.Second)
	delete(warmTap.Machines[0].Roles, scan.StartCount)
	delete(warmTap.Machines[0].Roles, scan.DischargePressure)
	warmTap.Machines[0].Roles[scan.DischargeTemperature] = "controller.starts"
	tapped := plant(t) // the system's pressure and flow are another device's, the flow is the machine's too
	tapped.Devices[1].Map.Channels = []sitefile.MapChannel{
		mapChannel(t, "power", scan.Flow, "u16", 0.01, "m3/min", time.Second), mapChannel(t, "energy", scan.HeaderPressure, "u16", 0.1, "kPa", time.Second)}
	for _, r := range []scan.Role{scan.Power, scan.Energy} {
		delete(tapped.Machines[0].Roles, r)
	}
	tapped.Machines[0].Roles[scan.Flow] = "meter.power"
	tapped.Systems[0].Taps[0] = sitefile.Tap{At: "receiver", Pressure: "meter.energy", Flow: "meter.power"}
	return map[string]*sitefile.Site{"bits": bits, "tapped": tapped, "tap beside health": warmTap, "drops": drops, "warm": warm, "sump": sump, "power": power, "mixed": mixed, "part": part,
		"money": money, "reckoned": reckoned, "amps": amps}
}

// randomTape draws scans with jitter, gaps, bad values, lost segments and steps
// of the wall clock in both directions.
func randomTape(t *rapid.T, site *sitefile.Site) *tape {
	tp := newTape(site, monday)
	mono := rapid.Int64Range(0, 1000).Draw(t, "first mono")
	pressure, starts, energy, power := int64(6500), int64(3), int64(65_000), int64(0)
	running, loaded, standby := int64(0), int64(0), int64(1)
	n := rapid.IntRange(1, 400).Draw(t, "scans")
	for i := 0; i < n; i++ {
		mono += rapid.SampledFrom([]int64{1, 250, 500, 500, 1000, 1000, 2900, 3000, 3001, 20_000, 130_000}).Draw(t, "dt")
		switch rapid.IntRange(0, 40).Draw(t, "what") {
		case 0: // agent restarted
			tp.segment++
			tp.wall += mono + rapid.Int64Range(0, 2_000_000).Draw(t, "pause")
			mono = rapid.Int64Range(0, 3000).Draw(t, "new mono")
		case 1: // the clock stepped
			tp.segment++
			tp.wall += rapid.Int64Range(-1_200_000, 1_200_000).Draw(t, "step")
		case 2, 3:
			tp.bad(rapid.SampledFrom([]string{"controller", "meter"}).Draw(t, "device"), mono,
				rapid.SampledFrom([]scan.Reason{scan.Timeout, scan.BadChecksum, scan.PortGone}).Draw(t, "reason"))
			continue
		case 4, 5, 6:
			running, loaded, power = 1-running, 0, 200*(1-running)
			starts += running
			standby = rapid.Int64Range(0, 1).Draw(t, "standby")
		case 7, 8, 9, 10, 11, 12:
			loaded, power = running*(1-loaded), running*(120+240*(1-loaded))
		}
		if rapid.IntRange(0, 60).Draw(t, "stretch") == 0 {
			// Minutes of the same, so that what needs time comes to pass.
			lie := rapid.IntRange(0, 5).Draw(t, "lie")
			var sump int64
			for j := int64(0); j < 150; j++ {
				mono += 1000
				loadedBit, drawn := loaded, power+j%2
				switch lie {
				case 1: // a load signal that is not true
					loadedBit = 1 - loaded
				case 2: // power that does not fit the motor's signal
					drawn = 360 * (1 - running)
				case 3: // loads and unloads while pressure and power stand
					loadedBit, drawn = j/15%2, power
				case 4:
					tp.bad("meter", mono+500, scan.Timeout)
				case 5: // an unload with a blow-down
					loadedBit, drawn = 0, max(90, 240-2*j)
					if j < 5 {
						loadedBit, drawn = 1, 360
					}
					sump = max(1500, 7000-60*max(0, j-5))
				}
				if lie != 5 {
					sump = max(0, pressure)
				}
				tp.add("controller", mono, max(running, loadedBit), loadedBit, standby, 0, sump, starts)
				if lie != 4 {
					tp.add("meter", mono+500, drawn, energy%65_536)
				}
			}
			mono += 500
		}
		pressure += rapid.Int64Range(-60, 60).Draw(t, "pressure")
		energy += rapid.Int64Range(0, 3).Draw(t, "energy")
		if rapid.Bool().Draw(t, "controller") {
			tp.add("controller", mono, running, loaded, standby, rapid.Int64Range(0, 9).Draw(t, "fault")/9, max(0, pressure), starts)
		} else {
			tp.add("meter", mono, power+rapid.Int64Range(0, 5).Draw(t, "noise"), energy%65_536)
		}
		if rapid.IntRange(0, 9).Draw(t, "quality") == 0 {
			s := &tp.scans[len(tp.scans)-1]
			s.Quality = make([]scan.Reason, len(s.Values))
			s.Quality[rapid.IntRange(0, len(s.Values)-1).Draw(t, "which")] = scan.Implausible
		}
	}
	return tp
}

// TestFoldsExactly is the rule that every figure rests on: however a stream is
// cut into pieces, with the carry passed and even the process restarted between
// them, every window gives the same report to the last bit as all raw scans in
// one go, and as live figures before any seal.
func TestFoldsExactly(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, and slow under the race detector; not under -short")
	}
	for name, site := range variants(t) {
		t.Run(name, func(t *testing.T) {
			all := specs(site, sitefile.Groups(site), nil)
			rapid.Check(t, func(t *rapid.T) { foldsExactly(t, site, all) })
		})
	}
}

// foldsExactly does it for one tape. all are the site's specs: to make them anew at
// each restart would be half of the work.
func foldsExactly(t *rapid.T, site *sitefile.Site, all []*spec) {
	tp := randomTape(t, site)
	if len(tp.scans) == 0 {
		return
	}
	lo, hi := tp.scans[0].WallMS, tp.scans[0].WallMS
	for i := range tp.scans {
		lo, hi = min(lo, tp.scans[i].WallMS), max(hi, tp.scans[i].WallMS)
	}
	from := rapid.Int64Range(lo-2000, hi).Draw(t, "from")
	to := rapid.Int64Range(from+1, hi+2000).Draw(t, "to")
	if rapid.Bool().Draw(t, "whole") {
		from, to = cellOf(from), cellOf(to)+cellMS
	}
	raw := &memory{scans: tp.scans}
	want, err := ComputeRaw(raw, site, from, to, farFuture, "")
	if err != nil {
		t.Fatalf("from raw: %v", err)
	}
	// Sealed at random places; at some the folder is restored from its state.
	sealed := &memory{scans: tp.scans}
	groups := sitefile.Groups(site)
	f := NewFolder(site, groups)
	for i := range tp.scans {
		f.Step(&tp.scans[i])
		if rapid.IntRange(0, 30).Draw(t, "seal") == 0 {
			pieces, state := f.Flush()
			sealed.pieces = append(sealed.pieces, pieces...)
			if rapid.Bool().Draw(t, "restart") {
				f = &Folder{site: site, groups: groups}
				f.begin(all)
				if err := f.Restore(state); err != nil {
					t.Fatalf("restore: %v", err)
				}
			}
		}
	}
	sources := map[string]Source{"live": WithPending(sealed, f), "unsealed": unsealed(site, tp.scans)}
	laidOut := fmt.Sprint(flat(want))
	for how, src := range sources {
		got, err := Compute(src, site, from, to, farFuture, "")
		if err != nil {
			t.Fatalf("%s: %v", how, err)
		}
		if a := fmt.Sprint(flat(got)); a != laidOut {
			t.Fatalf("%s differs from raw in [%d, %d):\n%s\nwant\n%s", how, from-monday, to-monday, a, laidOut)
		}
	}
	// Asked for alone a machine has the same figures, though less is gathered for it.
	alone, err := Compute(sources["live"], site, from, to, farFuture, want.Machines[0].Machine)
	if err != nil {
		t.Fatalf("alone: %v", err)
	}
	if a, b := fmt.Sprint(flat(Report{Machines: alone.Machines})), fmt.Sprint(flat(Report{Machines: want.Machines})); a != b {
		t.Fatalf("a machine alone differs in [%d, %d):\n%s\nwant\n%s", from-monday, to-monday, a, b)
	}
	rawMarks := marks(t, gatherRaw, raw, site, from, to)
	for how, src := range sources {
		if a := marks(t, gather, src, site, from, to); a != rawMarks {
			t.Fatalf("minutes and edges, %s, differ from raw in [%d, %d):\n%s\nwant\n%s", how, from-monday, to-monday, a, rawMarks)
		}
	}
	checkPieces(t, sealed.pieces, len(f.subjects[0].sp.chans), len(f.subjects[0].sp.watches))
}

// marks lays out what only some queries take: minutes, edges and flow by state.
func marks(t *rapid.T, get gatherer, src Source, site *sitefile.Site, from, to int64) string {
	var all string
	for _, sp := range specs(site, sitefile.Groups(site), nil) {
		sp.wantMinutes, sp.wantEdges = true, true
		g, err := get(src, sp, from, to, nil)
		if err != nil {
			t.Fatalf("gather: %v", err)
		}
		all += fmt.Sprintf("%s %v\n%v\n%v\n%v\n", sp.key, g.total.minutes, g.total.edges, g.total.flow, g.total.flowFull)
	}
	return all
}

func unsealed(site *sitefile.Site, scans []scan.Scan) Source {
	f := NewFolder(site, sitefile.Groups(site))
	for i := range scans {
		f.Step(&scans[i])
	}
	return WithPending(&memory{scans: scans}, f)
}

// flat lays a report out with the bits of every number.
func flat(rep Report) []string {
	var all []string
	add := func(fs []Figure, tables []Table) {
		for _, tb := range tables {
			for _, r := range tb.Rows {
				line := tb.Name + " " + r.Name + " " + r.Note
				for _, p := range r.Values {
					if p != nil {
						line += fmt.Sprintf(" %x", *p)
					}
				}
				all = append(all, line+"\n")
			}
		}
		for _, f := range fs {
			line := fmt.Sprintf("%s %q %q %v %q", f.Name, f.Absent, f.Method, f.AtLeast, f.Denominator)
			for _, p := range []*float64{f.Value, f.Uncertainty, f.Coverage} {
				if p != nil {
					line += fmt.Sprintf(" %x", *p)
				}
			}
			all = append(all, line+"\n")
		}
	}
	all = append(all, rep.From, rep.To)
	for _, m := range rep.Machines {
		add(m.Figures, m.Tables)
		all = append(all, fmt.Sprintf("%+v\n", m.Findings))
	}
	for _, s := range rep.Systems {
		add(s.Figures, s.Tables)
		all = append(all, fmt.Sprintf("%+v\n", s.Findings))
	}
	return all
}

// checkPieces: bytes are canonical, and each piece begins with the carry the
// one before it ended with.
func checkPieces(t *rapid.T, pieces []store.Piece, channels, watches int) {
	last := map[string][]byte{}
	for _, p := range pieces {
		d, err := decodeDelta(p.Delta, p.StartMS)
		if err != nil {
			t.Fatalf("delta: %v", err)
		}
		if got := d.encode(nil, p.StartMS); string(got) != string(p.Delta) {
			t.Fatalf("delta does not come back:\n%x\n%x", p.Delta, got)
		}
		if before, ok := last[p.Key]; ok && string(before) != string(p.Entry) {
			t.Fatalf("%s: entry of seq %d is not the exit before it", p.Key, p.FirstSeq)
		}
		last[p.Key] = p.Exit
		if p.Key != MachineKey("comp1") {
			continue
		}
		c, err := decodeCarry(p.Exit, channels, watches)
		if err != nil {
			t.Fatalf("carry: %v", err)
		}
		if got := c.encode(nil); string(got) != string(p.Exit) {
			t.Fatalf("carry does not come back:\n%x\n%x", p.Exit, got)
		}
	}
}

// TestRawIsReadOnlyWhereTheWindowCuts: a window of whole cells reads no scan.
func TestRawIsReadOnlyWhereTheWindowCuts(t *testing.T) {
	site := plant(t)
	m := fold(site, handWorked(t).scans, 1000, 5000)
	mustCompute(t, m, site, monday, monday+hourMS)
	if m.reads != 0 {
		t.Errorf("%d scans read for whole cells", m.reads)
	}
	mustCompute(t, m, site, monday+1, monday+hourMS)
	if m.reads == 0 || m.reads > 2*2*900+10 {
		t.Errorf("%d scans read for one cut cell of 1800, for machine and system", m.reads)
	}
}

// TestRawGone: where the raw scans of a cut cell are no longer kept, the window
// grows to the cell's edge and the report says so.
func TestRawGone(t *testing.T) {
	site := plant(t)
	m := fold(site, handWorked(t).scans)
	m.scans = nil
	rep := mustCompute(t, m, site, monday+1000, monday+hourMS)
	if rep.From != "2024-03-04T00:00:00.000Z" {
		t.Errorf("from %s, want the cell's edge", rep.From)
	}
	check(t, figureOf(t, rep, "loaded_time"), 1200, 0)
}

// failing is a Source whose reads fail.
type failing struct{ *memory }

func (failing) Scans(store.ScanQuery, func(*scan.Scan) error) error { return errTest }

func TestSourceErrorIsPassedOn(t *testing.T) {
	site := plant(t)
	m := fold(site, handWorked(t).scans)
	_, err := Compute(failing{m}, site, monday+1, monday+hourMS, farFuture, "")
	if !errors.Is(err, errTest) {
		t.Errorf("error %v, want the source's", err)
	}
	if _, err := Compute(m, site, monday, monday+1, farFuture, "nobody"); err == nil {
		t.Error("no error for a machine that is not in the site")
	}
}
