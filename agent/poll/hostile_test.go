package poll

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// enemy is a device on the network that means harm. It serves each connection until
// the other side closes it.
type enemy struct {
	name  string
	kind  sitefile.LineKind
	first string                  // sent as soon as one connects
	each  func(ask []byte) string // sent for each request; nil: nothing
	drip  string                  // sent a byte at a time, again and again
	flood string                  // sent again and again as fast as a network card
	hangs bool                    // closes at once
}

// floodPart is written at a time, and floodPause waited after it: 13 MB a second, what a
// network of 100 Mbit/s carries. More would measure this computer, not the program.
const floodPart, floodPause = 64 << 10, 5 * time.Millisecond

// functionOf is the function that a request of Modbus TCP, or of RTU, asks for.
func (e *enemy) functionOf(ask []byte) (byte, bool) {
	switch {
	case e.kind == sitefile.ModbusTCP && len(ask) > 7:
		return ask[7], true
	case e.kind == sitefile.ModbusRTUOverTCP && len(ask) > 1:
		return ask[1], true
	}
	return 0, false
}

func (e *enemy) serve(conn net.Conn, sent *atomic.Int64, functions *sync.Map) {
	defer conn.Close()
	write := func(text string) bool {
		n, err := io.WriteString(conn, text)
		sent.Add(int64(n))
		return err == nil
	}
	if e.hangs || e.first != "" && !write(e.first) {
		return
	}
	switch {
	case e.flood != "":
		for part := strings.Repeat(e.flood, 1+floodPart/len(e.flood)); write(part); {
			time.Sleep(floodPause)
		}
	case e.drip != "":
		for i := 0; write(e.drip[i : i+1]); i = (i + 1) % len(e.drip) {
			time.Sleep(20 * time.Millisecond)
		}
	default:
		ask := make([]byte, 512)
		for {
			n, err := conn.Read(ask)
			if function, ok := e.functionOf(ask[:n]); ok {
				functions.Store(function, e.name)
			}
			if err != nil || e.each != nil && !write(e.each(ask[:n])) {
				return
			}
		}
	}
}

// tcpAnswer is a Modbus TCP frame whose header says length (V1.0b, section 3.1.3).
func tcpAnswer(transaction []byte, length uint16, pdu string) string {
	return string(transaction) + "\x00\x00" + string(binary.BigEndian.AppendUint16(nil, length)) + "\x01" + pdu
}

// right answers a read of two registers with 7 and 8.
func right(ask []byte) string { return tcpAnswer(ask[:2], 7, "\x03\x04\x00\x07\x00\x08") }

func enemies() []enemy {
	noise := string(bytes.Repeat([]byte{0xa7, 0x01, 0x3a, 0x00, 0xff, 0x03, 0x0d, 0x83}, 64))
	rtu := string(frame.AppendRTU(nil, 9, []byte{3, 4, 0, 7, 0, 8}))
	ascii := string(frame.AppendASCII(nil, 9, []byte{3, 4, 0, 7, 0, 8}))
	unasked := tcpAnswer([]byte{0xff, 0xff}, 7, "\x03\x04\x00\x07\x00\x08")
	var all []enemy
	for _, kind := range []sitefile.LineKind{sitefile.ModbusTCP, sitefile.ModbusRTUOverTCP, sitefile.ModbusASCII, sitefile.Text} {
		all = append(all, enemy{name: "floods noise", kind: kind, flood: noise}, enemy{name: "floods one byte", kind: kind, flood: ":"},
			enemy{name: "drips for ever", kind: kind, drip: noise}, enemy{name: "hangs up", kind: kind, hangs: true}, enemy{name: "says nothing", kind: kind},
			enemy{name: "answers each with 64 KiB", kind: kind, each: func([]byte) string { return strings.Repeat("\x01\x03\xfa", 21846) }})
	}
	return append(all,
		enemy{name: "a length of 65535", kind: sitefile.ModbusTCP, each: func(ask []byte) string { return tcpAnswer(ask[:2], 0xffff, "\x03\x04") }},
		enemy{name: "a length of 0", kind: sitefile.ModbusTCP, each: func(ask []byte) string { return tcpAnswer(ask[:2], 0, "\x03\x04\x00\x07\x00\x08") }},
		enemy{name: "a length of 254 and no more", kind: sitefile.ModbusTCP, each: func(ask []byte) string { return tcpAnswer(ask[:2], 254, "\x03\x04\x00\x07\x00\x08") }},
		enemy{name: "a length too short by one", kind: sitefile.ModbusTCP, each: func(ask []byte) string { return tcpAnswer(ask[:2], 6, "\x03\x04\x00\x07\x00\x08") }},
		enemy{name: "a byte count of 255", kind: sitefile.ModbusTCP, each: func(ask []byte) string { return tcpAnswer(ask[:2], 7, "\x03\xff\x00\x07\x00\x08") }},
		enemy{name: "answers nobody asked for", kind: sitefile.ModbusTCP, flood: unasked},
		enemy{name: "an answer a byte at a time for ever", kind: sitefile.ModbusTCP, drip: unasked},
		enemy{name: "frames of another unit", kind: sitefile.ModbusRTUOverTCP, flood: rtu},
		enemy{name: "a frame a byte at a time for ever", kind: sitefile.ModbusRTUOverTCP, drip: rtu},
		enemy{name: "frames of another unit", kind: sitefile.ModbusASCII, flood: ascii},
		enemy{name: "a frame that never ends", kind: sitefile.ModbusASCII, flood: ":0103"},
		enemy{name: "a line that never ends", kind: sitefile.Text, flood: "P=103"},
		enemy{name: "empty lines", kind: sitefile.Text, flood: "\r\n"},
		enemy{name: "lines with commands for a terminal", kind: sitefile.Text, each: func([]byte) string { return "P=\x1b[2J\x00\xff\r\n" }})
}

