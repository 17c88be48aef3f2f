package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/poll"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/simulator/serve"
)

// serialFigures are what serialRows gives.
var serialFigures = []string{"rtu_cycle_excess_ms", "framing_allocs", "scan_jitter_p999"}

// registers125 answers every read of holding registers. It implements
// serve.Target.
type registers125 struct{ data []byte }

// Answer implements serve.Target.
func (r registers125) Answer(_ byte, request []byte) ([]byte, bool) {
	req, err := frame.ParseReadRequest(request)
	if err != nil || req.ByteCount() > len(r.data) {
		return frame.AppendException(nil, request[0], 2), true
	}
	return frame.AppendReadResponse(nil, req.Function, r.data[:req.ByteCount()]), true
}

// serialRows measures what the wire does not explain.
func serialRows(ctx context.Context, b *bench) ([]row, error) {
	excess := row{figure: "rtu_cycle_excess_ms", unit: "ms", goal: 0.5}
	var notes []string
	for _, baud := range []int{9600, 19200, 115200} {
		for _, registers := range []int{10, 40, 125} {
			ms, err := cycleExcess(ctx, baud, registers, b.serialCycles)
			if errors.Is(err, errNoPty) {
				excess.missing = err.Error()
				break
			}
			if err != nil {
				return nil, err
			}
			notes = append(notes, fmt.Sprintf("%d/%d %s", baud, registers, number(ms)))
			excess.value = max(excess.value, ms)
		}
	}
	excess.note = "the worst of these medians (baud/registers): " + strings.Join(notes, ", ") +
		"; how late the simulated device itself was is taken out"
	jitter, err := scanJitter(ctx, b)
	if err != nil {
		return nil, err
	}
	return []row{excess,
		{figure: "framing_allocs", value: framingAllocs(), unit: "allocations/exchange",
			note: "goal 0: one request and one answer of 125 registers framed and taken apart as RTU and as TCP"},
		jitter}, nil
}

// cycleExcess is the median of what reads one after the other take beyond the
// line's own time: request and answer in characters of 11 bits and two silences.
func cycleExcess(ctx context.Context, baud, registers, cycles int) (ms float64, err error) {
	times := &deviceTimes{}
	port, served, err := servePaced(ctx, baud, times)
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, served()) }()
	link, err := modbus.OpenSerial(ctx, port, modbus.Serial{Baud: baud, DataBits: 8, Parity: 'E', StopBits: 1})
	if err != nil {
		return 0, err
	}
	client := modbus.NewClient(link, modbus.Config{Framing: modbus.RTU, Baud: baud, Echo: modbus.EchoOff})
	defer client.Close()
	req := frame.ReadRequest{Function: frame.ReadHoldingRegisters, Quantity: uint16(registers)}
	line := frame.TransmitTime(baud, 8+5+req.ByteCount()) + 2*frame.Gap(baud)
	var excess []float64
	for range cycles {
		began := time.Now()
		if _, err := client.Read(ctx, bankUnit, req, pollTimeout); err != nil {
			return 0, fmt.Errorf("%d baud, %d registers: %w", baud, registers, err)
		}
		took := time.Since(began)
		late := times.took() - (line - frame.Gap(baud)) // the simulated device's own
		excess = append(excess, float64(took-line-late)/float64(time.Millisecond))
	}
	return median(excess[1:]), nil // before the first there was no silence to wait for
}

// deviceTimes is when the device had a request and when it had sent the answer.
type deviceTimes struct {
	mu             sync.Mutex // guards all below
	asked, written time.Time
}

func (d *deviceTimes) took() time.Duration {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.written.Sub(d.asked)
}

// timedDevice notes the times of a device's end of a line.
type timedDevice struct {
	io.ReadWriteCloser
	times *deviceTimes
}

func (d timedDevice) Read(p []byte) (int, error) {
	n, err := d.ReadWriteCloser.Read(p)
	d.times.mu.Lock()
	defer d.times.mu.Unlock()
	d.times.asked = time.Now()
	return n, err
}

func (d timedDevice) Write(p []byte) (int, error) {
	d.times.mu.Lock() // so that whoever has the answer finds its time
	defer d.times.mu.Unlock()
	d.times.written = time.Now()
	return d.ReadWriteCloser.Write(p)
}

