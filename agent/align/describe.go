package align

import (
	"fmt"
	"math"
	"strconv"
	"time"
)

const msOfDay = 86400_000

// Describe says the alignment in a sentence, with the names of the two loggers.
func (a Alignment) Describe(other, reference string) string {
	s := other + "'s clock is " + a.against(reference)
	switch daily := -a.DriftPPM / 1e6 * msOfDay; {
	case math.Abs(daily) < 50:
		s += " and keeps time with it"
	case daily > 0:
		s += a.shown() + " and gains " + words(daily) + " a day"
	default:
		s += a.shown() + " and loses " + words(-daily) + " a day"
	}
	s += fmt.Sprintf("; %d of %d transitions meet within %s", a.Matched, a.Of, words(a.ResidualMS))
	if a.Inverted {
		s += fmt.Sprintf("; where %s rises, %s falls", reference, other)
	}
	if late := math.Abs(a.RisesLaterMS); late > 1000 && late > a.ResidualMS/2 {
		kinds := "rises come %s later than falls"
		if a.RisesLaterMS < 0 {
			kinds = "falls come %s later than rises"
		}
		s += "; in " + other + " " + fmt.Sprintf(kinds, words(late)) + ", so one of the two is a delay and no matter of the clock"
	}
	return s
}

// against is the offset beside its uncertainty.
func (a Alignment) against(reference string) string {
	about := " (± " + words(a.UncertaintyMS) + ") "
	switch {
	case math.Abs(a.OffsetMS) < 50:
		return "that of " + reference + about[:len(about)-1]
	case a.OffsetMS > 0:
		return words(a.OffsetMS) + about + "behind " + reference + "'s"
	}
	return words(-a.OffsetMS) + about + "ahead of " + reference + "'s"
}

// shown is when the offset holds, of a clock that drifts.
func (a Alignment) shown() string {
	return " when it shows " + time.UnixMilli(a.AtMS).UTC().Format("2006-01-02 15:04 UTC")
}

// signed is an offset as a person writes it into a mapping.
func signed(ms float64) string {
	if ms < 0 {
		return "-" + words(-ms)
	}
	return "+" + words(ms)
}

// words is a time for people: 37.2 s, 12 min 5.0 s, 6 h 0 min 12.3 s.
func words(ms float64) string {
	tenths := int64(math.Round(math.Abs(ms) / 100))
	if tenths == 0 && ms != 0 {
		return strconv.FormatFloat(math.Abs(ms)/1000, 'g', 1, 64) + " s"
	}
	h, m, s := tenths/36000, tenths/600%60, float64(tenths%600)/10
	switch {
	case h > 0:
		return fmt.Sprintf("%d h %d min %.1f s", h, m, s)
	case m > 0:
		return fmt.Sprintf("%d min %.1f s", m, s)
	}
	return fmt.Sprintf("%.1f s", s)
}
