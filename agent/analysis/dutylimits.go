package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// mg10Row is a row of NEMA MG 10 table 2-3, design A and B: most starts an hour
// and least rest in s, for 2, 4 and 6 poles. The table holds for a load whose
// torque grows with the square of speed; a screw that starts unloaded is not
// exactly that: the limit is guidance. Held against testdata/vectors.
type mg10Row struct {
	hp     float64
	starts [3]float64
	rest   [3]float64
}

func mg10() []mg10Row {
	return []mg10Row{
		{1, [3]float64{15, 30, 34}, [3]float64{75, 38, 33}},
		{1.5, [3]float64{12.9, 25.7, 29.1}, [3]float64{76, 38, 34}},
		{2, [3]float64{11.5, 23, 26.1}, [3]float64{77, 39, 35}},
		{3, [3]float64{9.9, 19.8, 22.4}, [3]float64{80, 40, 36}},
		{5, [3]float64{8.1, 16.3, 18.4}, [3]float64{83, 42, 37}},
		{7.5, [3]float64{7, 13.9, 15.8}, [3]float64{88, 44, 39}},
		{10, [3]float64{6.2, 12.5, 14.2}, [3]float64{92, 46, 41}},
		{15, [3]float64{5.4, 10.7, 12.1}, [3]float64{100, 50, 44}},
		{20, [3]float64{4.8, 9.6, 10.9}, [3]float64{110, 55, 48}},
		{25, [3]float64{4.4, 8.8, 10}, [3]float64{115, 58, 51}},
		{30, [3]float64{4.1, 8.2, 9.3}, [3]float64{120, 60, 53}},
		{40, [3]float64{3.7, 7.4, 8.4}, [3]float64{130, 65, 57}},
		{50, [3]float64{3.4, 6.8, 7.7}, [3]float64{145, 72, 64}},
		{60, [3]float64{3.2, 6.3, 7.2}, [3]float64{170, 85, 75}},
		{75, [3]float64{2.9, 5.8, 6.6}, [3]float64{180, 90, 79}},
		{100, [3]float64{2.6, 5.2, 5.9}, [3]float64{220, 110, 97}},
		{125, [3]float64{2.4, 4.8, 5.4}, [3]float64{275, 140, 120}},
		{150, [3]float64{2.2, 4.5, 5.1}, [3]float64{320, 160, 140}},
		{200, [3]float64{2, 4, 4.5}, [3]float64{600, 300, 265}},
		{250, [3]float64{1.8, 3.7, 4.2}, [3]float64{1000, 500, 440}},
	}
}

// mg10For is the row of a motor: the next larger one where it lies between two.
func mg10For(powerW float64, poles int) (row mg10Row, column int, ok bool) {
	column = poles/2 - 1
	if !(powerW > 0) || poles%2 != 0 || column < 0 || column > 2 {
		return row, 0, false
	}
	for _, row = range mg10() {
		if powerW <= 1.01*row.hp*quantity.HorsepowerW {
			return row, column, true
		}
	}
	return row, 0, false
}

// startsLimit is the most starts in an hour that the motor's maker allows, else
// the table; basis says which, or why there is none.
func startsLimit(m *sitefile.Machine) (limit float64, basis string, ok bool) {
	if n := m.Motor.StartsPerHour; n > 0 {
		return math.Floor(n), fmt.Sprintf("the maker's %g an hour, as whole starts", n), true
	}
	if m.Motor.Starting == "drive" {
		return 0, "no limit: a drive starts the motor without inrush, NEMA MG 10 is not for it", false
	}
	row, column, ok := mg10For(m.Motor.PowerW, m.Motor.Poles)
	if !ok {
		return 0, "no limit: neither the maker's nor the motor's power and poles are in the site file", false
	}
	a := row.starts[column]
	return math.Floor(a), fmt.Sprintf("NEMA MG 10 table 2-3, %g hp, %d poles: %g an hour, so %.0f whole starts; guidance, a screw starts unloaded",
		row.hp, m.Motor.Poles, a, math.Floor(a)), true
}

// restLimit is the least rest between two starts by the table.
func restLimit(m *sitefile.Machine) (seconds float64, basis string, ok bool) {
	row, column, ok := mg10For(m.Motor.PowerW, m.Motor.Poles)
	if !ok || m.Motor.Starting == "drive" {
		return 0, "", false
	}
	return row.rest[column], fmt.Sprintf("least rest by NEMA MG 10 table 2-3, %g hp, %d poles; guidance", row.hp, m.Motor.Poles), true
}