// framingAllocs is what framing allocates in one exchange.
func framingAllocs() float64 {
	req := frame.ReadRequest{Function: frame.ReadHoldingRegisters, Quantity: 125}
	data := make([]byte, req.ByteCount())
	pdu, answer, out := make([]byte, 0, 300), make([]byte, 0, 300), make([]byte, 0, 300)
	failed := false
	allocs := testing.AllocsPerRun(1000, func() {
		pdu = req.AppendPDU(pdu[:0])
		answer = frame.AppendReadResponse(answer[:0], req.Function, data)
		for _, part := range [][]byte{pdu, answer} {
			out = frame.AppendRTU(out[:0], bankUnit, part)
			_, _, errRTU := frame.DecodeRTU(out)
			out = frame.AppendTCP(out[:0], 7, bankUnit, part)
			_, _, got, errTCP := frame.DecodeTCP(out)
			failed = failed || errRTU != nil || errTCP != nil || len(got) != len(part)
		}
		_, err := frame.ParseReadResponse(req, answer)
		failed = failed || err != nil
	})
	if failed {
		return math.NaN()
	}
	return allocs
}

// Of the jitter's site.
const (
	jitterLines  = 20
	jitterPeriod = 100 * time.Millisecond
)

// stamped notes when each request came. It implements serve.Target.
type stamped struct {
	bank
	mu   sync.Mutex // guards came
	came []time.Time
}

// Answer implements serve.Target.
func (s *stamped) Answer(unit byte, request []byte) ([]byte, bool) {
	s.mu.Lock()
	s.came = append(s.came, time.Now())
	s.mu.Unlock()
	return s.bank.Answer(unit, request)
}

// nowhere drops scans. It implements poll.Sink.
type nowhere struct{}

// Offer implements poll.Sink.
func (nowhere) Offer(scan.Scan) {}

// scanJitter polls 20 lines ten times a second over loopback and takes what
// 99.9 % of the requests keep of their line's own grid, either way.
func scanJitter(ctx context.Context, b *bench) (r row, err error) {
	ctx, cancel := context.WithTimeout(ctx, b.jitterWindow)
	defer cancel()
	group, ctx := errgroup.WithContext(ctx)
	site := &sitefile.Site{}
	var lines []*stamped
	for i := range jitterLines {
		listener, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			return r, fmt.Errorf("listen for the simulated device: %w", err)
		}
		target := &stamped{bank: newBank()}
		lines = append(lines, target)
		group.Go(func() error { return serve.ServeTCP(ctx, listener, target, nil) })
		one, err := bankSite(filepath.Join(b.dir, fmt.Sprint("jitter", i)), listener.Addr().String())
		if err != nil {
			return r, errors.Join(err, group.Wait())
		}
		name := fmt.Sprint("line", i)
		one.Lines[0].Name, one.Devices[0].Name, one.Devices[0].Line = name, fmt.Sprint("bank", i), name
		for k := range one.Devices[0].Map.Channels {
			one.Devices[0].Map.Channels[k].Every = jitterPeriod
		}
		site.Lines, site.Devices = append(site.Lines, one.Lines[0]), append(site.Devices, one.Devices[0])
	}
	poller, err := poll.New(site, sitefile.Groups(site), nowhere{}, poll.Options{})
	if err != nil {
		cancel()
		return r, errors.Join(err, group.Wait())
	}
	group.Go(func() error { return poller.Run(ctx) })
	if err := group.Wait(); err != nil {
		return r, err
	}
	var off []float64
	for _, l := range lines {
		off = append(off, offGrid(l.came)...)
	}
	if len(off) == 0 {
		return r, errors.New("no scan was asked for")
	}
	slices.Sort(off)
	return row{figure: "scan_jitter_p999", value: off[(len(off)-1)*999/1000], unit: "ms",
		note: fmt.Sprintf("%d requests, %d lines over loopback, a period of %v each", len(off), jitterLines, jitterPeriod)}, nil
}

// offGrid is how far, in ms, each time is from the grid of jitterPeriod that
// fits the median one.
func offGrid(came []time.Time) []float64 {
	if len(came) == 0 {
		return nil
	}
	phases := make([]float64, len(came))
	period := float64(jitterPeriod) / float64(time.Millisecond)
	for i, at := range came {
		since := float64(at.Sub(came[0])) / float64(time.Millisecond)
		phases[i] = since - period*math.Round(since/period)
	}
	middle := median(phases)
	for i := range phases {
		phases[i] = math.Abs(phases[i] - middle)
	}
	return phases
}
