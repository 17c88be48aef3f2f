package serve

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"testing"
	"time"

	"loadscribe/agent/modbus/frame"
)

func injector(t *testing.T, f Faults) *Injector {
	t.Helper()
	i, err := NewInjector(f)
	if err != nil {
		t.Fatal(err)
	}
	return i
}

// Each fault does what its name says, and is counted.
func TestEachFaultOverRTU(t *testing.T) {
	const by = 60 * time.Millisecond
	request := []byte{4, 0, 0, 0, 4}
	tests := []struct {
		fault Fault
		check func(t *testing.T, got, good []byte, first, last time.Duration)
	}{
		{NoFault, func(t *testing.T, got, good []byte, _, _ time.Duration) {
			if !bytes.Equal(got, good) {
				t.Errorf("got % X, want % X", got, good)
			}
		}},
		{Silence, func(t *testing.T, got, _ []byte, _, _ time.Duration) {
			if len(got) != 0 {
				t.Errorf("got % X, want silence", got)
			}
		}},
		{Late, func(t *testing.T, got, good []byte, first, _ time.Duration) {
			if !bytes.Equal(got, good) || first < by {
				t.Errorf("got % X after %v, want % X after %v", got, first, good, by)
			}
		}},
		{WrongUnit, func(t *testing.T, got, good []byte, _, _ time.Duration) {
			if !frame.ValidRTU(got) || got[0] == good[0] || !bytes.Equal(got[1:len(got)-2], good[1:len(good)-2]) {
				t.Errorf("got % X, want % X from another unit", got, good)
			}
		}},
		{Garbage, func(t *testing.T, got, good []byte, _, _ time.Duration) {
			if len(got) != len(good)+1 || !bytes.Equal(got[1:], good) {
				t.Errorf("got % X, want a byte and % X", got, good)
			}
		}},
		{Torn, func(t *testing.T, got, good []byte, first, last time.Duration) {
			if !bytes.Equal(got, good) || last-first < by/2 {
				t.Errorf("got % X from %v to %v, want % X in two pieces", got, first, last, good)
			}
		}},
		{Flipped, func(t *testing.T, got, good []byte, _, _ time.Duration) {
			if len(got) != len(good) {
				t.Fatalf("got % X, want % X but for a bit", got, good)
			}
			bits := 0
			for k := range good {
				for x := got[k] ^ good[k]; x != 0; x &= x - 1 {
					bits++
				}
			}
			if bits != 1 || frame.ValidRTU(got) {
				t.Errorf("got % X, %d bits from % X", got, bits, good)
			}
		}},
		{Refused, func(t *testing.T, got, _ []byte, _, _ time.Duration) {
			if !frame.ValidRTU(got) || len(got) != 5 || got[1] != 0x84 || got[2] != 4 && got[2] != 6 {
				t.Errorf("got % X, want exception 04 or 06", got)
			}
		}},
		{Inside, func(t *testing.T, got, good []byte, _, _ time.Duration) {
			same := 0 // leading bytes that agree
			for same < len(good) && same < len(got) && got[same] == good[same] {
				same++
			}
			if len(got) != len(good)+1 || same == 0 || !bytes.Equal(got[same+1:], good[same:]) {
				t.Errorf("got % X, want % X with a byte inside", got, good)
			}
		}},
		{After, func(t *testing.T, got, good []byte, _, _ time.Duration) {
			if len(got) != len(good)+1 || !bytes.HasPrefix(got, good) {
				t.Errorf("got % X, want % X and a byte", got, good)
			}
		}},
		{Truncated, func(t *testing.T, got, good []byte, _, _ time.Duration) {
			if len(got) == 0 || len(got) >= len(good) || !bytes.HasPrefix(good, got) {
				t.Errorf("got % X, want a beginning of % X", got, good)
			}
		}},
		{Lost, func(t *testing.T, got, good []byte, _, _ time.Duration) {
			same := 0
			for same < len(got) && got[same] == good[same] {
				same++
			}
			if len(got) != len(good)-1 || !bytes.Equal(got[same:], good[same+1:]) {
				t.Errorf("got % X, want % X without a byte", got, good)
			}
		}},
	}
	for _, tt := range tests {
		t.Run(tt.fault.String(), func(t *testing.T) {
			driver := shop(t, 1)
			f := Faults{Seed: 3, By: by}
			if tt.fault != NoFault {
				f.Share[tt.fault] = 1
			}
			i := injector(t, f)
			ours, theirs := net.Pipe()
			background(t, func(ctx context.Context) error { return ServeRTU(ctx, theirs, 0, driver, i) })
			answer, _ := driver.Answer(1, request)
			good := frame.AppendRTU(nil, 1, answer)
			begun := time.Now()
			if _, err := ours.Write(frame.AppendRTU(nil, 1, request)); err != nil {
				t.Fatal(err)
			}
			want := map[Fault]int{Silence: 0, Garbage: len(good) + 1, Refused: 5,
				Inside: len(good) + 1, After: len(good) + 1, Truncated: 1, Lost: len(good) - 1}
			n, ok := want[tt.fault]
			if !ok {
				n = len(good)
			}
			got, first, last := listen(t, ours, begun, n, 4*by)
			tt.check(t, got, good, first, last)
			if counts := i.Counts(); counts[tt.fault] != 1 {
				t.Errorf("counted %v, want one %v", counts, tt.fault)
			}
		})
	}
}

