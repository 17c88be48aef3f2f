package analysis

import (
	"math"
	"strings"
	"testing"

	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

// leaking is a vessel of 1 m³ behind 0.1 m³/s full flow, by the minute: each hour
// of the given leaks (m³/s, the same at every pressure) it falls for 59 minutes
// and is filled in the last, in the hours that are named; in the others it is held
// by a part of the flow.
func leaking(perHour []float64, falls func(hour int) bool) *airBalance {
	const outsidePa, startPa = 100e3, 700e3
	b := vessel(0.1, 1, outsidePa, 60*len(perHour))
	for i := range b.minutes {
		m, leak := &b.minutes[i], perHour[i/60]
		m.startPa, m.endPa = startPa, startPa
		switch {
		case !falls(i / 60):
			m.fullS[0], m.delivering = 60*leak/0.1, true
		case i%60 == 59: // what 59 minutes lost, and its own
			m.fullS[0], m.delivering = 60*60*leak/0.1, true
			m.startPa = startPa - 59*60*leak*outsidePa
		default:
			m.startPa = startPa - float64(i%60)*60*leak*outsidePa
			m.endPa = startPa - float64(i%60+1)*60*leak*outsidePa
		}
	}
	return b
}

// TestDrift: falls that lie in the better half of the hours alone, whose leaks are
// half of the others', tell the mean of all after the drift, and where leaks are
// even the drift changes nothing. Arithmetic: the mean of 1 and 2 is 1.5.
func TestDrift(t *testing.T) {
	const low, high = 0.0001, 0.0002
	uneven := make([]float64, 16)
	even := make([]float64, 16)
	for i := range uneven {
		even[i], uneven[i] = low, low
		if i >= 8 {
			uneven[i] = high
		}
	}
	early := func(hour int) bool { return hour < 8 }
	for _, tt := range []struct {
		name  string
		hours []float64
		want  float64
	}{{"even", even, 1}, {"doubled", uneven, 1.5}} {
		b := leaking(tt.hours, early)
		for k := range b.flow {
			b.flow[k] = gum.New(0.1, 0.005, "rated flow")
		}
		m := b.bleedDown(&quietHours{nights: []quietNight{{minutes: upTo(60 * 16)}}}, &sitefile.Site{BarometerPa: 100e3})
		if m.why != "" {
			t.Fatalf("%s: %s", tt.name, m.why)
		}
		level := m.flow.V / m.pa
		// In the hours with falls pressure is lower by 2 % on the mean, and
		// the leaks here do not follow it.
		if got := level / (low / m.pa); math.Abs(got/tt.want-1) > 0.03 {
			t.Errorf("%s: %.3f times the leak of the better hours, want %.2f", tt.name, got, tt.want)
		}
		if said := strings.Contains(m.note, "not like all quiet hours"); said != (tt.want > 1) {
			t.Errorf("%s: note %q", tt.name, m.note)
		}
	}
}