// siege listens for all of them, and for one device that is well, which has the name
// "well"; the site has a line for each. functions are those that were asked for.
func siege(t *testing.T, all []enemy) (site *sitefile.Site, sent *atomic.Int64, functions *sync.Map) {
	t.Helper()
	var wait sync.WaitGroup
	var mu sync.Mutex
	conns := map[net.Conn]bool{}
	sent, functions = &atomic.Int64{}, &sync.Map{}
	site = &sitefile.Site{}
	listen := func(e enemy) {
		ln, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		wait.Go(func() {
			for {
				conn, err := ln.Accept()
				if err != nil {
					return
				}
				mu.Lock()
				conns[conn] = true
				mu.Unlock()
				wait.Go(func() { e.serve(conn, sent, functions) })
			}
		})
		t.Cleanup(func() { ln.Close() })
		add(site, e, ln.Addr().String())
	}
	t.Cleanup(func() {
		mu.Lock()
		for conn := range conns {
			conn.Close()
		}
		mu.Unlock()
		wait.Wait()
	})
	listen(enemy{name: "well", kind: sitefile.ModbusTCP, each: right})
	for _, e := range all {
		listen(e)
	}
	return site, sent, functions
}

// add gives the site a line and a device for an enemy.
func add(site *sitefile.Site, e enemy, address string) {
	name := e.name
	if e.name != "well" {
		name = fmt.Sprintf("%s: %s", e.kind, e.name)
	}
	line := sitefile.Line{Name: name, Kind: e.kind, Address: address, Timeout: 200 * time.Millisecond, Echo: sitefile.EchoAuto, Serial: sitefile.Serial{Baud: 115200, DataBits: 8, Parity: 'E', StopBits: 1}}
	if e.name == "well" {
		line.Timeout = 5 * time.Second // where the computer is busy, that is not the device's silence
	}
	m := &sitefile.RegisterMap{Protocol: "modbus", Bridge: 8}
	if e.kind == sitefile.Text {
		m = &sitefile.RegisterMap{Protocol: "text", Text: &sitefile.TextMap{Asks: []sitefile.TextAsk{{Name: "one", Send: []byte("P\r"), Pattern: `P=(?P<p>\d+)`}}}}
		m.Channels = []sitefile.MapChannel{{Name: "p", Every: 100 * time.Millisecond, UnitText: "1", Type: "decimal", Bit: -1, Scale: 1, Text: &sitefile.TextField{Source: "one", Group: "p", As: "decimal"}}}
	} else {
		for a := range 2 {
			m.Channels = append(m.Channels, sitefile.MapChannel{Name: fmt.Sprint("r", a), Table: sitefile.Holding, Address: uint16(a), Type: "u16", Bit: -1, Scale: 1, Every: 100 * time.Millisecond})
		}
	}
	site.Lines = append(site.Lines, line)
	site.Devices = append(site.Devices, sitefile.Device{Name: name, Line: name, UnitID: 1, MapPath: "maps/a.toml", Map: m, Every: 100 * time.Millisecond})
}

