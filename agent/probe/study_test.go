package probe

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/sitefile"
)

// islands is an Asker with registers at some addresses only; a read that
// touches any other is refused, as the specification says (exception 02).
type islands struct {
	here  map[uint16]uint16
	most  int // registers in one read; 0: any number
	asked int
}

func (d *islands) Read(_ context.Context, unit byte, req frame.ReadRequest, _ time.Duration) ([]byte, error) {
	d.asked++
	if d.most > 0 && int(req.Quantity) > d.most {
		return nil, &modbus.ExceptionError{Unit: unit, Function: req.Function, Code: byte(frame.IllegalDataValue)}
	}
	var data []byte
	for a := int(req.Address); a < int(req.Address)+int(req.Quantity); a++ {
		w, ok := d.here[uint16(a)]
		if !ok {
			return nil, &modbus.ExceptionError{Unit: unit, Function: req.Function, Code: byte(frame.IllegalDataAddress)}
		}
		data = append(data, byte(w>>8), byte(w))
	}
	return data, nil
}

// TestExploreFindsHoles: whatever the holes and the longest read a device
// takes, exactly the registers that exist are found, and read back right.
func TestExploreFindsHoles(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for n := range 200 {
		d := &islands{here: map[uint16]uint16{}, most: []int{0, 0, 1, 7, 20}[random.IntN(5)]}
		from, count := uint16(random.IntN(60000)), 1+random.IntN(120)
		share := random.Float64()
		for i := range count {
			if random.Float64() < share || i > 20 && i < 50 {
				d.here[from+uint16(i)] = uint16(random.Uint32())
			}
		}
		r, err := Explore(context.Background(), d, 1, sitefile.Input, from, count, time.Second)
		if err != nil {
			t.Fatal(err)
		}
		if d.asked > 2*count+4 {
			t.Errorf("run %d: %d reads for %d registers", n, d.asked, count)
		}
		s, err := r.Read(context.Background(), d)
		if err != nil {
			t.Fatal(err)
		}
		for i, c := range r.Cells {
			w, here := d.here[c.Address]
			if c.Here != here || s.Good[i] != here || here && s.Words[i] != w {
				t.Fatalf("run %d: register %d: found %v, read %v %04X; it is %v %04X", n, c.Address, c.Here, s.Good[i], s.Words[i], here, w)
			}
		}
		missing := 0
		for _, h := range r.Holes() {
			missing += int(h.To) - int(h.From) + 1
		}
		if missing+r.Here() != count {
			t.Errorf("run %d: holes of %d and %d registers make no %d", n, missing, r.Here(), count)
		}
	}
}

func TestExploreWholeTableRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		setting := modbus.Serial{Baud: 19200, DataBits: 8, Parity: 'N', StopBits: 1}
		b := &benchLine{setting: setting, unit: 1, answer: registers()}
		b.answer = func(_ int, pdu []byte) []byte { return frame.AppendException(nil, pdu[0], 1) }
		session, err := Connect(context.Background(), b.line(), setting)
		if err != nil {
			t.Fatal(err)
		}
		r, err := Explore(context.Background(), session, 1, sitefile.Coil, 0, 500, time.Second)
		if err := errors.Join(err, session.Close()); err != nil {
			t.Fatal(err)
		}
		b.wait.Wait()
		if holes := r.Holes(); len(holes) != 1 || holes[0].To != 499 || !strings.Contains(holes[0].Why, "illegal function") {
			t.Errorf("holes %+v", holes)
		}
		if b.asked != 1 {
			t.Errorf("%d reads of a table that the device does not have", b.asked)
		}
	})
}

// TestExploreSilent: a device that never answers to a table costs a bounded
// number of timeouts, and the hole says why.
func TestExploreSilent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		setting := modbus.Serial{Baud: 19200, DataBits: 8, Parity: 'N', StopBits: 1}
		b := &benchLine{setting: setting, unit: 1, answer: func(int, []byte) []byte { return nil }}
		session, err := Connect(context.Background(), b.line(), setting)
		if err != nil {
			t.Fatal(err)
		}
		r, err := Explore(context.Background(), session, 1, sitefile.Input, 0, 500, time.Second)
		if err := errors.Join(err, session.Close()); err != nil {
			t.Fatal(err)
		}
		b.wait.Wait()
		if holes := r.Holes(); len(holes) != 1 || holes[0].To != 499 || holes[0].Why != "no good answer" {
			t.Errorf("holes %+v", holes)
		}
		if b.asked > maxSilences+1 {
			t.Errorf("%d reads of a silent table", b.asked)
		}
	})
}

