package simulator

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"math"
	"strings"
	"testing"
	"time"
)

// read reads registers and fails on an exception.
func read(t testing.TB, d *Registers, function byte, address, quantity uint16) []byte {
	t.Helper()
	request := binary.BigEndian.AppendUint16([]byte{function}, address)
	request = binary.BigEndian.AppendUint16(request, quantity)
	answer := d.Answer(request)
	if len(answer) != int(2+2*quantity) || answer[0] != function || answer[1] != byte(2*quantity) {
		t.Fatalf("%s: request % X: answer % X", d.Name(), request, answer)
	}
	return answer[2:]
}

func register(t testing.TB, d *Registers, function byte, address uint16) uint16 {
	t.Helper()
	return binary.BigEndian.Uint16(read(t, d, function, address, 1))
}

func float32At(t testing.TB, d *Registers, address uint16) float64 {
	t.Helper()
	return float64(math.Float32frombits(binary.BigEndian.Uint32(read(t, d, 4, address, 2))))
}

func devices(t testing.TB, w *World) (controller, meter *Registers) {
	t.Helper()
	controller, err := w.Device("controller")
	if err != nil {
		t.Fatal(err)
	}
	meter, err = w.Device("meter")
	if err != nil {
		t.Fatal(err)
	}
	return controller, meter
}

// Each register shows what the plant truly does, within its noise (5 σ) and
// rounding.
func TestRegistersShowThePlant(t *testing.T) {
	w := world(t, 10*time.Hour, func(s *Scenario) { s.InitialPressurePa = 90 * psiPa })
	controller, meter := devices(t, w)
	near := func(name string, got, want, tolerance float64) {
		t.Helper()
		if math.Abs(got-want) > tolerance {
			t.Errorf("%s at %s: %g, want %g ± %g", name, w.Now().Format("15:04:05"), got, want, tolerance)
		}
	}
	seen := map[State]int{}
	for range 1800 {
		w.Advance(w.Now().Add(2 * time.Second))
		c := w.machines[0]
		seen[c.state]++
		var s snapshot
		w.look(&s, 0)
		in := func(a uint16) float64 { return float64(register(t, controller, 4, a)) }
		near("discharge_pressure", in(0), 10*s.dischargePa/psiPa, 3.1)
		near("sump_pressure", in(1), 10*s.sumpPa/psiPa, 3.1)
		near("receiver_pressure", in(2), 10*s.receiverPa/psiPa, 3.1)
		near("discharge_temperature", in(3), 10*((s.airEndK-273.15)*1.8+32), 2.1)
		near("ambient_temperature", in(4), 10*((s.ambientK-273.15)*1.8+32), 2.1)
		near("motor_current", in(5), 10*s.motorA, 0.6+0.5*s.motorA)
		near("aftercooler_temperature", in(6), 10*((s.aftercoolerK-273.15)*1.8+32), 2.1)
		near("speed", in(16), s.rpm, 5.6)
		status := register(t, controller, 3, 20)
		near("running", float64(status&1), b2f(c.state.Running()), 0)
		near("loaded", float64(status>>1&1), b2f(c.state == Loaded), 0)
		near("load command", float64(status>>2&1), b2f(c.loadCommand), 0)
		near("standby", float64(status>>3&1), b2f(c.state == Standby), 0)
		near("voltage_ab", float32At(t, meter, 0), s.volts[0], 2.1)
		near("voltage_bc", float32At(t, meter, 2), s.volts[1], 2.1)
		near("voltage_ca", float32At(t, meter, 4), s.volts[2], 2.1)
		near("line_current", float32At(t, meter, 6), s.lineA, 0.01+0.05*s.lineA)
		power := float32At(t, meter, 8)
		near("power", power, s.activeW/1e3, 0.01+0.05*s.activeW/1e3)
		near("apparent_power", float32At(t, meter, 12), s.apparentW/1e3, 0.01+0.05*s.apparentW/1e3)
		near("power_factor", float32At(t, meter, 10), s.activeW/s.apparentW, 0.08)
		near("frequency", float64(register(t, meter, 4, 20)), 6000, 12)
	}
	if seen[Loaded] < 200 || seen[Unloaded] < 100 {
		t.Errorf("states seen %v: the hour was not worth it", seen)
	}
}