// listen reads n bytes, for at most 10 s, and then whatever else comes within
// quiet; first and last are the times of the first and last bytes since begun.
func listen(t *testing.T, conn net.Conn, begun time.Time, n int, quiet time.Duration) (got []byte, first, last time.Duration) {
	t.Helper()
	buffer := make([]byte, 300)
	for {
		patience := quiet
		if len(got) < n {
			patience = 10 * time.Second
		}
		if err := conn.SetReadDeadline(time.Now().Add(patience)); err != nil {
			t.Fatal(err)
		}
		k, err := conn.Read(buffer)
		if k > 0 {
			last = time.Since(begun)
			if len(got) == 0 {
				first = last
			}
			got = append(got, buffer[:k]...)
		}
		if err != nil {
			return got, first, last
		}
	}
}

// A line with an echo gives the request back before it answers; forced, the
// echo lacks a byte once.
func TestEcho(t *testing.T) {
	driver, i := shop(t, 1), injector(t, Faults{Seed: 4})
	i.Force(NoFault, EchoLost)
	line := NewRTULine(driver, 0, i)
	line.Echo()
	ours, theirs := net.Pipe()
	background(t, func(ctx context.Context) error { return line.Serve(ctx, theirs) })
	request := frame.AppendRTU(nil, 1, []byte{4, 0, 0, 0, 4})
	answer, _ := driver.Answer(1, []byte{4, 0, 0, 0, 4})
	both := append(bytes.Clone(request), frame.AppendRTU(nil, 1, answer)...)
	for _, lacks := range []int{0, 1, 0} {
		if _, err := ours.Write(request); err != nil {
			t.Fatal(err)
		}
		n := len(both) - lacks
		got, _, _ := listen(t, ours, time.Now(), n, 50*time.Millisecond)
		if len(got) != n || !bytes.Equal(got[len(request)-lacks:], both[len(request):]) || lacks == 0 && !bytes.Equal(got, both) {
			t.Errorf("got % X, want % X less %d bytes of the echo", got, both, lacks)
		}
	}
	if got := i.Counts(); got[NoFault] != 2 || got[EchoLost] != 1 {
		t.Errorf("counted %v", got)
	}
}

func TestDroppedSocket(t *testing.T) {
	f := Faults{}
	f.Share[Dropped] = 1
	i := injector(t, f)
	conn := serveTCP(t, shop(t, 1), i)
	if _, err := conn.Write(frame.AppendTCP(nil, 1, 1, []byte{4, 0, 0, 0, 1})); err != nil {
		t.Fatal(err)
	}
	if n, err := conn.Read(make([]byte, 1)); !errors.Is(err, io.EOF) {
		t.Errorf("read %d bytes, %v, want EOF", n, err)
	}
	if got := i.Counts()[Dropped]; got != 1 {
		t.Errorf("counted %d dropped sockets, want 1", got)
	}
}

// On TCP a flipped bit lies in the header: values have no checksum there.
func TestFlippedBitOnTCPIsInTheHeader(t *testing.T) {
	f := Faults{Seed: 1}
	f.Share[Flipped] = 1
	i := injector(t, f)
	good := frame.AppendTCP(nil, 7, 1, []byte{4, 2, 1, 2})
	mbap := func(unit byte, pdu []byte) []byte { return frame.AppendTCP(nil, 7, unit, pdu) }
	for range 500 {
		got := i.damage(1, []byte{4, 2, 1, 2}, mbap, medium{socket: true}, 6*8).first
		if bytes.Equal(got[:6], good[:6]) || !bytes.Equal(got[6:], good[6:]) {
			t.Fatalf("got % X from % X", got, good)
		}
	}
}

// Shares hold over many answers, and the same seed gives the same faults.
func TestSharesAndSeeds(t *testing.T) {
	f := Faults{Seed: 9}
	f.Share[Silence], f.Share[Torn], f.Share[Flipped] = 0.02, 0.01, 0.05
	a, b := injector(t, f), injector(t, f)
	const n = 100_000
	for range n {
		fa, da := a.draw(medium{serial: true})
		if fb, db := b.draw(medium{serial: true}); fa != fb || da != db {
			t.Fatal("the same seed gave other faults")
		}
	}
	for fault, share := range f.Share {
		got := float64(a.Counts()[fault]) / n
		want := share
		if Fault(fault) == NoFault {
			want = 0.92
		}
		if got < want*0.9 || got > want*1.1 {
			t.Errorf("%v: share %.4f, want %.4f", Fault(fault), got, want)
		}
	}
	for _, bad := range []float64{-0.1, 1.1} {
		f.Share[Late] = bad
		if _, err := NewInjector(f); err == nil {
			t.Errorf("share %g is accepted", bad)
		}
	}
	f.Share[Late] = 0.95
	if _, err := NewInjector(f); err == nil {
		t.Error("shares of more than 1 in all are accepted")
	}
}
