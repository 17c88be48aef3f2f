package poll

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// steps is a clock that goes on by itself, 10 ms a look.
type steps struct{ mono int64 }

func (c *steps) Now() (monoMS, wallMS int64) {
	c.mono += 10
	return c.mono, 1_700_000_000_000 + c.mono
}

// stepping is steps whose wall time is set while an exchange goes on.
type stepping struct {
	steps
	byMS int64
}

func (c *stepping) Now() (monoMS, wallMS int64) {
	mono, wall := c.steps.Now()
	return mono, wall + c.byMS
}

// TestClockIsSetDuringAnExchange: the scan's label is by the clock as it is when it is
// handed on. By the one before, it would follow scans of other lines with the new
// time, and the clock would seem to step back and forth.
func TestClockIsSetDuringAnExchange(t *testing.T) {
	for _, by := range []int64{3_600_000, -3_600_000, 0} {
		p, r := holed(t, nil)
		clock := &stepping{}
		r.err = func(frame.ReadRequest) error { clock.byMS = by; return nil }
		s := p.Poll(t.Context(), r, clock)
		if offset := s.WallMS - s.MonoMS; offset != 1_700_000_000_000+by || s.MonoMS < 10 || s.MonoMS > clock.mono {
			t.Errorf("set by %d ms: wall less monotonic time is %d, want the clock's, at %d", by, offset, s.MonoMS)
		}
	}
}

// imageReader is a register image in memory, as the demo's fill uses one.
type imageReader struct {
	words map[byte][]uint16 // by function
	err   func(frame.ReadRequest) error
	asked []frame.ReadRequest
}

func (r *imageReader) Read(_ context.Context, _ byte, req frame.ReadRequest) ([]byte, error) {
	r.asked = append(r.asked, req)
	if r.err != nil {
		if err := r.err(req); err != nil {
			return nil, err
		}
	}
	var out []byte
	if req.IsBits() {
		out = make([]byte, req.ByteCount())
		for i := range int(req.Quantity) {
			if r.words[req.Function][int(req.Address)+i] != 0 {
				out[i/8] |= 1 << (i % 8)
			}
		}
		return out, nil
	}
	for _, w := range r.words[req.Function][req.Address : int(req.Address)+int(req.Quantity)] {
		out = binary.BigEndian.AppendUint16(out, w)
	}
	return out, nil
}

// holed is a device with two groups of registers, a hole between them, and a
// coil.
func holed(t *testing.T, log *slog.Logger) (*GroupPoller, *imageReader) {
	t.Helper()
	d, g := mapOf(8, time.Second, ch("a", sitefile.Input, 0, "u16"), ch("b", sitefile.Input, 1, "u16"),
		ch("c", sitefile.Input, 5, "u16"), ch("run", sitefile.Coil, 3, "bit"))
	p, err := NewGroupPoller(d, g, log)
	if err != nil {
		t.Fatal(err)
	}
	return p, &imageReader{words: map[byte][]uint16{4: {11, 12, 0, 0, 0, 16}, 1: {0, 0, 0, 1}}}
}

func (r *imageReader) take() []string {
	var all []string
	for _, a := range r.asked {
		all = append(all, a.String())
	}
	r.asked = nil
	return all
}

func refuse(code byte) error {
	return &modbus.ReadError{Unit: 1, Err: &modbus.ExceptionError{Unit: 1, Code: code}}
}

func TestPollGood(t *testing.T) {
	p, r := holed(t, nil)
	s := p.Poll(t.Context(), r, &steps{})
	want := scan.Scan{Group: p.Group(), MonoMS: 25, WallMS: 1_700_000_000_025, DurationMS: 30, Values: []int64{11, 12, 16, 1}}
	if s.Group != want.Group || s.MonoMS != want.MonoMS || s.WallMS != want.WallMS || s.DurationMS != want.DurationMS ||
		s.Reason != scan.Good || s.Quality != nil || !slices.Equal(s.Values, want.Values) {
		t.Errorf("got %+v, want %+v", s, want)
	}
	if got := r.take(); !slices.Equal(got, []string{"coil 3", "input registers 0-5"}) {
		t.Errorf("asked for %q", got)
	}
	before := slices.Clone(s.Values)
	r.words[4][0] = 99
	if p.Poll(t.Context(), r, &steps{}); !slices.Equal(s.Values, before) {
		t.Errorf("a later scan changed the values of an earlier one: %v", s.Values)
	}
}

