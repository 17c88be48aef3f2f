package main

import (
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"net"
	"os"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/poll"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/simulator/serve"
)

// held is what register address of unit holds, for good: the bytes of each
// differ, and so do neighbours and units.
func held(unit byte, address uint16) uint16 {
	return (address+1)*40503 ^ uint16(unit)*9157
}

// image serves held. It implements serve.Target.
type image struct{}

func (image) Answer(unit byte, request []byte) ([]byte, bool) {
	req, err := frame.ParseReadRequest(request)
	if err != nil || req.Function != frame.ReadHoldingRegisters {
		return frame.AppendException(nil, request[0], 1), true
	}
	var data []byte
	for i := range req.Quantity {
		data = binary.BigEndian.AppendUint16(data, held(unit, req.Address+i))
	}
	return frame.AppendReadResponse(nil, req.Function, data), true
}

// faultSite has four devices on one line, of 1, 2, 40 and 100 registers, each
// read once a second in one request.
func faultSite(kind sitefile.LineKind, echo sitefile.Echo) *sitefile.Site {
	site := &sitefile.Site{Lines: []sitefile.Line{{Name: "bus", Kind: kind, Port: "COM10", Address: "",
		Timeout: 200 * time.Millisecond, Echo: echo,
		Serial: sitefile.Serial{Baud: 115200, DataBits: 8, Parity: 'E', StopBits: 1}}}}
	if kind == sitefile.ModbusTCP {
		site.Lines[0].Address, site.Lines[0].Port = "192.0.2.7:502", ""
	}
	for i, registers := range []int{1, 2, 40, 100} {
		m := &sitefile.RegisterMap{Protocol: "modbus", Bridge: 8}
		for a := range registers {
			m.Channels = append(m.Channels, sitefile.MapChannel{Name: fmt.Sprint("r", a), Table: sitefile.Holding,
				Address: uint16(a), Type: "u16", Bit: -1, Scale: 1, Every: time.Second})
		}
		site.Devices = append(site.Devices, sitefile.Device{Name: fmt.Sprint("u", i+1), Line: "bus", UnitID: byte(i + 1),
			MapPath: "maps/a.toml", Map: m, Every: time.Second})
	}
	return site
}

// judge is the sink: it holds every value against what was served.
type judge struct {
	mu            sync.Mutex // guards all below
	stored, wrong uint64
	outcomes      map[string][]scan.Reason
}

func (j *judge) Offer(s scan.Scan) {
	j.mu.Lock()
	defer j.mu.Unlock()
	unit := s.Group.Device[1] - '0'
	for a := range s.Values {
		if v, ok := s.Get(a); ok {
			j.stored++
			if v != int64(held(unit, uint16(a))) {
				j.wrong++
			}
		}
	}
	j.outcomes[s.Group.Device] = append(j.outcomes[s.Group.Device], s.Reason)
}

// faultRig is a real Poller with real Clients against the simulator's servers,
// over pipes, in the bubble of a synctest.
type faultRig struct {
	t        *testing.T
	injector *serve.Injector
	sink     *judge
	poller   *poll.Poller
	clients  []*modbus.Client
	stop     func()
}

// pipes is a listener whose connections are pipes.
type pipes chan net.Conn

func (p pipes) Accept() (net.Conn, error) {
	if conn, ok := <-p; ok {
		return conn, nil
	}
	return nil, net.ErrClosed
}
func (p pipes) Close() error   { close(p); return nil }
func (p pipes) Addr() net.Addr { return &net.TCPAddr{} }