// TestReadings: the words of 1.5 (3FC00000) and -118.625 (C2ED4000) in IEEE 754
// are worked examples of many textbooks (from memory); the whole numbers are
// their own check.
func TestReadings(t *testing.T) {
	tests := []struct {
		name        string
		first, next uint16
		kind        string
		want        float64
		plausible   bool
	}{
		{"1.5, high word first", 0x3FC0, 0x0000, "f32 big", 1.5, true},
		{"-118.625, low word first", 0x4000, 0xC2ED, "f32 little", -118.625, true},
		{"its other order", 0xC2ED, 0x4000, "f32 big", -118.625, true},
		{"counts are no float", 1034, 951, "f32 big", float64(math.Float32frombits(1034<<16 | 951)), false},
		{"u32 high word first", 3, 0x4714, "u32 big", 3*65536 + 0x4714, true},
		{"u32 low word first", 0x0D33, 1, "u32 little", 65536 + 0x0D33, true},
		{"u32 that needs one word", 0, 7, "u32 big", 7, false},
		{"i16", 0xFF38, 0, "i16", -200, true},
		{"i16 above zero is the u16", 200, 0, "i16", 200, false},
		{"no number", 0x7FC0, 0, "f32 big", 0, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for _, r := range readings(tt.first, &tt.next) {
				if strings.TrimSpace(r.Type+" "+r.Words) == tt.kind {
					if r.Value != tt.want || r.Plausible != tt.plausible {
						t.Errorf("%04X %04X as %s is %v, %v; want %v, %v", tt.first, tt.next, tt.kind, r.Value, r.Plausible, tt.want, tt.plausible)
					}
					return
				}
			}
			t.Errorf("no reading %s", tt.kind)
		})
	}
	if got := readings(5, nil); len(got) != 2 {
		t.Errorf("without a next register there are %d readings", len(got))
	}
}

// every makes a series of 41 points over 20 s.
func every(f func(s float64) float64) []Point {
	var points []Point
	for i := range 41 {
		s := float64(i) / 2
		points = append(points, Point{s, f(s)})
	}
	return points
}

func TestJudge(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	saw := func(s float64) float64 { // up in 6 s, down in 3 s, a noise of one count
		phase := math.Mod(s, 9) / 6
		if phase > 1 {
			phase = 3 - 2*phase
		}
		return 951 + math.Round(phase*247)
	}
	tests := []struct {
		name    string
		points  []Point
		modulus float64
		kind    Kind
		text    string
	}{
		{"still", every(func(float64) float64 { return 7 }), 1 << 16, Steady, "steady"},
		{"a status word that goes one way", every(func(s float64) float64 {
			switch {
			case s < 5:
				return 7
			case s < 12:
				return 5
			}
			return 1
		}), 1 << 16, Wanders, "took 3 values between 1 and 7"},
		{"a counter of seconds", every(func(s float64) float64 { return 1000 + math.Floor(s) }), 1 << 16, Rises, "rises by 1 a second"},
		{"it began again", every(func(s float64) float64 { return math.Mod(65530+math.Floor(s), 65536) }), 1 << 16, Rises, "rises by 1 a second and began again at 0"},
		{"an energy counter", every(func(s float64) float64 { return 10.3 * s }), 0, Rises, "rises by 10.3 a second"},
		{"cooling", every(func(s float64) float64 { return 800 - 2*s }), 1 << 16, Falls, "falls by 2 a second"},
		{"a jump and a rise", every(func(s float64) float64 { return math.Floor(s) + 500*math.Floor(s/19) + math.Floor(s/10)*300 }), 0, Rises, "not evenly"},
		{"loading and unloading", every(saw), 1 << 16, SawTooth, "saw-tooth between 951 and 1198 (×0.1: 95.1 and 119.8)"},
		{"the same with noise", every(func(s float64) float64 { return saw(s) + float64(random.IntN(3)-1) }), 1 << 16, SawTooth, "saw-tooth between 95"},
		{"a bit", every(func(s float64) float64 { return math.Mod(math.Floor(s/5), 2) }), 0, Toggles, "toggles between 0 and 1, 4 times"},
		{"once", every(func(s float64) float64 { return math.Floor(s / 13) }), 0, Changed, "changed once, from 0 to 1 after 13 s"},
		{"noise", every(func(float64) float64 { return 4600 + float64(random.IntN(40)) }), 1 << 16, Wanders, "wanders between 46"},
		{"one stroke", every(func(s float64) float64 { return 900 - 10*math.Abs(s-9) }), 1 << 16, Wanders, "rises, then falls"},
		{"seen once", every(func(float64) float64 { return 1 })[:1], 0, Unknown, "seen once"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if m := Judge(tt.points, tt.modulus); m.Kind != tt.kind || !strings.Contains(m.Text, tt.text) {
				t.Errorf("%s: %q; want %s: %q", m.Kind, m.Text, tt.kind, tt.text)
			}
		})
	}
}

