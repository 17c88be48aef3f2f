package textline

import (
	"bytes"
	"context"
	"errors"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/scan"
)

// All times here are those of the test's bubble.

// say is bytes that the device sends some time after what it sent before.
type say struct {
	after time.Duration
	text  string
}

// device is the far end of a line.
type device struct {
	conn  net.Conn
	asked chan string // each question, to its CR
}

// connect gives a Client and the device at the other end. The device answers
// the n-th question (from 0) with script(n). Nobody answers with a nil script.
func connect(t *testing.T, cfg Config, script func(n int) []say) (*Client, *device) {
	t.Helper()
	near, far := net.Pipe()
	d := &device{conn: far, asked: make(chan string, 100)}
	done := make(chan struct{})
	speech := make(chan say, 1000)
	go func() {
		defer close(done)
		for s := range speech {
			time.Sleep(s.after)
			if _, err := far.Write([]byte(s.text)); err != nil {
				return
			}
		}
	}()
	go func() {
		defer close(speech)
		var in []byte
		chunk := make([]byte, 64)
		for n := 0; ; {
			k, err := far.Read(chunk)
			if err != nil {
				return
			}
			in = append(in, chunk[:k]...)
			for {
				end := bytes.IndexByte(in, '\r')
				if end < 0 {
					break
				}
				d.asked <- string(in[:end+1])
				in = in[end+1:]
				if script != nil {
					for _, s := range script(n) {
						speech <- s
					}
				}
				n++
			}
		}
	}()
	c := New(near, cfg)
	t.Cleanup(func() {
		if err := c.Close(); err != nil {
			t.Error(err)
		}
		far.Close()
		<-done
	})
	return c, d
}

func pressure(t *testing.T) *Ask {
	t.Helper()
	p, err := NewPattern(`P=(?P<p>[-0-9.]+)`, []Field{{Group: "p"}})
	if err != nil {
		t.Fatal(err)
	}
	return &Ask{Name: "pressure", Send: []byte("P?\r"), Pattern: p}
}

func pieces(text string, size int, pause time.Duration) []say {
	var all []say
	for len(text) > 0 {
		n := min(size, len(text))
		all = append(all, say{pause, text[:n]})
		text = text[n:]
	}
	return all
}

