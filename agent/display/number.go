package display

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// Magnitude is the power of ten of v's first figure.
func Magnitude(v float64) int {
	if v == 0 {
		return 0
	}
	return int(math.Floor(math.Log10(math.Abs(v))))
}

// Rounded writes v to so many decimals; fewer than none are whole tens.
func Rounded(v float64, decimals int) string {
	decimals = min(decimals, 6)
	if decimals < 0 {
		step := math.Pow10(-decimals)
		v, decimals = math.Round(v/step)*step, 0
	}
	return strings.TrimPrefix(strconv.FormatFloat(v, 'f', decimals, 64), minusZero(v, decimals))
}

// minusZero is the sign to take off a value that rounds to zero from below.
func minusZero(v float64, decimals int) string {
	if math.Signbit(v) && math.Round(v*math.Pow10(decimals)) == 0 { // -0 too: what was rounded to tens
		return "-"
	}
	return ""
}

// Duration writes seconds as the sentences do: "2 h 5 min 3 s".
func Duration(seconds float64) string {
	d := time.Duration(seconds * float64(time.Second)).Round(100 * time.Millisecond)
	switch {
	case d == 0 && seconds > 0:
		return "under 0.1 s"
	case d < time.Minute:
		return strconv.FormatFloat(d.Seconds(), 'f', -1, 64) + " s"
	}
	d = d.Round(time.Second)
	var parts []string
	for _, p := range []struct {
		n    time.Duration
		unit string
	}{{d / time.Hour, "h"}, {d % time.Hour / time.Minute, "min"}, {d % time.Minute / time.Second, "s"}} {
		if p.n > 0 || p.unit == "min" && d > time.Hour && d%time.Minute > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", p.n, p.unit))
		}
	}
	return strings.Join(parts, " ")
}

// PerCent is a share to two figures, never by a power of ten; what is under a ten-thousandth
// of a per cent is 0.
func PerCent(share float64) string {
	digits := 2
	if math.Abs(share) >= 1 {
		digits = 3
	}
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(100*share, 'g', digits, 64), 64)
	if err != nil || math.Abs(rounded) < 0.0001 {
		rounded = 0
	}
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}

// IsMoney reports a currency's code: three capitals.
func IsMoney(unit string) bool {
	return len(unit) == 3 && strings.ToUpper(unit) == unit && strings.IndexFunc(unit, func(r rune) bool { return r < 'A' || r > 'Z' }) < 0
}