// newFaultRig starts polling; it must be stopped. echo is the line's setting,
// echoes whether it has an echo.
func newFaultRig(t *testing.T, kind sitefile.LineKind, echo sitefile.Echo, echoes bool, faults serve.Faults) *faultRig {
	t.Helper()
	injector, err := serve.NewInjector(faults)
	if err != nil {
		t.Fatal(err)
	}
	r := &faultRig{t: t, injector: injector, sink: &judge{outcomes: map[string][]scan.Reason{}}}
	ctx, cancel := context.WithCancel(t.Context())
	var wait sync.WaitGroup
	listener := make(pipes)
	if kind == sitefile.ModbusTCP {
		wait.Go(func() {
			if err := serve.ServeTCP(ctx, listener, image{}, injector); err != nil {
				t.Error(err)
			}
		})
	}
	dial := func(context.Context, *sitefile.Line) (poll.Client, error) {
		near, far := net.Pipe()
		cfg := modbus.Config{Framing: modbus.TCP}
		if kind == sitefile.ModbusTCP {
			listener <- far
		} else {
			cfg = modbus.Config{Framing: modbus.RTU, Baud: 115200}
			cfg.Echo = map[sitefile.Echo]modbus.Echo{sitefile.EchoOn: modbus.EchoOn, sitefile.EchoOff: modbus.EchoOff}[echo]
			line := serve.NewRTULine(image{}, 0, injector)
			if echoes {
				line.Echo()
			}
			wait.Go(func() { _ = line.Serve(ctx, far) }) // ends with an error where the client closes its end first
		}
		client := modbus.NewClient(near, cfg)
		r.clients = append(r.clients, client)
		return client, nil
	}
	site := faultSite(kind, echo)
	r.poller, err = poll.New(site, sitefile.Groups(site), r.sink, poll.Options{Dial: dial, Random: func() float64 { return 0 }})
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	pollCtx, stopPolling := context.WithCancel(t.Context())
	go func() { done <- r.poller.Run(pollCtx) }()
	r.stop = func() {
		stopPolling()
		if err := <-done; err != nil {
			t.Error(err)
		}
		cancel()
		wait.Wait()
	}
	return r
}

// counted adds up what the clients saw of all units.
func (r *faultRig) counted() (sum modbus.UnitStats) {
	for _, c := range r.clients {
		for _, u := range c.Stats().Units {
			sum.Requests += u.Requests
			sum.Answers += u.Answers
			sum.Timeouts += u.Timeouts
			sum.BadChecksums += u.BadChecksums
			sum.Exceptions += u.Exceptions
			sum.WrongAnswers += u.WrongAnswers
			sum.LinesLost += u.LinesLost
			sum.Canceled += u.Canceled
			sum.Late += u.Late
		}
	}
	return sum
}

// scanned adds up what the Poller says of all devices.
func (r *faultRig) scanned() (good, damaged uint64, errors map[scan.Reason]uint64) {
	errors = map[scan.Reason]uint64{}
	for _, d := range r.poller.Status().Devices {
		good += d.Scans
		damaged += d.Damaged
		for reason, n := range d.Errors {
			errors[reason] += n
		}
	}
	return good, damaged, errors
}

// wantNoneWrong fails if more wrong values were stored than a CRC-16 lets
// through. The bound: one in 65,536 damaged frames, and four standard deviations
// of it; below some 4,000 damaged frames that is none. Wrong values are counted
// one by one, so that a single such frame may count for a hundred of them.
func (r *faultRig) wantNoneWrong(damaged uint64) {
	r.t.Helper()
	expected := float64(damaged) / 65536
	const mostValues = 100
	if most := mostValues * uint64(expected+4*math.Sqrt(expected)); r.sink.wrong > most {
		r.t.Errorf("%d of %d stored values are wrong, at most %d of %d damaged frames can pass a CRC-16", r.sink.wrong, r.sink.stored, most, damaged)
	}
}

// seconds is how long a stream of faults runs: simulated seconds, four polls
// each.
func seconds() time.Duration {
	if os.Getenv("LOADSCRIBE_LONG") != "" {
		return 1_000_000 * time.Second
	}
	return 20_000 * time.Second
}

// fivePercent damages five frames of a hundred, in equal shares, and two more
// are silent, late, torn, another unit's or exceptions. Late and torn answers
// end by after they should have begun.
func fivePercent(seed uint64, by time.Duration, kinds ...serve.Fault) serve.Faults {
	f := serve.Faults{Seed: seed, By: by}
	for _, k := range kinds {
		f.Share[k] = 0.05 / float64(len(kinds))
	}
	for _, k := range []serve.Fault{serve.Silence, serve.Late, serve.WrongUnit, serve.Torn, serve.Refused} {
		f.Share[k] = 0.004
	}
	return f
}

// echoes are the settings of a line and whether it has an echo, where they fit.
var echoes = []struct {
	setting sitefile.Echo
	there   bool
}{{sitefile.EchoOff, false}, {sitefile.EchoOn, true}, {sitefile.EchoAuto, false}, {sitefile.EchoAuto, true}}

// lateBy is how late late and torn answers are: 150 ms behind the timeout,
// within the bound that package modbus promises to bear.
const lateBy = 350 * time.Millisecond

