package serve

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/modbus/frame"
	"loadscribe/simulator"
)

// stand is a Target whose controller stands still.
type stand struct{ input, holding map[int]uint16 }

func (s stand) Answer(unit byte, request []byte) ([]byte, bool) {
	req, err := frame.ParseReadRequest(request)
	if unit != 7 || err != nil {
		return nil, false
	}
	table := s.input
	if req.Function == frame.ReadHoldingRegisters {
		table = s.holding
	}
	var payload []byte
	for i := range int(req.Quantity) {
		word := table[int(req.Address)+i]
		payload = append(payload, byte(word>>8), byte(word))
	}
	return frame.AppendReadResponse(nil, req.Function, payload), true
}

// still shows 103.4, no sensor, 0.7 psi; 187.3, -4.0 °F, no sensor; loaded;
// 21480.4 and 13902.7 h; 68914 starts (10D32 in hexadecimal); 61.2 A.
func still() stand {
	return stand{
		input: map[int]uint16{0: 1034, 1: 0xFFFF, 2: 7, 3: 1873, 4: 0xFFD8, 6: 0x8000, 5: 612,
			10: 214804 >> 16, 11: 214804 & 0xFFFF, 12: 139027 >> 16, 13: 139027 & 0xFFFF, 14: 68914 & 0xFFFF, 15: 68914 >> 16},
		holding: map[int]uint16{20: 1<<0 | 1<<1 | 1<<2},
	}
}

// Checksums in the tests here are reckoned by hand: 5A is A^I^R = 41^49^52.
func TestPanelAnswers(t *testing.T) {
	tests := []struct{ name, question, want string }{
		{"pressures", "?AIR*5A\r", "!AIR,103.4,---.-,0.7*"},
		{"temperatures", "?HOT*53\r", "!HOT,187.3,-4.0,---.-*"},             // 48^4F^54
		{"state", "?RUN*49\r", "!RUN,LOAD,00214804,00139027,00010D32,612*"}, // 52^55^4E
		{"unknown page", "?AAA*41\r", "!NO*01"},
		{"wrong checksum, then a right one", "?AIR*5B\r?AAA*41\r", "!NO*01"},
		{"noise before", "zz\r\n\n?AAA*41\r", "!NO*01"},
		{"endless, then a question", strings.Repeat("x", 500) + "\r?AAA*41\r", "!NO*01"},
	}
	for _, tt := range tests {
		ours, theirs := net.Pipe()
		panel := NewTextPanel(still(), 7, 0, nil)
		background(t, func(ctx context.Context) error { return panel.Answer(ctx, theirs) })
		if err := ours.SetDeadline(time.Now().Add(5 * time.Second)); err != nil {
			t.Fatal(err)
		}
		if _, err := ours.Write([]byte(tt.question)); err != nil {
			t.Fatal(err)
		}
		got, err := bufio.NewReader(ours).ReadString('\n')
		if err != nil || !strings.HasPrefix(got, tt.want) || !strings.HasSuffix(got, "\r\n") {
			t.Errorf("%s: got %q, %v, want %q", tt.name, got, err, tt.want)
			continue
		}
		body, sum, _ := strings.Cut(strings.TrimSuffix(got[1:], "\r\n"), "*")
		var x byte
		for _, c := range []byte(body) {
			x ^= c
		}
		if sum != fmt.Sprintf("%02X", x) {
			t.Errorf("%s: %q has checksum %s, want %02X", tt.name, got, sum, x)
		}
	}
}

func TestPanelPrints(t *testing.T) {
	ours, theirs := net.Pipe()
	panel := NewTextPanel(still(), 7, 0, nil)
	background(t, func(ctx context.Context) error { return panel.Print(ctx, theirs, 10*time.Millisecond) })
	if err := ours.SetDeadline(time.Now().Add(5 * time.Second)); err != nil {
		t.Fatal(err)
	}
	want := []string{"AIR   103.4   ---.-     0.7 =", "HOT   187.3    -4.0   ---.- =", "RUN    LOAD 00214804 00139027 00010D32     612 ="}
	in := bufio.NewReader(ours)
	for i := range 2 * len(want) {
		line, err := in.ReadString('\n')
		text := strings.TrimSuffix(line, "\r\n")
		if err != nil || !strings.HasPrefix(text, want[i%3]) {
			t.Fatalf("line %d: got %q, %v, want %q", i, line, err, want[i%3])
		}
		sum := 0
		for _, c := range []byte(text[:strings.Index(text, "=")]) {
			sum += int(c)
		}
		if got := text[len(want[i%3]):]; got != fmt.Sprintf("%02X", sum%256) {
			t.Errorf("line %d: %q has checksum %s, want %02X", i, line, got, sum%256)
		}
	}
	ours.Close()
}

// TestPanelStates: the words for the bits of the status register.
func TestPanelStates(t *testing.T) {
	for status, want := range map[uint16]string{0: "OFF", 1 << 0: "IDLE", 1<<0 | 1<<1: "LOAD", 1 << 3: "READY", 1 << 4: "TRIP"} {
		s := still()
		s.holding[20] = status
		if got := string(NewTextPanel(s, 7, 0, nil).state()); got != want {
			t.Errorf("status %02X: %s, want %s", status, got, want)
		}
	}
}

// TestPanelFaults: what is injected is counted, and is seen as what it is.
func TestPanelFaults(t *testing.T) {
	injector, err := NewInjector(Faults{Seed: 3, Share: [NumFaults]float64{Refused: 1}})
	if err != nil {
		t.Fatal(err)
	}
	ours, theirs := net.Pipe()
	panel := NewTextPanel(still(), 7, 0, injector)
	background(t, func(ctx context.Context) error { return panel.Answer(ctx, theirs) })
	if got := string(exchange(t, ours, []byte("?AIR*5A\r"), 8)); got != "!NO*01\r\n" {
		t.Errorf("refused: %q", got)
	}
	if c := injector.Counts(); c[Refused] != 1 {
		t.Errorf("counted %v", c)
	}
}

// TestPanelOfThePlant: the panel of a running plant, over TCP, says what the
// registers say.
func TestPanelOfThePlant(t *testing.T) {
	driver := shop(t, 1)
	driver.Do(func(w *simulator.World) { w.Advance(w.Now().Add(5 * time.Minute)) })
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	background(t, func(ctx context.Context) error {
		return ServeTextTCP(ctx, listener, NewTextPanel(driver, 1, 0, nil).Answer)
	})
	conn := dial(t, listener.Addr().String())
	if _, err := conn.Write([]byte("?AIR*5A\r")); err != nil {
		t.Fatal(err)
	}
	got, err := bufio.NewReader(conn).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	answer, _ := driver.Answer(1, frame.ReadRequest{Function: frame.ReadInputRegisters, Quantity: 1}.AppendPDU(nil))
	count := int(answer[2])<<8 | int(answer[3])
	if want := fmt.Sprintf("!AIR,%d.%d,", count/10, count%10); !strings.HasPrefix(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}