func TestAsk(t *testing.T) {
	xor := Format{Checksum: Checksum{Kind: XOR8}}
	giant := strings.Repeat("x", 3*maxText)
	tests := []struct {
		name   string
		echo   Echo
		format Format
		comes  []say
		want   string
		err    error
	}{
		{"CR LF", EchoAuto, Format{}, []say{{0, "P=7.2\r\n"}}, "P=7.2", nil},
		{"LF", EchoAuto, Format{}, []say{{0, "P=7.2\n"}}, "P=7.2", nil},
		{"CR", EchoAuto, Format{}, []say{{0, "P=7.2\r"}}, "P=7.2", nil},
		{"byte by byte, 16 ms apart", EchoAuto, Format{}, pieces("P=7.2\r\n", 1, 16*time.Millisecond), "P=7.2", nil},
		{"two pieces, far apart", EchoAuto, Format{}, []say{{900 * time.Millisecond, "P="}, {250 * time.Millisecond, "7.2\r"}}, "P=7.2", nil},
		{"noise before", EchoAuto, Format{}, []say{{0, "\xff\x00q\r\n"}, {0, "P=7.2\r\n"}}, "P=7.2", nil},
		{"another text before", EchoAuto, Format{}, []say{{0, "T=81\r\n\r\nP=7.2\r\n"}}, "P=7.2", nil},
		{"silence", EchoAuto, Format{}, nil, "", ErrTimeout},
		{"no end", EchoAuto, Format{}, []say{{0, "P=7.2"}}, "", ErrTimeout},
		{"nonsense", EchoAuto, Format{}, []say{{0, "ERR 7\r\n"}}, "", ErrWrongAnswer},
		{"half of it is noise", EchoAuto, Format{}, []say{{0, "P=7.2q\r\n"}}, "", ErrWrongAnswer},
		{"endless", EchoAuto, Format{}, pieces(giant, 500, 0), "", ErrWrongAnswer},
		{"giant, then the answer", EchoAuto, Format{}, append(pieces(giant, 500, 0), say{0, "\rP=7.2\r"}), "", ErrWrongAnswer},
		{"by silence", EchoAuto, Format{Quiet: 30 * time.Millisecond}, []say{{0, "P="}, {20 * time.Millisecond, "7.2"}}, "P=7.2", nil},
		{"by silence, noise before", EchoAuto, Format{Quiet: 30 * time.Millisecond}, []say{{0, "z"}, {90 * time.Millisecond, "P=7.2"}}, "P=7.2", nil},
		// 50^3D^37^2E^32 = 46, by hand.
		{"checksum", EchoAuto, xor, []say{{0, "P=7.246\r\n"}}, "P=7.2", nil},
		{"bad checksum", EchoAuto, xor, []say{{0, "P=7.346\r\n"}}, "", ErrBadChecksum},
		{"bad checksum, then a good one", EchoAuto, xor, []say{{0, "P=7.346\r\nP=7.246\r\n"}}, "P=7.2", nil},

		{"echo", EchoAuto, Format{}, []say{{0, "P?\r"}, {0, "P=7.2\r\n"}}, "P=7.2", nil},
		{"echo with a line end of its own", EchoAuto, Format{}, []say{{0, "P?\r\n"}, {0, "P=7.2\r\n"}}, "P=7.2", nil},
		{"echo within the text", EchoAuto, Format{Ends: []byte("\r\n")}, []say{{0, "P?\rP=7.2\r\n"}}, "P=7.2", nil},
		{"echo with a checksum behind it", EchoAuto, xor, []say{{0, "P?\r\nP=7.246\r\n"}}, "P=7.2", nil},
		{"echo, then silence", EchoAuto, Format{}, []say{{0, "P?\r"}}, "", ErrTimeout},
		{"echo in pieces", EchoOn, Format{}, pieces("P?\rP=7.2\r\n", 1, time.Millisecond), "P=7.2", nil},
		{"echo with a lost byte", EchoOn, Format{}, []say{{0, "?\rP=7.2\r\n"}}, "P=7.2", nil},
		{"echo on, none comes", EchoOn, Format{}, []say{{0, "P=7.2\r\n"}}, "P=7.2", nil},
		{"echo on, broken off", EchoOn, Format{}, []say{{0, "P"}}, "", ErrTimeout},
		{"echo off, echo comes", EchoOff, Format{}, []say{{0, "P?\rP=7.2\r\n"}}, "P=7.2", nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				c, _ := connect(t, Config{Baud: 9600, Echo: tt.echo}, func(int) []say { return tt.comes })
				a := pressure(t)
				a.Format = tt.format
				begun := time.Now()
				got, err := c.Ask(t.Context(), a, time.Second)
				if got != tt.want || !errors.Is(err, tt.err) {
					t.Errorf("got %q, %v, want %q, %v", got, err, tt.want, tt.err)
				}
				// 256 characters of eleven bits at 9600 baud: 0.29 s.
				if took := time.Since(begun); took > 1300*time.Millisecond {
					t.Errorf("took %v", took)
				}
				if len(c.in) > maxText+maxHeld || cap(c.in) > 4*maxText {
					t.Errorf("%d bytes held", cap(c.in))
				}
			})
		})
	}
}