// TestDamagedLine: of the frames of a serial line five in a hundred are damaged
// (a byte before, within, behind or missing, a flipped bit, a broken-off frame,
// a hurt echo) and two are silent, late, torn, another unit's or exceptions.
// Not one wrong value is stored, and the counters agree with what was injected.
func TestDamagedLine(t *testing.T) {
	for i, e := range echoes {
		if testing.Short() && i > 1 {
			continue // for the race detector one setting is like another
		}
		t.Run(fmt.Sprintf("echo %s, there %v", e.setting, e.there), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				kinds := []serve.Fault{serve.Garbage, serve.Inside, serve.After, serve.Flipped, serve.Truncated, serve.Lost}
				if e.there {
					kinds = append(kinds, serve.EchoLost)
				}
				r := newFaultRig(t, sitefile.ModbusRTU, e.setting, e.there, fivePercent(uint64(i), lateBy, kinds...))
				time.Sleep(seconds() + 700*time.Millisecond)
				r.stop()
				r.wantNoneWrong(r.injected(kinds...))
				r.wantSerialCounts()
				r.wantStatusCounts(seconds())
			})
		})
	}
}

// injected adds up how often these faults were.
func (r *faultRig) injected(faults ...serve.Fault) (sum uint64) {
	n := r.injector.Counts()
	for _, f := range faults {
		sum += n[f]
	}
	return sum
}

// between fails unless least <= got <= most.
func (r *faultRig) between(what string, got, least, most uint64) {
	r.t.Helper()
	if got < least || got > most {
		r.t.Errorf("%s: %d, want %d to %d; injected %v", what, got, least, most, r.injector.Counts())
	}
}

// wantSerialCounts holds what the client counted against what was injected:
//
//   - exceptions: as many as injected;
//   - another unit's answers: as many as injected, but for those that are taken
//     for a late answer of that unit (some 1 in 200) and count as a timeout;
//   - silent, late, torn, flipped, broken-off answers and those with a byte
//     inside or missing: a timeout or a bad checksum each; which of the two
//     depends on whether the answer's head was left whole. A silent, late or
//     torn one is always a timeout. An inserted byte that repeats the frame's
//     last one is no damage (at most 1 in 256);
//   - a byte before or behind, or missing from the echo: nothing, but where it
//     comes while an answer is held back because one like it was lost (some 1 in
//     50).
func (r *faultRig) wantSerialCounts() {
	r.t.Helper()
	seen := r.counted()
	r.between("exceptions", seen.Exceptions, r.injected(serve.Refused), r.injected(serve.Refused))
	foreign := r.injected(serve.WrongUnit)
	r.between("wrong answers", seen.WrongAnswers, foreign-foreign/50, foreign)
	lost := r.injected(serve.Silence, serve.Late, serve.Torn) + foreign - seen.WrongAnswers
	damaged := r.injected(serve.Flipped, serve.Inside, serve.Truncated, serve.Lost)
	harmless := r.injected(serve.Garbage, serve.After, serve.EchoLost)
	r.between("timeouts", seen.Timeouts, lost, lost+damaged)
	r.between("timeouts and bad checksums", seen.Timeouts+seen.BadChecksums,
		lost+damaged-r.injected(serve.Inside)/256, lost+damaged+harmless/20)
	r.between("bad checksums", seen.BadChecksums, r.injected(serve.Flipped), damaged+harmless/20)
	r.between("lines lost and reads given up", seen.LinesLost+seen.Canceled, 0, 0)
	r.between("requests", seen.Requests, seen.Answers+seen.Exceptions+seen.WrongAnswers+seen.Timeouts+seen.BadChecksums, math.MaxUint64)
}

