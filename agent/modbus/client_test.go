package modbus

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/scan"
)

// TestLateAnswer: the first answer comes 100 ms after its timeout. The reads
// are of one register each, so that nothing but the order tells them apart.
func TestLateAnswer(t *testing.T) {
	for _, s := range setups() {
		t.Run(s.name, func(t *testing.T) {
			script := func(n int, _ ask, answer []byte) []step {
				if n == 1 {
					return []step{{rigTimeout + 100*time.Millisecond, answer}}
				}
				return []step{{0, answer}}
			}
			run(t, s.cfg, script, func(r *rig) {
				r.expect("read 101", register(101), ErrTimeout)
				for address := uint16(102); address < 106; address++ {
					r.expect("after the late answer", register(address), nil)
				}
				if s.cfg.Framing == TCP {
					return // the connection was closed; nothing comes late
				}
				u := r.client.UnitStats(3)
				if u.Late != 1 || u.WorstLate < 90*time.Millisecond || u.WorstLate > 110*time.Millisecond {
					t.Errorf("late %d, worst %v; want 1 of about 100ms", u.Late, u.WorstLate)
				}
			})
		})
	}
}

// TestAlwaysLate: every answer comes late; every read fails and none is one
// behind.
func TestAlwaysLate(t *testing.T) {
	for _, s := range setups() {
		t.Run(s.name, func(t *testing.T) {
			script := func(_ int, _ ask, answer []byte) []step {
				return []step{{rigTimeout + 150*time.Millisecond, answer}}
			}
			run(t, s.cfg, script, func(r *rig) {
				for address := range uint16(10) {
					r.expect("late", register(address), ErrTimeout)
				}
			})
		})
	}
}

// TestLateAnswerOfOtherShape: a late answer during a request of another length
// is stepped over.
func TestLateAnswerOfOtherShape(t *testing.T) {
	for _, s := range setups()[:3] {
		t.Run(s.name, func(t *testing.T) {
			script := func(n int, _ ask, answer []byte) []step {
				if n == 1 { // beyond one longest frame, within the next request
					return []step{{2*rigTimeout + 60*time.Millisecond, answer}}
				}
				return []step{{0, answer}}
			}
			run(t, s.cfg, script, func(r *rig) {
				r.expect("first", register(1), ErrTimeout)
				time.Sleep(100 * time.Millisecond)
				r.expect("other length", registers(1, 2), nil)
				r.expect("then", register(1), nil)
			})
		})
	}
}

// TestOtherUnitNeedNotWait: after one unit's silence the others are asked after
// one longest frame at most.
func TestOtherUnitNeedNotWait(t *testing.T) {
	script := func(_ int, a ask, answer []byte) []step {
		if a.unit == 9 {
			return nil
		}
		return []step{{0, answer}}
	}
	run(t, Config{Framing: RTU, Baud: 115200}, script, func(r *rig) {
		if err := r.read(9, register(1)); !errors.Is(err, ErrTimeout) {
			t.Fatal(err)
		}
		start := time.Now()
		r.expect("another unit", register(1), nil)
		if took := time.Since(start); took > 40*time.Millisecond { // 256 × 11 / 115200 = 24.4 ms
			t.Errorf("took %v", took)
		}
	})
}

// TestWrongUnit: a frame of another unit comes before the answer, or instead.
func TestWrongUnit(t *testing.T) {
	for _, s := range setups() {
		t.Run(s.name, func(t *testing.T) {
			dev := device{framing: s.cfg.Framing}
			script := func(n int, a ask, answer []byte) []step {
				other := a
				other.unit = 7
				wrong := dev.frame(other, frame.AppendReadResponse(nil, a.req.Function, payloadOf(99, a.req)))
				switch n {
				case 1:
					return []step{{0, wrong}, {0, answer}}
				case 3:
					return []step{{0, wrong}}
				}
				return []step{{0, answer}}
			}
			run(t, s.cfg, script, func(r *rig) {
				if s.cfg.Framing == TCP {
					r.expect("before the answer", register(1), ErrWrongAnswer)
				} else {
					r.expect("before the answer", register(1), nil)
				}
				r.expect("after", register(2), nil)
				r.expect("instead", register(3), ErrWrongAnswer)
				r.expect("recovered", register(4), nil)
			})
		})
	}
}

