package newsite

import (
	"fmt"
	"maps"
	"slices"
	"strings"
)

const head = `# Site file, made by loadscribe new. Change it with any editor:
# "loadscribe check --site FILE" then tells whether it is sound, and
# docs/ has every key.
`

// write is the draft as the text of a site file. listen is where it is to be
// served; empty: where everything is without being told.
func write(d *Draft, listen string) *writer {
	w := newWriter()
	w.put(head)
	w.site(&d.Site)
	if listen != "" {
		w.header("[agent]", "agent")
		w.keys("agent", text("listen", listen))
	}
	w.tariff(&d.Tariff)
	for i := range d.Line {
		w.lineTable(i, &d.Line[i])
	}
	for i := range d.Device {
		w.device(i, &d.Device[i])
	}
	for i := range d.Machine {
		w.machine(i, &d.Machine[i], d.Device)
	}
	for i := range d.System {
		w.system(i, &d.System[i])
	}
	r := &d.Report
	if said := keep(text("prepared_for", r.PreparedFor), text("prepared_by", r.PreparedBy), text("place", r.Place),
		text("goals", r.Goals), text("scope", r.Scope)); len(said) > 0 {
		w.header("[report]", "report")
		w.keys("report", said...)
	}
	w.put(tail)
	return w
}

// tail is a list of alarms to begin with, as comments: which of them somebody would
// act on is for the shop to say.
const tail = `
# Alarms are for upkeep and no safety device: docs/alarms.md. Take the # away from
# those that somebody will act on.
#
# [[alarm]]
# name = "air end hot"
# on = "temperature"
# above = "105 °C"                # below the machine's own trip: see its manual
# after = "30s"
# priority = "high"
#
# [[alarm]]
# name = "fault"
# on = "fault"
# priority = "high"
#
# [[alarm]]
# name = "no readings"
# on = "no data"
# priority = "high"
#
# [[alarm]]
# name = "pressure low"
# on = "pressure below minimum"   # the system's minimum_pressure, for 2 minutes
#
# [[alarm]]
# name = "service"
# on = "service due"
# ahead = "14 d"
#
# [[alarm]]
# name = "disk"
# on = "disk"
`

func (w *writer) site(s *SiteDraft) {
	w.header("[site]", "site")
	w.keys("site", text("name", s.Name), text("timezone", s.Timezone), text("units", s.Units), text("altitude", s.Altitude),
		text("barometer", s.Barometer), texts("shifts", s.Shifts), texts("holidays", s.Holidays), number("weeks_per_year", s.WeeksPerYear))
}

func (w *writer) tariff(t *TariffDraft) {
	var prices [][]pair
	for _, p := range t.Energy {
		prices = append(prices, keep(number("price", p.Price), text("when", p.When)))
	}
	demand := table("demand", number("price", t.Demand.Price))
	if !demand.empty() {
		demand = table("demand", append(demand.inner, text("window", t.Demand.Window))...)
	}
	others := keep(demand, text("emissions", t.Emissions))
	priced := slices.ContainsFunc(prices, func(p []pair) bool { return len(p) > 0 })
	if !priced && len(others) == 0 {
		return // a currency alone says nothing
	}
	w.header("[tariff]", "tariff")
	w.keys("tariff", text("currency", t.Currency))
	w.rows("tariff", "energy", prices)
	w.keys("tariff", others...)
}

func (w *writer) lineTable(i int, l *LineDraft) {
	field := fmt.Sprintf("line.%d", i)
	w.header("[[line]]", field)
	listen := pair{}
	if l.Listen {
		listen = pair{key: "listen", literal: "true"}
	}
	w.keys(field, text("name", l.Name), text("kind", l.Kind), text("port", l.Port), text("serial", l.Serial), text("address", l.Address), listen)
}

func (w *writer) device(i int, d *DeviceDraft) {
	field := fmt.Sprintf("device.%d", i)
	w.header("[[device]]", field)
	in := &d.Instrument
	var accuracy []pair
	for _, word := range slices.Sorted(maps.Keys(in.Accuracy)) {
		accuracy = append(accuracy, text(word, in.Accuracy[word]))
	}
	w.keys(field, text("name", d.Name), text("line", d.Line), number("unit", d.Unit), text("map", d.Map), text("every", d.Every),
		table("instrument", table("accuracy", accuracy...), text("serial", in.Serial), text("certificate", in.Certificate),
			text("calibrated", in.Calibrated), number("calibration_months", in.CalibrationMonths), text("flow_meter", in.FlowMeter),
			table("current_transformer", text("fitted", in.CurrentTransformer.Fitted), text("meter", in.CurrentTransformer.Meter))))
}

func (w *writer) machine(i int, m *MachineDraft, devices []DeviceDraft) {
	field := fmt.Sprintf("machine.%d", i)
	w.header("[[machine]]", field)
	w.keys(field, text("name", m.Name), text("control", m.Control), text("rated_flow", m.RatedFlow), text("rated_pressure", m.RatedPressure),
		text("rated_power", m.RatedPower), text("cut_in", m.CutIn), text("cut_out", m.CutOut), text("no_load_stop", m.NoLoadStop),
		text("least_between_starts", m.LeastBetweenStarts), text("trip_temperature", m.TripTemperature),
		table("motor", text("power", m.Motor.Power), number("poles", m.Motor.Poles), text("volts", m.Motor.Volts),
			text("starting", m.Motor.Starting), number("starts_per_hour", m.Motor.StartsPerHour)),
		table("channels", channels(m.Channels, devices)...))
	var service [][]pair
	for _, s := range m.Service {
		service = append(service, []pair{text("item", s.Item), number("hours", s.Hours), number("months", s.Months)})
	}
	w.rows(field, "service", service)
}

// channels are in the order of the devices; what names no device of the draft
// comes behind them, for the check to find.
func channels(of map[string]string, devices []DeviceDraft) (all []pair) {
	var names []string
	for i := range devices {
		names = append(names, strings.TrimSpace(devices[i].Name))
	}
	names = append(names, slices.Sorted(maps.Keys(of))...)
	done := map[string]bool{"": true}
	for _, name := range names {
		if done[name] {
			continue
		}
		done[name] = true
		if take := strings.TrimSpace(of[name]); strings.Contains(take, ",") {
			all = append(all, texts(name, strings.Split(take, ",")))
		} else {
			all = append(all, text(name, take))
		}
	}
	return all
}

func (w *writer) system(i int, s *SystemDraft) {
	field := fmt.Sprintf("system.%d", i)
	w.header("[[system]]", field)
	w.keys(field, text("name", s.Name), texts("machines", s.Machines), text("minimum_pressure", s.MinimumPressure))
	var parts, taps [][]pair
	for _, p := range s.Parts {
		parts = append(parts, []pair{text("name", p.Name), text("kind", p.Kind), text("volume", p.Volume), text("purge", p.Purge)})
	}
	for _, t := range s.Taps {
		taps = append(taps, []pair{text("at", t.At), text("pressure", t.Pressure), text("flow", t.Flow)})
	}
	w.rows(field, "parts", parts)
	w.rows(field, "taps", taps)
}