func b2f(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// Counters are the truth, rounded down to what the register shows.
func TestCountersAreTheTruth(t *testing.T) {
	w := world(t, 6*time.Hour, nil)
	controller, meter := devices(t, w)
	w.Advance(w.Now().Add(11 * time.Hour))
	sum, err := w.Truth().Totals("comp1", w.start, w.Now())
	if err != nil {
		t.Fatal(err)
	}
	spec := &w.scenario.Machines[0]
	energy := binary.BigEndian.Uint64(read(t, meter, 4, 16, 4))
	if want := spec.InitialWh + uint64(sum.EnergyJ/3600); energy != want {
		t.Errorf("energy %d Wh, want %d", energy, want)
	}
	runHours := binary.BigEndian.Uint32(read(t, controller, 4, 10, 2))
	if want := spec.InitialRunH*10 + sum.Running().Hours()*10; float64(runHours) > want+1e-3 || float64(runHours) < want-1 {
		t.Errorf("run_hours %d tenths, true %.3f", runHours, want)
	}
	loadedHours := binary.BigEndian.Uint32(read(t, controller, 4, 12, 2))
	if want := spec.InitialLoadedH*10 + sum.States[Loaded].Hours()*10; float64(loadedHours) > want+1e-3 || float64(loadedHours) < want-1 {
		t.Errorf("loaded_hours %d tenths, true %.3f", loadedHours, want)
	}
	low, high := register(t, controller, 4, 14), register(t, controller, 4, 15)
	if got, want := uint32(high)<<16|uint32(low), spec.InitialStarts+uint32(sum.Starts); got != want || high == 0 {
		t.Errorf("start_count %d (high word %d), want %d", got, high, want)
	}
	if in, out, stop := register(t, controller, 3, 30), register(t, controller, 3, 31), register(t, controller, 3, 32); in != 950 || out != 1200 || stop != 240 {
		t.Errorf("settings %d, %d, %d, want 950, 1200, 240", in, out, stop)
	}
}

func TestAnswerExceptions(t *testing.T) {
	controller, meter := devices(t, world(t, 0, nil))
	tests := []struct {
		name    string
		device  *Registers
		request string
		want    string
	}{
		// Requests printed in the Modbus Application Protocol V1.1b3 (memory)
		// and in library test vectors (read).
		{"6.1 read coils", controller, "01 00 13 00 13", "81 01"},
		{"6.2 read discrete inputs", controller, "02 00 C4 00 16", "82 01"},
		{"6.3 read holding 107", controller, "03 00 6B 00 03", "83 02"},
		{"6.4 read input 8, reserved", controller, "04 00 08 00 01", "04 02 00 00"},
		{"6.5 write coil", controller, "05 00 AC FF 00", "85 01"},
		{"6.6 write register", controller, "06 00 01 00 03", "86 01"},
		{"6.11 write coils", controller, "0F 00 13 00 0A 02 CD 01", "8F 01"},
		{"6.12 write registers", controller, "10 00 01 00 02 04 00 0A 01 02", "90 01"},
		{"into a hole", controller, "03 00 14 00 0B", "83 02"},
		{"past the end", controller, "04 00 10 00 02", "84 02"},
		{"past 65535", controller, "04 FF FF 00 02", "84 02"},
		{"none", controller, "04 00 00 00 00", "84 03"},
		{"126", controller, "04 00 00 00 7E", "84 03"},
		{"125", controller, "04 00 00 00 7D", "84 02"},
		{"cut short", controller, "04 00 00 00", "84 03"},
		{"too long", meter, "04 00 00 00 01 00", "84 03"},
		{"no holding registers", meter, "03 00 00 00 01", "83 02"},
	}
	for _, tt := range tests {
		request, err := hex.DecodeString(strings.ReplaceAll(tt.request, " ", ""))
		if err != nil {
			t.Fatal(err)
		}
		want, err := hex.DecodeString(strings.ReplaceAll(tt.want, " ", ""))
		if err != nil {
			t.Fatal(err)
		}
		if got := tt.device.Answer(request); !bytes.Equal(got, want) {
			t.Errorf("%s: % X answers % X, want % X", tt.name, request, got, want)
		}
	}
	if got := controller.Answer(nil); got != nil {
		t.Errorf("nothing answers % X", got)
	}
}

func FuzzAnswer(f *testing.F) {
	f.Add([]byte{4, 0, 0, 0, 8})
	f.Add([]byte{3, 0, 20, 0, 1})
	f.Add([]byte{16, 0, 1, 0, 2, 4, 0, 10, 1, 2})
	controller, _ := devices(f, world(f, 0, nil))
	f.Fuzz(func(t *testing.T, request []byte) {
		answer := controller.Answer(request)
		switch {
		case len(request) == 0:
			if answer != nil {
				t.Fatalf("nothing answers % X", answer)
			}
		case len(answer) == 2:
			if answer[0] != request[0]|0x80 || answer[1] < 1 || answer[1] > 3 {
				t.Fatalf("% X answers % X", request, answer)
			}
		case len(answer) < 4 || answer[0] != request[0] || int(answer[1]) != len(answer)-2:
			t.Fatalf("% X answers % X", request, answer)
		}
	})
}
