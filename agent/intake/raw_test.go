package intake

import (
	"strings"
	"testing"
)

const scaledFlow = "protocol = \"file\"\n[[channel]]\nname = \"flow\"\nunit = \"m³/h\"\nscale = 2.5\noffset = 1\n[[channel]]\nname = \"pressure\"\nunit = \"bar\"\n[[channel]]\nname = \"valve\"\ntype = \"bit\"\ninverted = true\n"

const scaledMapping = "[[logger]]\nname = \"l\"\nfiles = [\"f.csv\"]\n[[logger.column]]\nname = \"F\"\nchannel = \"flow.flow\"\n[[logger.column]]\nname = \"V\"\nchannel = \"flow.valve\"\n"

// Of a file device the text is the raw value: the map's scale comes behind it,
// and can be put right later. Hand-worked: 1.50 × 2.5 + 1 = 4.750; a valve of 0
// means yes.
func TestRawOfAFileDeviceIsItsText(t *testing.T) {
	b := newBench(t)
	b.write("flow.toml", scaledFlow)
	b.load()
	b.write("f.csv", "time,F,V\n2026-01-01T00:00:00Z,1.50,0\n")
	all, _ := b.mustScans(scaledMapping)
	if v := all[0].Values; v[0] != 150<<8|2 || v[2] != 0 {
		t.Errorf("raw %v", v)
	}
	if got, want := told(all), "2026-01-01T00:00:00.000Z flow 10s 4.750 no_value 1\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	_, _, err := b.scans(strings.Replace(scaledMapping, "\"flow.flow\"\n", "\"flow.flow\"\nunit = \"l/s\"\n", 1))
	if err == nil || !strings.Contains(err.Error(), `"l/s" would be converted, and the map of device "flow" scales it as well: keep one of the two`) {
		t.Errorf("got %v", err)
	}
	// the same unit in another spelling is no conversion
	if _, _, err := b.scans(strings.Replace(scaledMapping, "\"flow.flow\"\n", "\"flow.flow\"\nunit = \"m3/h\"\n", 1)); err != nil {
		t.Error(err)
	}
}

// Each reading of the long layout may have its own unit; a quality that nobody
// knows and a channel of no site are refused.
func TestLongUnitsAndQualities(t *testing.T) {
	b := newBench(t)
	const mapping = "[[logger]]\nname = \"l\"\nlayout = \"long\"\nfiles = [\"f.csv\"]\n"
	const head = "time,device,channel,value,unit,quality\n"
	b.write("f.csv", head+"2026-01-01T00:00:00Z,flow,pressure,7.5,bar,good\n2026-01-01T00:00:10Z,flow,pressure,740,kPa,good\n2026-01-01T00:00:20Z,flow,pressure,,bar,port gone\n2026-01-01T00:00:30Z,flow,pressure,,bar,good\n")
	all, _ := b.mustScans(mapping)
	want := `2026-01-01T00:00:00.000Z flow 10s no_value 7.5
2026-01-01T00:00:10.000Z flow 10s no_value 7.4
2026-01-01T00:00:20.000Z flow 10s port_gone port_gone
2026-01-01T00:00:30.000Z flow 10s no_value no_value
`
	if got := told(all); got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
	for row, says := range map[string]string{
		"2026-01-01T00:00:00Z,flow,pressure,7.5,bar,fine":      `column "quality": "fine" is no quality that an export writes; write in [logger.long] which texts are good`,
		"2026-01-01T00:00:00Z,flow,presure,7.5,bar,good":       `column "channel": the site has no channel "flow.presure"; did you mean "flow.pressure"?`,
		"2026-01-01T00:00:00Z,flow,pressure,7.5,kW,good":       `"kW" is no unit of pressure, which the channel measures; the channel's unit is "bar"`,
		"2026-01-01T00:00:00Z,=cmd(),pressure,7.5,bar,good":    `the site has no channel "=cmd().pressure"`,
		"2026-01-01T00:00:00Z,flow,pressure,7.5,bar,good,more": "the row has 7 fields, but 6 are wanted",
	} {
		b.write("f.csv", head+row+"\n")
		_, _, err := b.scans(mapping)
		if m := mistakeOf(t, err); m.Line != 2 || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: got %v, want %q", row, err, says)
		}
	}
}

// A recording whose clock was put back has two readings of one time: they are
// not mixed up.
func TestOwnExportOverAStepOfTheClock(t *testing.T) {
	b := newBench(t)
	b.write("f.csv", "time,device,channel,value,unit,quality\n2026-01-01T00:00:00Z,flow,flow,1,m³/h,good\n2026-01-01T00:00:10Z,flow,flow,2,m³/h,good\n2026-01-01T00:00:00Z,flow,flow,3,m³/h,good\n")
	_, _, err := b.scans("[[logger]]\nname = \"l\"\nlayout = \"long\"\nfiles = [\"f.csv\"]\n")
	if m := mistakeOf(t, err); m.Line != 4 || !strings.Contains(m.Message, "channel flow.flow has another value at 2026-01-01T00:00:00.000Z than in") {
		t.Errorf("got %v", err)
	}
}
