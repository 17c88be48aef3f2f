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
	// FloorBits is what nobody who knows all but the noise can code the counts
	// below on average: the sum of the entropies of the rows' normal
	// distributions, rounded to counts. 0: no noise.
	FloorBits float64
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
	floors := entropies{}
	for row := range BenchRows {
		w.Advance(w.start.Add(time.Duration(row) * time.Second))
		w.look(&snap, 0)
		benchRow(columns, row, &snap, factor, seed, floors)
	}
	return columns, nil
}

func benchRow(columns []BenchColumn, row int, s *snapshot, factor float64, seed uint64, floors entropies) {
	put := func(column int, count float64) { columns[column].Counts[row] = int64(math.Round(count)) }
	noisy := func(column int, mean, sigma float64) float64 {
		columns[column].FloorBits += floors.of(mean, factor*sigma)
		return mean + sigma*factor*noise(seed, column, s.step)
	}
	fahrenheit := func(k float64) float64 { return ((k-absoluteZeroC)*1.8 + 32) * 10 }
	put(0, math.Max(0, noisy(0, s.dischargePa/psiPa*10, sigmaPressure)))
	put(1, noisy(1, fahrenheit(s.airEndK), sigmaTemperature))
	put(2, noisy(2, fahrenheit(s.ambientK), sigmaTemperature))
	put(3, noisy(3, s.activeW/100, s.activeW/100*sigmaShare))
	put(4, noisy(4, s.motorA*10, s.motorA*10*sigmaShare))
	for k := range 3 {
		put(5+k, noisy(5+k, s.volts[k]*10, sigmaVolts))
	}
	rpm := s.rpm
	if rpm > 0 {
		rpm = math.Max(0, noisy(8, rpm, sigmaSpeed))
	}
	put(8, rpm)
	put(9, float64(s.status&(bitRunning|bitLoaded)))
	put(10, float64(s.runTenthsH))
	put(11, float64(s.energyWh/100))
}

// entropies are those of rounded normal distributions, by σ in 32nds of an
// octave and by the mean in 16ths of a count: all of it where values below 0
// become 0, else what it lies above a whole count.
type entropies map[[2]int]float64

func (e entropies) of(mean, sigma float64) float64 {
	if sigma == 0 {
		return 0
	}
	const far = 64 // σ and counts from which on 0 does not matter
	if mean > 9*sigma+far {
		mean -= math.Floor(mean) - math.Ceil(9*sigma+far)
	}
	key := [2]int{int(math.Round(32 * math.Log2(sigma))), int(math.Round(16 * mean))}
	bits, known := e[key]
	if !known {
		bits = roundedEntropy(float64(key[1])/16, math.Exp2(float64(key[0])/32))
		e[key] = bits
	}
	return bits
}

// roundedEntropy is the entropy in bits of a normal variable rounded to whole
// numbers, where what is below 0 becomes 0.
func roundedEntropy(mean, sigma float64) (bits float64) {
	below := func(x float64) float64 { return math.Erfc((mean-x)/sigma/math.Sqrt2) / 2 }
	before := 0.0
	for k := math.Max(0, math.Floor(mean-9*sigma-1)); k <= math.Max(0, mean+9*sigma+1); k++ {
		to := below(k + 0.5)
		if p := to - before; p > 0 {
			bits -= p * math.Log2(p)
		}
		before = to
	}
	return bits
}