// wantStatusCounts holds the Poller's counters, and what the sink got, against
// the client's. A damaged answer is asked for once more, hence only two in a
// row cost a scan.
func (r *faultRig) wantStatusCounts(ran time.Duration) {
	r.t.Helper()
	seen := r.counted()
	good, damaged, errs := r.scanned()
	r.between("scans with values", good, seen.Answers, seen.Answers)
	r.between("damaged", damaged, seen.BadChecksums, seen.BadChecksums)
	r.between("exceptions of scans", errs[scan.Exception], seen.Exceptions, seen.Exceptions)
	// A device that stays silent three times is left alone for four seconds;
	// what is not asked for then has the reason of the last silence.
	quiet := seen.Timeouts + seen.WrongAnswers
	r.between("silent scans", errs[scan.Timeout]+errs[scan.WrongAnswer], quiet, quiet+quiet/20)
	r.between("damaged scans", errs[scan.BadChecksum], 0, seen.BadChecksums/10)
	offered := uint64(0)
	for _, outcomes := range r.sink.outcomes {
		for _, reason := range outcomes {
			if reason == scan.Good {
				offered++
			}
		}
	}
	r.between("scans handed on", offered, good, good)
	if share := float64(good) / (4 * ran.Seconds()); share < 0.93 {
		r.t.Errorf("only %.1f %% of the scans have values", 100*share)
	}
}

// TestDamagedSockets is TestDamagedLine for Modbus TCP, where a damaged header
// or a dropped socket costs the connection.
func TestDamagedSockets(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newFaultRig(t, sitefile.ModbusTCP, sitefile.EchoAuto, false,
			fivePercent(5, lateBy, serve.Garbage, serve.Flipped, serve.Dropped))
		time.Sleep(seconds()/4 + 700*time.Millisecond)
		r.stop()
		if r.sink.wrong > 0 {
			t.Errorf("%d of %d stored values are wrong", r.sink.wrong, r.sink.stored)
		}
		r.wantSocketCounts()
		r.wantStatusCounts(seconds() / 4)
	})
}

// wantSocketCounts is wantSerialCounts for Modbus TCP. A dropped socket that had
// answered is opened anew and asked once more, so that it costs no scan; a frame
// with a damaged header is a timeout, a wrong answer or the end of the
// connection, by what its length says, and a torn one may cost two reads.
func (r *faultRig) wantSocketCounts() {
	r.t.Helper()
	seen := r.counted()
	r.between("exceptions", seen.Exceptions, r.injected(serve.Refused), r.injected(serve.Refused))
	r.between("bad checksums", seen.BadChecksums, 0, 0)
	failed := seen.Timeouts + seen.WrongAnswers + seen.LinesLost
	caused := r.injected(serve.Silence, serve.Late, serve.WrongUnit, serve.Torn, serve.Garbage, serve.Flipped, serve.Dropped)
	r.between("failed reads", failed, caused, caused+caused/20)
	r.between("lines lost", seen.LinesLost, r.injected(serve.Dropped), r.injected(serve.Dropped))
}

// TestRecovery: after each single fault the line is well again within two
// polls of the device, and no other device loses a scan.
func TestRecovery(t *testing.T) {
	for _, e := range echoes {
		for fault := serve.Silence; fault < serve.NumFaults; fault++ {
			if fault == serve.Dropped || fault == serve.EchoLost && !e.there {
				continue
			}
			t.Run(fmt.Sprintf("echo %s, there %v, %v", e.setting, e.there, fault), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					r := newFaultRig(t, sitefile.ModbusRTU, e.setting, e.there, serve.Faults{Seed: uint64(fault), By: lateBy})
					r.recover(fault, 64)
				})
			})
		}
	}
	for fault := serve.Silence; fault <= serve.Dropped; fault++ {
		t.Run("TCP, "+fault.String(), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newFaultRig(t, sitefile.ModbusTCP, sitefile.EchoAuto, false, serve.Faults{Seed: uint64(fault), By: lateBy})
				r.recover(fault, 64)
			})
		})
	}
}

// recover injects a fault into an answer of each device in turn.
func (r *faultRig) recover(fault serve.Fault, times int) {
	time.Sleep(5*time.Second + 700*time.Millisecond) // all is well, and turnarounds are learnt
	for k := range times {
		skipped := make([]serve.Fault, k%4) // NoFault: the answers of the devices before
		r.injector.Force(append(skipped, fault)...)
		time.Sleep(5 * time.Second)
	}
	r.stop()
	r.between(fault.String(), r.injected(fault), uint64(times), uint64(times))
	r.between("wrong values", r.sink.wrong, 0, 0)
	for device, outcomes := range r.sink.outcomes {
		bad := 0
		for i, reason := range outcomes {
			if reason == scan.Good {
				bad = 0
			} else if bad++; bad > 2 {
				r.t.Fatalf("%s: scan %d is %v, the third without values after one fault", device, i, reason)
			}
		}
	}
}