// TestRows: bits, neighbours and a counter of two words in a table that was watched.
func TestRows(t *testing.T) {
	d := &islands{here: map[uint16]uint16{10: 0x0002, 11: 65530, 12: 0x4049, 13: 0x0FDB, 20: 0}}
	r, err := Explore(context.Background(), d, 1, sitefile.Holding, 10, 11, time.Second)
	if err != nil {
		t.Fatal(err)
	}
	var seen []Snapshot
	for s := range 21 {
		count := uint32(0x0002_FFFA) + uint32(s)
		d.here[10], d.here[11] = uint16(count>>16), uint16(count)
		d.here[20] = uint16(s/4%2) << 3
		snapshot, err := r.Read(context.Background(), d)
		if err != nil {
			t.Fatal(err)
		}
		snapshot.At = time.Unix(int64(s), 0)
		seen = append(seen, snapshot)
	}
	rows := r.Rows(seen)
	if len(rows) != 5 {
		t.Fatalf("%d rows: %+v", len(rows), rows)
	}
	if also := rows[0].Also; !slices.Contains(also, "u32 big: rises by 1 a second") {
		t.Errorf("the counter of two words: %q", also)
	}
	if rows[1].Before == nil || *rows[1].Before != 3 || rows[1].After == nil || *rows[1].After != 0x4049 || rows[0].Before != nil {
		t.Errorf("neighbours of 11: %v %v", rows[1].Before, rows[1].After)
	}
	pi := slices.IndexFunc(rows[2].Readings, func(r Reading) bool { return r.Type == "f32" && r.Words == "big" })
	if v := rows[2].Readings[pi]; !v.Plausible || math.Abs(v.Value-math.Pi) > 1e-6 {
		t.Errorf("4049 0FDB is %+v, not pi", v)
	}
	if last := rows[4]; !reflect.DeepEqual(last.BitsMoved, []int{3}) || last.Movement.Kind != Toggles || last.Bits != "0000 0000 0000 1000" {
		t.Errorf("the bit: %+v", last)
	}
}

