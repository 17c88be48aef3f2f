package main

import (
	"context"
	"encoding/binary"
	"errors"
	"math"
	"net"
	"sync"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/poll"
	"loadscribe/agent/sitefile"
	"loadscribe/simulator/serve"
)

// The units of the soaked plant.
const (
	soakController = 1 // configs/maps/screw-controller.toml, on the network
	soakMeter      = 2 // configs/maps/power-meter.toml, on the serial line
	soakInputs     = 3 // a receiver's pressure, beside the meter
)

// soakPlant is a compressor and its instruments by rule of thumb: a shop that
// works from six to six, a trickle at night. The simulator's physics would take
// minutes for a month; what a soak needs is transitions, counters and noise. It
// implements serve.Target.
type soakPlant struct {
	began time.Time

	mu       sync.Mutex // guards all below
	at       int64      // seconds since began, to which the counters have gone on
	input    [3][40]uint16
	status   uint16 // the controller's word at holding register 20
	runS     int64
	loadS    int64
	starts   int64
	energyWh float64
	silent   map[byte]time.Time
}

func newSoakPlant() *soakPlant {
	return &soakPlant{began: time.Now(), at: -1, silent: map[byte]time.Time{}}
}

// mute makes a unit say nothing until then.
func (p *soakPlant) mute(unit byte, until time.Time) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.silent[unit] = until
}

// Answer implements serve.Target.
func (p *soakPlant) Answer(unit byte, request []byte) ([]byte, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := time.Now()
	if unit < soakController || unit > soakInputs || now.Before(p.silent[unit]) {
		return nil, false
	}
	req, err := frame.ParseReadRequest(request)
	if err != nil {
		return frame.AppendException(nil, request[0], 1), true
	}
	p.goOn(int64(now.Sub(p.began) / time.Second))
	var data []byte
	for i := range req.Quantity {
		address, word := req.Address+i, uint16(0)
		switch {
		case req.Function == frame.ReadHoldingRegisters && address == 20:
			word = p.status
		case int(address) < len(p.input[0]):
			word = p.input[unit-1][address]
		}
		data = binary.BigEndian.AppendUint16(data, word)
	}
	return frame.AppendReadResponse(nil, req.Function, data), true
}

// noise is one of -2 to 2, by chance but always the same.
func noise(at, of int64) float64 {
	x := uint64(at)*0x9E3779B97F4A7C15 + uint64(of)*0xBF58476D1CE4E5B9
	x ^= x >> 30
	x *= 0x94D049BB133111EB
	return float64(x>>40%5) - 2
}

// goOn brings the plant to second at.
func (p *soakPlant) goOn(at int64) {
	for ; p.at < at; p.at++ {
		running, loaded := rhythm(p.at + 1)
		if running {
			p.runS++
			if p.status&1 == 0 {
				p.starts++
			}
		}
		if loaded {
			p.loadS++
		}
		p.energyWh += power(p.at+1) / 3.6
		p.status = 0
		for bit, set := range []bool{running, loaded, loaded, !running} {
			if set {
				p.status |= 1 << bit
			}
		}
	}
	p.show(at)
}

// show puts what is measured into the registers.
func (p *soakPlant) show(at int64) {
	c := &p.input[soakController-1]
	pressure := pressureTenths(at)
	c[0], c[1], c[2] = word(pressure), word(pressure+30), word(pressure-20+noise(at, 2))
	c[3], c[4], c[6] = word(1800+50*noise(at, 3)), word(750+noise(at, 4)), word(900+5*noise(at, 6))
	c[5], c[16] = word(12*power(at)+2+noise(at, 5)), 1780
	long := func(to []uint16, v int64) { to[0], to[1] = uint16(v>>16), uint16(v) }
	long(c[10:], p.runS/360)
	long(c[12:], p.loadS/360)
	long(c[14:], p.starts)
	m := &p.input[soakMeter-1]
	single := func(to []uint16, v float64) { long(to, int64(math.Float32bits(float32(v)))) }
	for i := range int64(3) {
		single(m[2*i:], 460+noise(at, 10+i))
	}
	single(m[6:], 1.2*power(at))
	single(m[8:], power(at)+0.1*noise(at, 13))
	single(m[10:], 0.85)
	single(m[12:], power(at)/0.85)
	long(m[18:], int64(p.energyWh)) // the low half of a u64: 4 GWh are enough
	m[20] = word(6000 + noise(at, 14))
	p.input[soakInputs-1][0] = word(pressure - 20)
}

func word(v float64) uint16 { return uint16(int64(v)) }

// rhythm is what the machine does in a second.
func rhythm(at int64) (running, loaded bool) {
	if hour := at / 3600 % 24; hour >= 6 && hour < 18 && at/86400%7 < 5 {
		return true, at%240 < 150
	}
	of := at % 1800
	return of < 360, of < 60
}

// power is in kW.
func power(at int64) float64 {
	switch running, loaded := rhythm(at); {
	case loaded:
		return 37
	case running:
		return 12
	}
	return 0.3
}

// pressureTenths is the pressure in tenths of a psi: up while it loads, then down.
func pressureTenths(at int64) float64 {
	of, up, whole := at%240, int64(150), int64(240)
	if running, _ := rhythm(at - at%1800 + 900); !running {
		of, up, whole = at%1800, 60, 1800
	}
	if of < up {
		return 1000 + 150*float64(of)/float64(up) + noise(at, 1)
	}
	return 1150 - 150*float64(of-up)/float64(whole-up) + noise(at, 1)
}

// soakLines are the two lines to the plant: pipes that can be cut.
type soakLines struct {
	plant    *soakPlant
	injector *serve.Injector
	sockets  pipes
	ctx      context.Context
	serving  sync.WaitGroup

	mu    sync.Mutex // guards all below
	cut   map[string]time.Time
	conns map[string]net.Conn // the last of each line
}

var errCut = errors.New("the cable is cut")

func newSoakLines(ctx context.Context, plant *soakPlant, injector *serve.Injector) *soakLines {
	l := &soakLines{plant: plant, injector: injector, sockets: make(pipes), ctx: ctx, cut: map[string]time.Time{}, conns: map[string]net.Conn{}}
	l.serving.Go(func() { _ = serve.ServeTCP(ctx, l.sockets, plant, injector) }) // that pipes accept no more is its end
	return l
}

// dial is the agent's.
func (l *soakLines) dial(ctx context.Context, line *sitefile.Line) (poll.Client, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if time.Now().Before(l.cut[line.Name]) {
		return nil, errCut
	}
	near, far := net.Pipe()
	cfg := modbus.Config{Framing: modbus.TCP}
	if line.Kind == sitefile.ModbusTCP {
		select {
		case l.sockets <- far:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	} else {
		cfg = modbus.Config{Framing: modbus.RTU, Baud: 115200, Echo: modbus.EchoOff}
		bus := serve.NewRTULine(l.plant, 0, l.injector)
		l.serving.Go(func() { _ = bus.Serve(l.ctx, far) }) // ends with an error where the agent closes its end
	}
	l.conns[line.Name] = near
	return modbus.NewClient(near, cfg), nil
}

// sever cuts a line until then.
func (l *soakLines) sever(line string, until time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.cut[line] = until
	if conn := l.conns[line]; conn != nil {
		conn.Close()
	}
}