// TestGarbage: one byte of noise before the answer.
func TestGarbage(t *testing.T) {
	for _, s := range setups() {
		t.Run(s.name, func(t *testing.T) {
			script := func(n int, a ask, answer []byte) []step {
				if n <= 256 && n%2 == 1 {
					return []step{{0, []byte{byte(n / 2 * 2)}}, {0, answer}}
				}
				return []step{{0, answer}}
			}
			run(t, s.cfg, script, func(r *rig) {
				for address := range uint16(128) {
					err := r.read(3, register(address))
					if s.cfg.Framing != TCP && err != nil {
						t.Fatalf("after noise %#02x: %v", 2*address, err)
					}
					if s.cfg.Framing == TCP && err == nil && address > 0 {
						t.Fatal("a stream that is out of step gave a value")
					}
					r.expect("next", register(address), nil)
				}
			})
		})
	}
}

// TestTorn: the second half of the first answer comes after the timeout.
func TestTorn(t *testing.T) {
	for _, s := range setups() {
		for _, late := range []time.Duration{250, 390, 950} {
			t.Run(s.name+" "+(late*time.Millisecond).String(), func(t *testing.T) {
				script := func(n int, _ ask, answer []byte) []step {
					if n == 1 {
						return []step{{0, answer[:4]}, {late * time.Millisecond, answer[4:]}}
					}
					return []step{{0, answer}}
				}
				run(t, s.cfg, script, func(r *rig) {
					r.expect("torn", register(1), ErrTimeout)
					if late < 900 { // else the device is still held up
						r.expect("next", register(2), nil)
					} else {
						r.expect("next", register(2), nil, ErrTimeout)
						r.expect("next but one", register(3), nil, ErrTimeout)
					}
					r.expect("then", register(4), nil)
				})
			})
		}
	}
}

// TestPieces: no pause inside an answer ends it.
func TestPieces(t *testing.T) {
	for _, s := range setups() {
		t.Run(s.name, func(t *testing.T) {
			script := func(n int, _ ask, answer []byte) []step {
				switch n {
				case 1: // single bytes
					var all []step
					for i := range answer {
						all = append(all, step{time.Millisecond / 2, answer[i : i+1]})
					}
					return all
				case 2: // two lumps, as a USB adapter delivers
					return []step{{0, answer[:6]}, {20 * time.Millisecond, answer[6:]}}
				case 3:
					return []step{{time.Millisecond, answer}}
				}
				return []step{{0, answer}}
			}
			run(t, s.cfg, script, func(r *rig) {
				for n := range uint16(5) {
					r.expect("in pieces", registers(n, 40), nil)
				}
			})
		})
	}
}

func TestExceptionAtOnce(t *testing.T) {
	for _, s := range setups() {
		t.Run(s.name, func(t *testing.T) {
			dev := device{framing: s.cfg.Framing}
			script := func(n int, a ask, answer []byte) []step {
				if n == 1 {
					return []step{{0, dev.frame(a, frame.AppendException(nil, a.req.Function, 2))}}
				}
				return []step{{0, answer}}
			}
			run(t, s.cfg, script, func(r *rig) {
				start := time.Now()
				err := r.read(3, registers(40, 8))
				if took := time.Since(start); took > 20*time.Millisecond {
					t.Errorf("took %v", took)
				}
				var exception *ExceptionError
				if !errors.As(err, &exception) {
					t.Fatalf("%v is no ExceptionError", err)
				}
				if want := (ExceptionError{3, 3, 2, 40, 8}); *exception != want {
					t.Errorf("%+v, want %+v", *exception, want)
				}
				if !strings.HasPrefix(err.Error(), "read unit 3 holding registers 40-47: device exception 02 (illegal data address); ") {
					t.Error(err)
				}
				if got := ReasonOf(err); got != scan.Exception {
					t.Errorf("reason %v", got)
				}
				r.expect("next", register(1), nil)
				if u := r.client.UnitStats(3); u.Exceptions != 1 || u.Answers != 1 || u.Requests != 2 {
					t.Errorf("counts %+v", u)
				}
			})
		})
	}
}