// TestAnswerBeginsLikeQuestion: the answer repeats the question's words, which
// must not be taken for an echo, and an echo must not be taken for an answer.
func TestAnswerBeginsLikeQuestion(t *testing.T) {
	p, err := NewPattern(`P1?=?(?P<p>[0-9.]+)`, []Field{{Group: "p"}})
	if err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name, comes, want string
		echo              Echo
	}{
		{"no echo", "P1=7.2\r\n", "P1=7.2", EchoAuto},
		{"echo", "P1\rP1=7.2\r\n", "P1=7.2", EchoAuto},
		{"echo that looks like an answer, then silence", "P1\r", "", EchoAuto},
		{"the same with echo on", "P1\r", "", EchoOn},
		{"the same with echo off: an answer", "P1\r", "P1", EchoOff},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				c, _ := connect(t, Config{Echo: tt.echo}, func(int) []say { return []say{{0, tt.comes}} })
				got, err := c.Ask(t.Context(), &Ask{Send: []byte("P1\r"), Pattern: p}, time.Second)
				if got != tt.want || (err == nil) != (tt.want != "") {
					t.Errorf("got %q, %v, want %q", got, err, tt.want)
				}
			})
		})
	}
}

// TestLateAnswers: what answers a question that was given up is never taken
// for the answer to the next one.
func TestLateAnswers(t *testing.T) {
	tests := []struct {
		name   string
		script func(n int) []say
		want   []string // empty: an error
	}{
		{"within the wait", func(n int) []say {
			return []say{{[]time.Duration{1500 * time.Millisecond, 0, 0}[n], []string{"P=1\r", "P=2\r", "P=3\r"}[n]}}
		}, []string{"", "P=2", "P=3"}},
		// Held up for 2.2 s the device then answers both in a row.
		{"behind the wait, in a row", func(n int) []say {
			return []say{{[]time.Duration{2200 * time.Millisecond, 20 * time.Millisecond, 0}[n], []string{"P=1\r", "P=2\r", "P=3\r"}[n]}}
		}, []string{"", "P=2", "P=3"}},
		{"never", func(n int) []say {
			if n == 0 {
				return nil
			}
			return []say{{0, "P=2\r"}}
		}, []string{"", "P=2", "P=2"}},
		{"torn, its rest late", func(n int) []say {
			if n == 0 {
				return []say{{0, "P="}, {1700 * time.Millisecond, "1\r"}}
			}
			return []say{{0, "P=2\r"}}
		}, []string{"", "P=2", "P=2"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				c, _ := connect(t, Config{}, tt.script)
				a := pressure(t)
				for i, want := range tt.want {
					got, err := c.Ask(t.Context(), a, time.Second)
					if got != want || (err == nil) != (want != "") {
						t.Errorf("question %d: got %q, %v, want %q", i, got, err, want)
					}
				}
			})
		})
	}
}

// TestBoundOfLateness shows that the bound in the package comment is right: an
// answer later than the wait, whose successor does not follow, is taken for the
// new one.
func TestBoundOfLateness(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, _ := connect(t, Config{}, func(n int) []say {
			return []say{{[]time.Duration{2200 * time.Millisecond, 700 * time.Millisecond}[n], []string{"P=1\r", "P=2\r"}[n]}}
		})
		a := pressure(t)
		if _, err := c.Ask(t.Context(), a, time.Second); !errors.Is(err, ErrTimeout) {
			t.Fatal(err)
		}
		if got, err := c.Ask(t.Context(), a, time.Second); got != "P=1" || err != nil {
			t.Errorf("got %q, %v: the bound is better than it says", got, err)
		}
	})
}

func TestTurnaroundAndUnasked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, d := connect(t, Config{Turnaround: 300 * time.Millisecond}, func(int) []say { return []say{{0, "P=7.2\r\n"}} })
		a := pressure(t)
		for range 2 {
			if _, err := d.conn.Write([]byte("P=9.9\r\n")); err != nil { // an old answer, unasked
				t.Fatal(err)
			}
			begun := time.Now()
			if got, err := c.Ask(t.Context(), a, time.Second); got != "P=7.2" || err != nil {
				t.Fatalf("got %q, %v", got, err)
			}
			if took := time.Since(begun); took != 300*time.Millisecond {
				t.Errorf("asked after %v", took)
			}
		}
		if s := c.Stats(); s.Discarded == 0 {
			t.Errorf("%+v", s)
		}
	})
}