func TestPollFailures(t *testing.T) {
	const g, to, ex = scan.Good, scan.Timeout, scan.Exception
	inputs := func(err error) func(frame.ReadRequest) error {
		return func(req frame.ReadRequest) error {
			if req.IsBits() {
				return nil
			}
			return err
		}
	}
	always := func(err error) func(frame.ReadRequest) error { return func(frame.ReadRequest) error { return err } }
	coils := func(req frame.ReadRequest) error {
		if req.IsBits() {
			return modbus.ErrTimeout
		}
		return nil
	}
	tests := []struct {
		name    string
		err     func(frame.ReadRequest) error
		reason  scan.Reason
		quality []scan.Reason
		asked   int
	}{
		{"one request refused costs its own channels", inputs(refuse(4)), g, []scan.Reason{ex, ex, ex, g}, 2},
		{"all refused", always(refuse(1)), ex, nil, 2},
		{"all refused, with attempts around the hole", always(refuse(2)), ex, nil, 4},
		{"silence ends the scan", always(modbus.ErrTimeout), to, nil, 1},
		{"silence at the first request hides the rest", coils, to, nil, 1},
		{"silence at the second leaves the first", inputs(modbus.ErrTimeout), g, []scan.Reason{to, to, to, g}, 2},
		{"a gateway's silence is silence", always(refuse(0x0B)), to, nil, 1},
		{"a gateway without a path is a refusal", inputs(refuse(0x0A)), g, []scan.Reason{ex, ex, ex, g}, 2},
		{"damage is asked for once more", always(modbus.ErrBadChecksum), scan.BadChecksum, nil, 4},
		{"a wrong answer ends the scan", always(modbus.ErrWrongAnswer), scan.WrongAnswer, nil, 1},
		{"a lost line ends the scan", always(modbus.ErrLineLost), scan.PortGone, nil, 1},
		{"any other error is a lost line", always(errors.New("unplugged")), scan.PortGone, nil, 1},
		{"a bare exception of a reader in memory", always(frame.ServerDeviceBusy), ex, nil, 2},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p, r := holed(t, nil)
			r.err = tt.err
			s := p.Poll(t.Context(), r, &steps{})
			if s.Reason != tt.reason || !slices.Equal(s.Quality, tt.quality) || (s.Values == nil) != (tt.reason != g) {
				t.Errorf("got %v, quality %v, values %v; want %v, quality %v", s.Reason, s.Quality, s.Values, tt.reason, tt.quality)
			}
			if len(r.asked) != tt.asked {
				t.Errorf("asked %d times, want %d: %q", len(r.asked), tt.asked, r.take())
			}
			for i, q := range s.Quality {
				if q != g && s.Values[i] != 0 {
					t.Errorf("channel %d (%v) has the value %d, want 0", i, q, s.Values[i])
				}
			}
		})
	}
}

func TestPollHandsQualityOver(t *testing.T) {
	p, r := holed(t, nil)
	r.err = func(req frame.ReadRequest) error {
		if req.IsBits() {
			return refuse(4)
		}
		return nil
	}
	s := p.Poll(t.Context(), r, &steps{})
	r.err = nil
	p.Poll(t.Context(), r, &steps{})
	if s.ReasonOf(3) != scan.Exception {
		t.Errorf("a later scan changed the quality of an earlier one to %v", s.ReasonOf(3))
	}
}

func TestPollRetryMends(t *testing.T) {
	p, r := holed(t, nil)
	damaged := 0
	r.err = func(req frame.ReadRequest) error {
		if !req.IsBits() && damaged == 0 {
			damaged++
			return modbus.ErrBadChecksum
		}
		return nil
	}
	if s := p.Poll(t.Context(), r, &steps{}); s.Reason != scan.Good || s.Quality != nil || len(r.asked) != 3 {
		t.Errorf("got %v, quality %v after %d requests; want good, all, 3", s.Reason, s.Quality, len(r.asked))
	}
}

func TestPollCancelled(t *testing.T) {
	p, r := holed(t, nil)
	ctx, cancel := context.WithCancel(t.Context())
	r.err = func(req frame.ReadRequest) error {
		if req.IsBits() {
			return nil
		}
		cancel()
		return ctx.Err()
	}
	if s := p.Poll(ctx, r, &steps{}); s.Reason != scan.AgentStopped || s.Values != nil {
		t.Errorf("got %v, want %v", s.Reason, scan.AgentStopped)
	}
}

