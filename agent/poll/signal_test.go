package poll

import (
	"testing"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// TestLoopSignalLevels holds each boundary of a 4-20 mA input, in thousandths
// of a mA: NAMUR NE 43, from memory (3.8 to 20.5 mA is the measuring range; at
// or under 3.6 mA and at or over 21 mA the transmitter tells of a failure).
func TestLoopSignalLevels(t *testing.T) {
	f := func(v float64) *float64 { return &v }
	mc := ch("p", sitefile.Input, 0, "u16")
	mc.Scale, mc.Offset = 0.0125, -50 // 4 mA: 0 psi, 20 mA: 200 psi
	mc.Signal = &sitefile.Signal{Scale: 0.001, UnitText: "mA", Sound: &[2]float64{3.8, 20.5}, FaultBelow: f(3.6), FaultAbove: f(21)}
	for _, tt := range []struct {
		counts int
		want   scan.Reason
		psi    float64
	}{
		{0, scan.SensorFault, 0},
		{3599, scan.SensorFault, 0},
		{3600, scan.SensorFault, 0},
		{3601, scan.Implausible, 0},
		{3799, scan.Implausible, 0},
		{3800, scan.Good, -2.5},
		{4000, scan.Good, 0},
		{12000, scan.Good, 100},
		{20000, scan.Good, 200},
		{20500, scan.Good, 206.25},
		{20501, scan.Implausible, 0},
		{20999, scan.Implausible, 0},
		{21000, scan.SensorFault, 0},
		{21001, scan.SensorFault, 0},
		{65535, scan.SensorFault, 0},
	} {
		raw, reason, g := decodeOne(t, mc, []byte{byte(tt.counts >> 8), byte(tt.counts)})
		if raw != int64(tt.counts) || reason != tt.want {
			t.Errorf("%d counts: got raw %d, %v; want the raw value and %v", tt.counts, raw, reason, tt.want)
		}
		if reason == scan.Good {
			if got := g.Channels[0].Value(raw); got-tt.psi > 1e-9 || tt.psi-got > 1e-9 {
				t.Errorf("%d counts: got %v psi, want %v", tt.counts, got, tt.psi)
			}
		}
	}
	// The map's codes and range count beside the levels.
	mc.Absent, mc.Valid = []int64{0}, &[2]float64{0, 150}
	for counts, want := range map[int]scan.Reason{0: scan.Absent, 3600: scan.SensorFault, 3900: scan.Implausible, 16000: scan.Good, 16001: scan.Implausible} {
		if _, reason, _ := decodeOne(t, mc, []byte{byte(counts >> 8), byte(counts)}); reason != want {
			t.Errorf("with a range, %d counts: got %v, want %v", counts, reason, want)
		}
	}
}

func TestVoltageSignalHasTheLevelsItIsGiven(t *testing.T) {
	f := func(v float64) *float64 { return &v }
	for _, tt := range []struct {
		name         string
		below, above *float64
		want         map[int]scan.Reason // by counts of 0.001 V
	}{
		{"none", nil, nil, map[int]scan.Reason{0: scan.Good, 10000: scan.Good, 65535: scan.Good}},
		{"above", nil, f(10.5), map[int]scan.Reason{0: scan.Good, 10499: scan.Good, 10500: scan.SensorFault, 10501: scan.SensorFault}},
		{"below", f(0.3), nil, map[int]scan.Reason{299: scan.SensorFault, 300: scan.SensorFault, 301: scan.Good, 65535: scan.Good}},
	} {
		mc := ch("v", sitefile.Input, 0, "u16")
		mc.Scale = 0.001
		mc.Signal = &sitefile.Signal{Scale: 0.001, UnitText: "V", FaultBelow: tt.below, FaultAbove: tt.above}
		for counts, want := range tt.want {
			if raw, reason, _ := decodeOne(t, mc, []byte{byte(counts >> 8), byte(counts)}); reason != want || raw != int64(counts) {
				t.Errorf("%s, %d counts: got %v, want %v", tt.name, counts, reason, want)
			}
		}
	}
}

// TestInvertedBitKeepsRaw: what was read is stored; only its value is turned.
func TestInvertedBitKeepsRaw(t *testing.T) {
	mc := ch("open", sitefile.Discrete, 3, "bit")
	mc.Scale, mc.Offset = -1, 1
	for _, raw := range []byte{0, 1} {
		got, reason, g := decodeOne(t, mc, []byte{raw})
		if v := g.Channels[0].Value(got); got != int64(raw) || reason != scan.Good || v != float64(1-raw) {
			t.Errorf("raw %d: got %d, %v, value %v", raw, got, reason, v)
		}
	}
}
