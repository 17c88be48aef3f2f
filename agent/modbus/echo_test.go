package modbus

import (
	"bytes"
	"errors"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/modbus/frame"
)

// echoing wraps a script of plain answers so that requests come back first.
func echoing(on func(n int) bool) func(int, ask, []byte) []step {
	return func(n int, a ask, answer []byte) []step {
		if !on(n) {
			return []step{{2 * time.Millisecond, answer}}
		}
		return []step{{0, a.sent}, {2 * time.Millisecond, answer}}
	}
}

func serialSetups() []setup { return setups()[:3] }

func TestEcho(t *testing.T) {
	always := func(int) bool { return true }
	never := func(int) bool { return false }
	switching := func(n int) bool { return n/3%2 == 1 }
	tests := []struct {
		name  string
		echo  Echo
		comes func(int) bool
	}{
		{"auto, none", EchoAuto, never},
		{"auto, always", EchoAuto, always},
		{"auto, switching", EchoAuto, switching},
		{"on, always", EchoOn, always},
		{"on, switching", EchoOn, switching},
		{"off, none", EchoOff, never},
	}
	for _, s := range serialSetups() {
		for _, tt := range tests {
			t.Run(s.name+" "+tt.name, func(t *testing.T) {
				cfg := s.cfg
				cfg.Echo = tt.echo
				run(t, cfg, echoing(tt.comes), func(r *rig) {
					for n := range 14 {
						// Addresses whose high byte equals the byte count make
						// the echo look most like an answer.
						for _, req := range []frame.ReadRequest{
							registers(uint16(n), 3), registers(0x0200, 1), registers(0x0600+uint16(n), 3),
							{Function: frame.ReadCoils, Address: uint16(n), Quantity: 19},
						} {
							r.expect("with echo "+tt.name, req, nil)
							if got := r.client.Stats().Echo; got != tt.comes(r.dev.asked()) {
								t.Fatalf("read %d: Stats().Echo = %v", r.dev.asked(), got)
							}
						}
					}
				})
			})
		}
	}
}

// TestEchoLooksLikeAnswer: coils 0x0300-0x03FF, 17 to 24 of them. The echo is a
// whole frame with the right unit, function, byte count and checksum.
func TestEchoLooksLikeAnswer(t *testing.T) {
	req := frame.ReadRequest{Function: frame.ReadCoils, Address: 0x0312, Quantity: 20}
	tests := []struct {
		name   string
		echo   Echo
		script func(int, ask, []byte) []step
		want   error
	}{
		{"echo and answer, auto", EchoAuto, echoing(func(int) bool { return true }), nil},
		{"echo and answer, on", EchoOn, echoing(func(int) bool { return true }), nil},
		{"answer only, auto", EchoAuto, nil, nil},
		{"answer only, off", EchoOff, nil, nil},
		{"echo only, auto", EchoAuto, func(_ int, a ask, _ []byte) []step { return []step{{0, a.sent}} }, ErrWrongAnswer},
		{"echo only, on", EchoOn, func(_ int, a ask, _ []byte) []step { return []step{{0, a.sent}} }, ErrTimeout},
	}
	for _, s := range serialSetups() {
		for _, tt := range tests {
			t.Run(s.name+" "+tt.name, func(t *testing.T) {
				cfg := s.cfg
				cfg.Echo = tt.echo
				run(t, cfg, tt.script, func(r *rig) {
					for range 3 {
						r.expect("", req, tt.want)
					}
				})
			})
		}
	}
}

// TestEchoOnly: the device is silent, only the adapter speaks.
func TestEchoOnly(t *testing.T) {
	for _, s := range serialSetups() {
		for _, echo := range []Echo{EchoAuto, EchoOn, EchoOff} {
			t.Run(s.name, func(t *testing.T) {
				cfg := s.cfg
				cfg.Echo = echo
				script := func(_ int, a ask, _ []byte) []step { return []step{{0, a.sent}} }
				run(t, cfg, script, func(r *rig) {
					err := r.read(3, registers(40, 8))
					if echo == EchoOff {
						if !errors.Is(err, ErrWrongAnswer) || !strings.Contains(err.Error(), "echo") {
							t.Error(err)
						}
						return
					}
					if !errors.Is(err, ErrTimeout) {
						t.Error(err)
					}
				})
			})
		}
	}
}

// TestDamagedEcho: a byte of the echo is lost, flipped or doubled, at each
// place. That may cost this read, never the next one, and gives no wrong value.
func TestDamagedEcho(t *testing.T) {
	damage := map[string]func(b []byte, i int) []byte{
		"lost":    func(b []byte, i int) []byte { return append(bytes.Clone(b[:i]), b[i+1:]...) },
		"flipped": func(b []byte, i int) []byte { b = bytes.Clone(b); b[i] ^= 0x40; return b },
		"doubled": func(b []byte, i int) []byte { return append(bytes.Clone(b[:i+1]), b[i:]...) },
	}
	for _, s := range serialSetups() {
		for name, hurt := range damage {
			for _, echo := range []Echo{EchoAuto, EchoOn} {
				t.Run(s.name+" "+name, func(t *testing.T) {
					cfg := s.cfg
					cfg.Echo = echo
					script := func(n int, a ask, answer []byte) []step {
						sent := a.sent
						if n%2 == 0 {
							sent = hurt(sent, n/2%len(sent))
						}
						return []step{{0, sent}, {2 * time.Millisecond, answer}}
					}
					run(t, cfg, script, func(r *rig) {
						good := 0
						for range 20 {
							r.expect("whole echo", registers(0x0200, 1), nil)
							if r.read(3, registers(0x0200, 1)) == nil {
								good++
							}
						}
						if s.cfg.Framing == RTU && good < 18 {
							t.Errorf("%d of 20 reads survived a damaged echo", good)
						}
					})
				})
			}
		}
	}
}