// TestSilence: the read ends by its deadline, for the whole of it.
func TestSilence(t *testing.T) {
	for _, s := range setups() {
		t.Run(s.name, func(t *testing.T) {
			run(t, s.cfg, func(int, ask, []byte) []step { return nil }, func(r *rig) {
				start := time.Now()
				err := r.read(3, registers(40, 8))
				took := time.Since(start)
				if !errors.Is(err, ErrTimeout) || ReasonOf(err) != scan.Timeout {
					t.Fatal(err)
				}
				// The request is 8 or 17 characters of 0.573 ms, the gap 2 ms.
				if took < rigTimeout || took > rigTimeout+13*time.Millisecond {
					t.Errorf("took %v for a timeout of %v", took, rigTimeout)
				}
				if !strings.HasPrefix(err.Error(), "read unit 3 holding registers 40-47: no answer in time: none within 200ms; check ") {
					t.Error(err)
				}
			})
		})
	}
}

// TestContext: a cancelled context ends each kind of wait at once, and leaves
// no value behind for the next read to take.
func TestContext(t *testing.T) {
	for _, s := range setups() {
		t.Run(s.name, func(t *testing.T) {
			script := func(n int, _ ask, answer []byte) []step {
				if n == 1 {
					return []step{{150 * time.Millisecond, answer}}
				}
				return []step{{0, answer}}
			}
			run(t, s.cfg, script, func(r *rig) {
				ctx, cancel := background(r.t)
				time.AfterFunc(50*time.Millisecond, cancel)
				start := time.Now()
				_, err := r.client.Read(ctx, 3, register(1), rigTimeout)
				if !errors.Is(err, context.Canceled) || time.Since(start) != 50*time.Millisecond {
					t.Fatalf("%v after %v", err, time.Since(start))
				}
				if ReasonOf(err) != scan.AgentStopped {
					t.Errorf("reason %v", ReasonOf(err))
				}
				_, err = r.client.Read(ctx, 3, register(1), rigTimeout)
				if !errors.Is(err, context.Canceled) {
					t.Fatal(err)
				}
				r.expect("the same shape again", register(2), nil)
			})
		})
	}
}

// TestContextWhileWaitingForTurn: a read that waits for another one ends with
// its own context.
func TestContextWhileWaitingForTurn(t *testing.T) {
	run(t, Config{Framing: RTU, Baud: 19200}, func(int, ask, []byte) []step { return nil }, func(r *rig) {
		first := make(chan error, 1)
		go func() {
			_, err := r.client.Read(r.t.Context(), 3, register(1), time.Second)
			first <- err
		}()
		time.Sleep(10 * time.Millisecond)
		ctx, cancel := context.WithTimeout(r.t.Context(), 50*time.Millisecond)
		defer cancel()
		if _, err := r.client.Read(ctx, 4, register(1), time.Second); !errors.Is(err, context.DeadlineExceeded) {
			t.Error(err)
		}
		if err := <-first; !errors.Is(err, ErrTimeout) {
			t.Error(err)
		}
	})
}

// TestCloseEndsRead: Close from another goroutine ends a read.
func TestCloseEndsRead(t *testing.T) {
	for _, s := range setups() {
		t.Run(s.name, func(t *testing.T) {
			run(t, s.cfg, func(int, ask, []byte) []step { return nil }, func(r *rig) {
				time.AfterFunc(20*time.Millisecond, func() { r.client.Close() })
				start := time.Now()
				_, err := r.client.Read(r.t.Context(), 3, register(1), time.Minute)
				if !errors.Is(err, ErrLineLost) || time.Since(start) > time.Second {
					t.Errorf("%v after %v", err, time.Since(start))
				}
				if _, err = r.client.Read(r.t.Context(), 3, register(1), 0); !errors.Is(err, ErrLineLost) {
					t.Errorf("after Close: %v", err)
				}
			})
		})
	}
}

// TestRefused: what cannot be asked costs nothing on the line.
func TestRefused(t *testing.T) {
	run(t, Config{Framing: RTU, Baud: 9600}, nil, func(r *rig) {
		tests := []struct {
			unit byte
			req  frame.ReadRequest
			want error
		}{
			{0, register(1), ErrUnit},
			{1, registers(1, 126), frame.ErrRequest},
			{1, frame.ReadRequest{Function: 6, Address: 1, Quantity: 1}, frame.ErrFunction},
			{1, frame.ReadRequest{Function: 16, Address: 1, Quantity: 1}, frame.ErrFunction},
		}
		for _, tt := range tests {
			if _, err := r.client.Read(r.t.Context(), tt.unit, tt.req, 0); !errors.Is(err, tt.want) {
				t.Errorf("unit %d %v: %v, want %v", tt.unit, tt.req, err, tt.want)
			}
		}
		if n := r.dev.asked(); n != 0 {
			t.Errorf("%d requests were sent", n)
		}
	})
}