func TestHear(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, d := connect(t, Config{}, nil)
		f := &Format{}
		// The port holds old texts and is in the middle of one when it is opened.
		go func() {
			for _, s := range []struct {
				after int // ms
				text  string
			}{{0, "P=8\r\nP=9\r\n"}, {90, "P=5"}, {20, "5\r\n"}, {10, "P=1\r\n"}, {10, strings.Repeat("x", 2*maxText)},
				{10, "P=7\r\n"}, {10, "P="}, {10, "2\n"}} {
				time.Sleep(time.Duration(s.after) * time.Millisecond)
				if _, err := d.conn.Write([]byte(s.text)); err != nil {
					return
				}
			}
		}()
		for _, want := range []string{"P=1", "P=2"} {
			got, err := c.Hear(t.Context(), f, time.Now().Add(time.Second))
			if err != nil || got.Text != want || got.Damaged {
				t.Fatalf("got %+v, %v, want %q", got, err, want)
			}
		}
		if s := c.Stats(); s.Overlong == 0 || s.Overlong+s.Discarded < 2*maxText {
			t.Errorf("%+v", s)
		}
		begun := time.Now()
		if _, err := c.Hear(t.Context(), f, begun.Add(time.Minute)); !errors.Is(err, ErrTimeout) || time.Since(begun) != time.Minute {
			t.Errorf("silence: %v after %v", err, time.Since(begun))
		}
		select {
		case q := <-d.asked:
			t.Errorf("%q was sent", q)
		default:
		}
	})
}

func TestHearKinds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, d := connect(t, Config{}, nil)
		f := &Format{Quiet: 40 * time.Millisecond, Checksum: Checksum{Kind: XOR8}}
		time.Sleep(time.Second)
		go func() {
			for _, s := range []string{"P=7.246", "P=7.346"} {
				if _, err := d.conn.Write([]byte(s)); err != nil {
					return
				}
				time.Sleep(100 * time.Millisecond)
			}
			d.conn.Close()
		}()
		until := time.Now().Add(time.Minute)
		if got, err := c.Hear(t.Context(), f, until); err != nil || got.Text != "P=7.2" {
			t.Errorf("got %+v, %v", got, err)
		}
		if got, err := c.Hear(t.Context(), f, until); err != nil || !got.Damaged {
			t.Errorf("got %+v, %v", got, err)
		}
		if _, err := c.Hear(t.Context(), f, until); !errors.Is(err, ErrLineLost) || ReasonOf(err) != scan.PortGone {
			t.Errorf("hang-up: %v", err)
		}
		if !errors.Is(c.Err(), ErrLineLost) {
			t.Errorf("Err: %v", c.Err())
		}
	})
}

func TestCancelAndClose(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, _ := connect(t, Config{}, nil)
		ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
		defer cancel()
		if _, err := c.Ask(ctx, pressure(t), time.Minute); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("canceled: %v", err)
		}
		go func() {
			time.Sleep(time.Second)
			if err := c.Close(); err != nil {
				t.Error(err)
			}
		}()
		if _, err := c.Hear(t.Context(), &Format{}, time.Now().Add(time.Hour)); !errors.Is(err, ErrLineLost) {
			t.Errorf("closed: %v", err)
		}
		if _, err := c.Ask(t.Context(), pressure(t), time.Minute); !errors.Is(err, ErrLineLost) {
			t.Errorf("after Close: %v", err)
		}
	})
}

func TestReasons(t *testing.T) {
	for want, err := range map[scan.Reason]error{
		scan.Good: nil, scan.Timeout: ErrTimeout, scan.BadChecksum: ErrBadChecksum, scan.WrongAnswer: ErrWrongAnswer,
		scan.PortGone: ErrLineLost, scan.AgentStopped: context.Canceled,
	} {
		if got := ReasonOf(err); got != want {
			t.Errorf("%v: got %v, want %v", err, got, want)
		}
	}
}