// kept counts scans by device.
type kept struct {
	mu          sync.Mutex // guards all below
	good, other map[string]int
}

func (k *kept) Offer(s scan.Scan) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if s.Reason == scan.Good {
		k.good[s.Group.Device]++
	} else {
		k.other[s.Group.Device]++
	}
}

// of is how many scans with values a device had.
func (k *kept) of(device string) int {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.good[device]
}

// polled runs a Poller on a site; stop ends it.
func polled(t *testing.T, site *sitefile.Site) (sink *kept, stop func()) {
	t.Helper()
	sink = &kept{good: map[string]int{}, other: map[string]int{}}
	p, err := New(site, sitefile.Groups(site), sink, Options{Random: func() float64 { return 0 }, Dial: dialASCII})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- p.Run(ctx) }()
	return sink, func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("stop: %v", err)
		}
	}
}

// Some forty devices that flood, drip, lie about lengths or never end, each on its line:
// memory stays bounded, what they say becomes no value, each gap has its reason, the
// device that is well keeps its period, no function but reading is asked for, and the
// stop works. How well it keeps its period is held against a Poller of its own beside it,
// which shares nothing with the enemies but this computer.
func TestHostileDevices(t *testing.T) {
	all := enemies()
	site, sent, functions := siege(t, all)
	quiet, _, _ := siege(t, nil)
	control, stopControl := polled(t, quiet)
	sink, stop := polled(t, site)
	for end := time.Now().Add(30 * time.Second); control.of("well") < 25 && time.Now().Before(end); { // 2.5 s, or what a busy computer makes of them
		time.Sleep(100 * time.Millisecond)
	}
	var memory runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&memory)
	stop()
	stopControl()
	sink.mu.Lock()
	defer sink.mu.Unlock()
	scans, alone := sink.good["well"], control.good["well"] // both have stopped
	t.Logf("%d MB came from %d enemies, the heap holds %d MB; the device that is well had %d scans, one without enemies %d", sent.Load()>>20, len(all), memory.HeapAlloc>>20, scans, alone)
	if sent.Load() < 8<<20 {
		t.Errorf("the enemies sent %d bytes: no siege", sent.Load())
	}
	// A line holds 4 KiB unread and as much in work; the rest is the program.
	if most := uint64(16 << 20); memory.HeapAlloc > most {
		t.Errorf("the heap holds %d bytes, at most %d", memory.HeapAlloc, most)
	}
	if alone == 0 || 2*scans < alone || sink.other["well"] > control.other["well"]+scans/10 {
		t.Errorf("the device that is well: %d scans, %d without values; without enemies %d and %d", scans, sink.other["well"], alone, control.other["well"])
	}
	asked := 0
	functions.Range(func(function, by any) bool {
		asked++
		if f := function.(byte); f < 1 || f > 4 { // Modbus Application Protocol V1.1b3, section 6: 1 to 4 read
			t.Errorf("%v was asked for function %d, which does not read", by, f)
		}
		return true
	})
	if asked == 0 {
		t.Error("nobody was asked for anything")
	}
	for _, d := range site.Devices[1:] {
		if sink.good[d.Name] > 0 || sink.other[d.Name] == 0 {
			t.Errorf("%s: %d scans with values, %d without", d.Name, sink.good[d.Name], sink.other[d.Name])
		}
	}
}

// dialASCII lets ASCII come over TCP too, as no real line does: the framing is what is
// tried.
func dialASCII(ctx context.Context, line *sitefile.Line) (Client, error) {
	if line.Kind != sitefile.ModbusASCII {
		return Dial(ctx, line)
	}
	link, err := modbus.DialTCP(ctx, line.Address)
	if err != nil {
		return nil, err
	}
	return modbus.NewClient(link, modbus.Config{Framing: modbus.ASCII, Baud: line.Serial.Baud, Echo: modbus.EchoAuto}), nil
}
