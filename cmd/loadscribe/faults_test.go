package main

import (
	"fmt"
	"math"
	"os"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/simulator/serve"
)

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
