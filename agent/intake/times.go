package intake

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

func (l *Logger) readTime(s sitefile.Section) {
	l.Time = Times{Columns: []string{"time"}, Format: formatRFC3339, Ambiguous: AmbiguousError, place: s.Place("time")}
	t, given := s.Sub("time")
	if !given {
		l.Time.pattern, _ = newPattern(formatRFC3339)
		return
	}
	if t.Has("columns") {
		t.Refuse("columns names them all", "column")
		l.Time.Columns = t.Texts("columns")
	} else {
		l.Time.Columns = []string{t.Text("column", "time")}
	}
	for i, c := range l.Time.Columns {
		l.Time.Columns[i] = strings.TrimSpace(c)
	}
	if len(l.Time.Columns) == 0 || slices.Contains(l.Time.Columns, "") {
		t.Problem("columns", `name the columns, like columns = ["Date", "Time"]`, "a column for the time has no name")
	}
	l.Time.Format = t.Text("format", formatRFC3339)
	l.Time.Zone = t.Text("zone", "")
	l.Time.place = t.Place("zone")
	l.Time.Ambiguous = t.Choice("ambiguous", AmbiguousError, AmbiguousError, AmbiguousEarlier, AmbiguousLater, AmbiguousOrder)
	p, err := newPattern(l.Time.Format)
	if err != nil {
		t.Problem("format", patternForm, "%v", err)
		p, _ = newPattern(formatRFC3339)
	} else if p.absolute() {
		t.Refuse("stamps of this format say themselves where they are in time", "zone", "ambiguous")
	}
	l.Time.pattern = p
	if l.Time.Zone != "" {
		if _, err := location(l.Time.Zone); err != nil {
			t.Problem("zone", zoneForm, "time zone %q is not known", l.Time.Zone)
		}
	}
	t.Done()
}

const zoneForm = `write a name of the time zone data base, like "America/Chicago", or a fixed offset, like "-06:00"`

// location finds a zone by its name in the time zone data base, or a fixed
// offset: a clock that knows no daylight saving.
func location(name string) (*time.Location, error) {
	if offset, ok := parseOffset(name); ok {
		return time.FixedZone(name, offset), nil
	}
	if name == "" || name == "Local" { // whatever the computer is set to
		return nil, fmt.Errorf("time zone %q is not known", name)
	}
	return time.LoadLocation(name)
}

// parseOffset reads "+01:00" as seconds east of Greenwich.
func parseOffset(text string) (seconds int, ok bool) {
	if len(text) != 6 || text[0] != '+' && text[0] != '-' || text[3] != ':' {
		return 0, false
	}
	h, err1 := strconv.ParseUint(text[1:3], 10, 8)
	m, err2 := strconv.ParseUint(text[4:], 10, 8)
	if err1 != nil || err2 != nil || h > 14 || m > 59 {
		return 0, false
	}
	seconds = int(h)*3600 + int(m)*60
	if text[0] == '-' {
		seconds = -seconds
	}
	return seconds, true
}

// Clock says how a logger's clock went: what must be added to its time to have
// the true one. The signs are those of package align.
type Clock struct {
	OffsetMS float64 // at AtMS; positive where the clock is behind
	DriftPPM float64 // how much more later, in millionths; positive where it is slow
	AtMS     int64   // a time of the logger's own clock, Unix milliseconds
}

// mostDriftPPM is far beyond any clock; below it no two stamps change places.
const mostDriftPPM = 10_000

// True returns the true time of a stamp. It never falls when stamps rise.
// Products are rounded one by one, the same on every machine.
func (c Clock) True(stampMS int64) int64 {
	drift := float64(c.DriftPPM*float64(stampMS-c.AtMS)) / 1e6
	return stampMS + int64(math.Round(c.OffsetMS+drift))
}

func (l *Logger) readClock(s sitefile.Section) {
	t, given := s.Sub("clock")
	if !given {
		return
	}
	if text := t.Text("offset", ""); text != "" {
		q, err := quantity.ParseDim(text, quantity.Duration)
		if err != nil || math.Abs(q.SI()) > 366*86400 {
			t.Problem("offset", `write what must be added to the logger's time, like "90 s", or "-90 s" where its clock is ahead`, "%s is no offset of a clock", shown(text))
		} else {
			l.Clock.OffsetMS = q.SI() * 1000
		}
	}
	if text := t.Text("drift", ""); text != "" {
		var ok bool
		if l.Clock.DriftPPM, ok = parseDrift(text); !ok {
			t.Problem("drift", `write by how much the logger's clock goes too slow, like "12 ppm" or "1.5 s/d", negative where it is too fast`, "%s is no drift of a clock", shown(text))
		}
	}
	if text := t.Text("at", ""); text != "" {
		at, err := time.Parse(time.RFC3339, text)
		if err != nil {
			t.Problem("at", `write like "2026-03-08T12:00:00-06:00"`, "%s is no time in RFC 3339", shown(text))
		}
		l.Clock.AtMS = at.UnixMilli()
	} else if l.Clock.DriftPPM != 0 {
		t.Problem("drift", "write at, the time at which the offset was that", "a drift without a time from which it counts")
	}
	t.Done()
}

// parseDrift reads "12 ppm" or "1.5 s/d" as millionths.
func parseDrift(text string) (ppm float64, ok bool) {
	number, factor := text, 0.0
	for unit, f := range map[string]float64{"ppm": 1, "s/d": 1e6 / 86400} {
		if n, found := strings.CutSuffix(text, unit); found {
			number, factor = strings.TrimSpace(n), f
		}
	}
	v, err := strconv.ParseFloat(number, 64)
	ppm = v * factor
	return ppm, err == nil && factor != 0 && math.Abs(ppm) <= mostDriftPPM
}