// TestPollSplitsAtHole: a device that refuses to read unused registers along is
// read around them, from then on, and says so once.
func TestPollSplitsAtHole(t *testing.T) {
	for _, code := range []byte{2, 3} {
		var log bytes.Buffer
		p, r := holed(t, slog.New(slog.NewTextHandler(&log, nil)))
		r.err = func(req frame.ReadRequest) error {
			if !req.IsBits() && req.Address <= 3 && int(req.Address)+int(req.Quantity) > 3 {
				return refuse(code)
			}
			return nil
		}
		want := []int64{11, 12, 16, 1}
		if s := p.Poll(t.Context(), r, &steps{}); s.Reason != scan.Good || s.Quality != nil || !slices.Equal(s.Values, want) {
			t.Errorf("code %d: got %v %v %v, want %v", code, s.Reason, s.Quality, s.Values, want)
		}
		if got, want := r.take(), []string{"coil 3", "input registers 0-5", "input registers 0-1", "input register 5"}; !slices.Equal(got, want) {
			t.Errorf("first scan asked for %q, want %q", got, want)
		}
		for range 3 {
			p.Poll(t.Context(), r, &steps{})
			if got, want := r.take(), []string{"coil 3", "input registers 0-1", "input register 5"}; !slices.Equal(got, want) {
				t.Errorf("later scan asked for %q, want %q", got, want)
			}
		}
		if n := strings.Count(log.String(), "\n"); n != 1 || !strings.Contains(log.String(), "input registers 0-5") {
			t.Errorf("logged %d lines, want 1 with the range: %s", n, log.String())
		}
	}
}

// TestPollKeepsBridgeWhenHoleIsNotAtFault: a device that refuses all for a while
// is read with few requests again afterwards.
func TestPollKeepsBridgeWhenHoleIsNotAtFault(t *testing.T) {
	p, r := holed(t, nil)
	r.err = func(frame.ReadRequest) error { return refuse(2) }
	p.Poll(t.Context(), r, &steps{})
	r.err, r.asked = nil, nil
	p.Poll(t.Context(), r, &steps{})
	if got, want := r.take(), []string{"coil 3", "input registers 0-5"}; !slices.Equal(got, want) {
		t.Errorf("asked for %q, want %q", got, want)
	}
}

// TestPollSparesUnansweredRequest: some devices say nothing where they should
// refuse. The rest of the group goes on, and the silence does not cost a
// timeout at each scan.
func TestPollSparesUnansweredRequest(t *testing.T) {
	d, g := mapOf(0, time.Second, ch("a", sitefile.Input, 0, "u16"), ch("b", sitefile.Holding, 0, "u16"))
	p, err := NewGroupPoller(d, g, nil)
	if err != nil {
		t.Fatal(err)
	}
	clock := &steps{}
	r := &imageReader{words: map[byte][]uint16{4: {1}, 3: {2}}}
	silences := 0
	r.err = func(req frame.ReadRequest) error {
		if req.Function == frame.ReadInputRegisters { // the first of the plan
			silences++
			clock.mono += 1000
			return modbus.ErrTimeout
		}
		return nil
	}
	const scans = 100
	good := 0
	for range scans {
		clock.mono += 1000
		s := p.Poll(t.Context(), r, clock)
		if _, ok := s.Get(1); ok {
			good++
			if s.ReasonOf(0) != scan.Timeout {
				t.Fatalf("the silent channel: got %v, want %v", s.ReasonOf(0), scan.Timeout)
			}
		}
	}
	if good != scans-1 || silences > silentRounds+1+scans/probePause {
		t.Errorf("%d of %d scans have the other channel and %d timeouts were paid; want %d and at most %d",
			good, scans, silences, scans-1, silentRounds+1+scans/probePause)
	}
	r.err = nil
	clock.mono += 60_000
	if s := p.Poll(t.Context(), r, clock); s.Quality != nil || !slices.Equal(s.Values, []int64{1, 2}) {
		t.Errorf("after it answers again: got %v %v, want [1 2]", s.Values, s.Quality)
	}
}

func TestNewGroupPollerRefusesText(t *testing.T) {
	d, g := mapOf(0, time.Second, ch("a", sitefile.Input, 0, "u16"))
	d.Map.Protocol = "text"
	if _, err := NewGroupPoller(d, g, nil); err == nil || !strings.Contains(err.Error(), `device "controller": map "maps/a.toml" is not a Modbus map`) {
		t.Errorf("got %v", err)
	}
}