// TestHealth gives a line one fault after the other; each is named, and the
// counts are those of what was done to it.
func TestHealth(t *testing.T) {
	setting := modbus.Serial{Baud: 19200, DataBits: 8, Parity: 'E', StopBits: 1}
	eachTenth := func(f func([]byte) []byte) func(int, []byte) []byte {
		return func(n int, adu []byte) []byte {
			if n%10 == 0 {
				return f(adu)
			}
			return adu
		}
	}
	flip := func(adu []byte) []byte { adu[3] ^= 0x10; return adu }
	tests := []struct {
		name    string
		unit    byte // asked; the device has 1
		spoil   func(int, []byte) []byte
		late    time.Duration
		want    Health // the counts
		healthy bool
		says    string
	}{
		{"a good line", 1, nil, 5 * time.Millisecond, Health{Answers: 100}, true, "is healthy"},
		{"flipped bits", 1, eachTenth(flip), 0, Health{Answers: 90, BadChecksums: 10}, false, "120 Ω"},
		{"lost answers", 1, eachTenth(func([]byte) []byte { return nil }), 0, Health{Answers: 90, Silences: 10}, false, "loose contact"},
		{"all damaged", 1, func(_ int, adu []byte) []byte { return flip(adu) }, 0, Health{BadChecksums: 100}, false, "wrong speed or parity"},
		{"nobody", 2, nil, 0, Health{Silences: 100}, false, "A and B"},
		{"somebody else", 1, eachTenth(func([]byte) []byte { return frame.AppendRTU(nil, 9, []byte{3, 2, 0, 1}) }), 0,
			Health{Answers: 90, WrongAnswers: 10}, false, "unit id used twice"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := &benchLine{setting: setting, unit: 1, answer: registers(1, 2, 3), spoil: tt.spoil, late: tt.late}
				session, err := Connect(context.Background(), b.line(), setting)
				if err != nil {
					t.Fatal(err)
				}
				req := frame.ReadRequest{Function: frame.ReadInputRegisters, Quantity: 3}
				h, err := Measure(context.Background(), session, tt.unit, req, 100, 200*time.Millisecond, nil)
				if err := errors.Join(err, session.Close()); err != nil {
					t.Fatal(err)
				}
				b.wait.Wait()
				got := Health{Answers: h.Answers, Exceptions: h.Exceptions, Silences: h.Silences, BadChecksums: h.BadChecksums, WrongAnswers: h.WrongAnswers}
				if !reflect.DeepEqual(got, tt.want) || h.Asked != 100 {
					t.Errorf("counts %+v, want %+v", got, tt.want)
				}
				if h.Healthy != tt.healthy || !strings.Contains(strings.Join(h.Verdict, "\n"), tt.says) {
					t.Errorf("healthy %v, %q", h.Healthy, h.Verdict)
				}
				if tt.late > 0 && (h.P50MS < millis(tt.late) || h.P50MS > millis(2*tt.late) || h.TimeoutMS != 500) {
					t.Errorf("half within %v ms, timeout %v ms; each answer took %v", h.P50MS, h.TimeoutMS, tt.late)
				}
			})
		})
	}
}

// TestPorts builds what Linux shows of one USB adapter.
func TestPorts(t *testing.T) {
	root := t.TempDir()
	usb := filepath.Join(root, "sys/devices/usb1/1-2")
	port := filepath.Join(usb, "1-2:1.0", "ttyUSB0")
	driver := filepath.Join(root, "sys/bus/drivers/adapter_sio")
	for _, folder := range []string{port, driver, filepath.Join(root, "sys/class/tty/ttyUSB0"), filepath.Join(root, "dev/serial/by-id")} {
		if err := os.MkdirAll(folder, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	for file, text := range map[string]string{"manufacturer": "Harrow\n", "product": "RS-485 adapter\n", "serial": "A1234\n"} {
		if err := os.WriteFile(filepath.Join(usb, file), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for link, target := range map[string]string{
		filepath.Join(root, "sys/class/tty/ttyUSB0/device"):         port,
		filepath.Join(port, "driver"):                               driver,
		filepath.Join(root, "dev/serial/by-id/usb-Harrow_A1-port0"): "../../ttyUSB0",
	} {
		if err := os.Symlink(target, link); err != nil {
			t.Skipf("no symbolic links here: %v", err)
		}
	}
	got := describe([]string{"COM10", "COM9", "/dev/ttyUSB0"}, root)
	want := []Port{
		{Name: "/dev/ttyUSB0", Stable: "/dev/serial/by-id/usb-Harrow_A1-port0", Known: "Harrow, RS-485 adapter, serial number A1234, driver adapter_sio"},
		{Name: "COM9"}, {Name: "COM10"},
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v\nwant %+v", got, want)
	}
	if plain := describe([]string{"COM9"}, ""); !reflect.DeepEqual(plain, []Port{{Name: "COM9"}}) {
		t.Errorf("without a system to ask: %+v", plain)
	}
}
