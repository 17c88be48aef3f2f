package poll

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/sitefile"
)

// TestHolesOnSerialLines: a hole is read along while that is cheaper than
// another request. Worked by hand: a request costs 8 + 5 characters, two
// silences of 3.5 and 10 ms of thinking, a register 2 characters of 11 bits
// (in ASCII 17 + 11 characters, and 4). At 9600 baud: 32.9 ms and 2.29 ms, so
// 14 registers; at 115200: 14.7 ms and 0.191 ms, so 77. A bit is an eighth of
// a byte: at 9600, 8 · 28.
func TestHolesOnSerialLines(t *testing.T) {
	const in, coil = sitefile.Input, sitefile.Coil
	for _, tt := range []struct {
		kind       sitefile.LineKind
		baud       int
		turnaround time.Duration
		table      sitefile.Table
		bridge     int
		longest    int // hole that is read along
	}{
		{sitefile.ModbusRTU, 9600, 0, in, 120, 14},
		{sitefile.ModbusRTU, 115200, 0, in, 120, 77},
		{sitefile.ModbusRTU, 9600, 50 * time.Millisecond, in, 120, 36},
		{sitefile.ModbusASCII, 9600, 0, in, 120, 10},
		{sitefile.ModbusRTU, 9600, 0, in, 8, 8}, // the map's own limit holds
		{sitefile.ModbusRTU, 9600, 0, in, 0, 0},
		{sitefile.ModbusTCP, 0, 0, in, 120, 120},
		{sitefile.ModbusRTUOverTCP, 0, 0, in, 120, 120},
		{sitefile.ModbusRTU, 9600, 0, coil, 123, 123},
	} {
		l := &sitefile.Line{Kind: tt.kind, Turnaround: tt.turnaround, Serial: sitefile.Serial{Baud: tt.baud}}
		for hole, want := range map[int]int{tt.longest: 1, tt.longest + 1: 2} {
			typ := "u16"
			if tt.table == coil {
				typ = "bit"
			}
			d, g := mapOf(tt.bridge, time.Second, ch("a", tt.table, 0, typ), ch("b", tt.table, hole+1, typ))
			blocks, err := planOn(l, d, g)
			if err != nil || len(blocks) != want {
				t.Errorf("%+v, a hole of %d: %d requests, %v; want %d", tt, hole, len(blocks), err, want)
			}
		}
	}
}

// TestPlanIsCheapest holds the plan to all ways of cutting or bridging a few
// holes, by the cost that Predict reckons with.
func TestPlanIsCheapest(t *testing.T) {
	l := &sitefile.Line{Name: "bus", Kind: sitefile.ModbusRTU, Serial: sitefile.Serial{Baud: 9600}}
	cost := func(bridge int, l *sitefile.Line, holes []int) float64 {
		var channels []sitefile.MapChannel
		at := 0
		for i, h := range append([]int{0}, holes...) {
			at += h
			channels = append(channels, ch(fmt.Sprint(i), sitefile.Input, at, "u16"))
			at++
		}
		d, g := mapOf(bridge, time.Second, channels...)
		blocks, err := planOn(l, d, g)
		if err != nil {
			t.Fatal(err)
		}
		var reads []repeated
		for _, b := range blocks {
			reads = append(reads, repeated{b.Request, 1})
		}
		return shareAt(&sitefile.Line{Kind: sitefile.ModbusRTU}, 9600, reads)
	}
	for _, holes := range [][]int{{3, 20}, {14, 15}, {13, 30, 2}, {40, 1}, {9, 9, 9}} {
		best := cost(0, nil, holes)
		for bridge := 1; bridge <= 60; bridge++ {
			best = min(best, cost(bridge, nil, holes))
		}
		if got := cost(120, l, holes); got > best+1e-9 {
			t.Errorf("holes %v: %.4f s, the best bridge gives %.4f s", holes, got, best)
		}
	}
}

// TestPredictCountsWhatIsPolled: the prediction and the poller cut alike.
func TestPredictCountsWhatIsPolled(t *testing.T) {
	site := siteOf(1, time.Second)
	site.Lines[0].Serial.Baud = 9600
	site.Devices[0].Map.Bridge = 120
	far := ch("far", sitefile.Input, 40, "u16")
	far.Every = time.Second
	site.Devices[0].Map.Channels = append(site.Devices[0].Map.Channels, far)
	loads, err := Predict(site)
	if err != nil {
		t.Fatal(err)
	}
	want := 2 * (1000*(15+7)*11/9600.0 + 10) // two requests of one register
	if got := loads[0].CycleMS; got < want-0.01 || got > want+0.01 {
		t.Errorf("got %.3f ms, want %.3f", got, want)
	}
	b := newBus(1)
	p, err := New(site, sitefile.Groups(site), &tape{}, Options{Dial: b.dial})
	if err != nil {
		t.Fatal(err)
	}
	var requests []string
	for _, blk := range p.lines[0].slots[0].reader.(interface{ Blocks() []Block }).Blocks() {
		requests = append(requests, blk.Request.String())
	}
	if got := strings.Join(requests, ", "); got != "input register 0, input register 40" {
		t.Errorf("polled %s", got)
	}
}
