package simulator

import (
	"fmt"
	"math"
	"time"
)

// BenchRows is the length of the bench week: seven days of seconds.
const BenchRows = 7 * 24 * 3600

// BenchColumn is one channel of the bench week.
type BenchColumn struct {
	Name   string
	Unit   string  // of value = count·Scale
	Scale  float64 // per count
	Counts []int64 // BenchRows of them
}

// benchChannels describes the columns. Running and loaded are two bits of one
// status word, as on the wire.
func benchChannels() []BenchColumn {
	return []BenchColumn{
		{Name: "discharge_pressure", Unit: "psi", Scale: 0.1},
		{Name: "discharge_temperature", Unit: "°F", Scale: 0.1},
		{Name: "ambient_temperature", Unit: "°F", Scale: 0.1},
		{Name: "power", Unit: "kW", Scale: 0.1},
		{Name: "motor_current", Unit: "A", Scale: 0.1},
		{Name: "voltage_ab", Unit: "V", Scale: 0.1},
		{Name: "voltage_bc", Unit: "V", Scale: 0.1},
		{Name: "voltage_ca", Unit: "V", Scale: 0.1},
		{Name: "speed", Unit: "rpm", Scale: 1},
		{Name: "status", Unit: "1", Scale: 1}, // bit 0 running, bit 1 loaded
		{Name: "run_hours", Unit: "h", Scale: 0.1},
		{Name: "energy", Unit: "kWh", Scale: 0.1},
	}
}

// BenchStart is the bench week's first second, a Monday's midnight in the
// joinery's time.
func BenchStart(location *time.Location) time.Time {
	return time.Date(2026, time.March, 2, 0, 0, 0, 0, location)
}

// BenchWeek makes the week on which sizes and speeds are compared: seven days
// of the joinery, one row a second, twelve channels in integer counts. Gaussian
// noise is added before rounding: pressure σ 0.5 count, temperatures 0.3, power
// and current 1 % of the value, voltages 4, speed 1 (while it turns); noisy has
// four times that. The same seed gives the same counts.
func BenchWeek(seed uint64, noisy bool) ([]BenchColumn, error) {
	s, err := LoadScenario("joinery")
	if err != nil {
		return nil, fmt.Errorf("bench week: %w", err)
	}
	s.Seed, s.Devices = seed, nil
	w, err := New(s, BenchStart(s.Location))
	if err != nil {
		return nil, fmt.Errorf("bench week: %w", err)
	}
	columns := benchChannels()
	for i := range columns {
		columns[i].Counts = make([]int64, BenchRows)
	}
	factor := 1.0
	if noisy {
		factor = 4
	}
	var snap snapshot
	for row := range BenchRows {
		w.Advance(w.start.Add(time.Duration(row) * time.Second))
		w.look(&snap, 0)
		benchRow(columns, row, &snap, factor, seed)
	}
	return columns, nil
}

func benchRow(columns []BenchColumn, row int, s *snapshot, factor float64, seed uint64) {
	put := func(column int, count float64) { columns[column].Counts[row] = int64(math.Round(count)) }
	n := func(column int) float64 { return factor * noise(seed, column, s.step) }
	fahrenheit := func(k float64) float64 { return ((k-absoluteZeroC)*1.8 + 32) * 10 }
	put(0, math.Max(0, s.dischargePa/psiPa*10+sigmaPressure*n(0)))
	put(1, fahrenheit(s.airEndK)+sigmaTemperature*n(1))
	put(2, fahrenheit(s.ambientK)+sigmaTemperature*n(2))
	put(3, s.activeW/100*(1+sigmaShare*n(3)))
	put(4, s.motorA*10*(1+sigmaShare*n(4)))
	for k := range 3 {
		put(5+k, s.volts[k]*10+sigmaVolts*n(5+k))
	}
	rpm := s.rpm
	if rpm > 0 {
		rpm = math.Max(0, rpm+sigmaSpeed*n(8))
	}
	put(8, rpm)
	put(9, float64(s.status&(bitRunning|bitLoaded)))
	put(10, float64(s.runTenthsH))
	put(11, float64(s.energyWh/100))
}
