package intake

import (
	"fmt"
	"time"
)

// reach is more than any two offsets of a zone lie apart.
const reach = 26 * 3600

// zoneClock turns what a clock on the wall shows into times. It is for one
// goroutine.
type zoneClock struct {
	loc *time.Location
	// From safeFrom to before safeTo, in seconds of the wall, only one offset
	// can hold.
	safeFrom, safeTo, safeOffset int64
}

// at returns the times, in Unix seconds, at which the clock shows wall: none,
// one or two of them, the earlier first.
func (z *zoneClock) at(wall int64) (times [2]int64, n int) {
	if wall >= z.safeFrom && wall < z.safeTo {
		return [2]int64{wall - z.safeOffset}, 1
	}
	for t := wall - reach; ; {
		moment := time.Unix(t, 0).In(z.loc)
		start, end := moment.ZoneBounds()
		_, offset := moment.Zone()
		unix := wall - int64(offset)
		if (start.IsZero() || unix >= start.Unix()) && (end.IsZero() || unix < end.Unix()) && n < len(times) {
			times[n] = unix
			n++
		}
		if end.IsZero() || end.Unix() > wall+reach {
			if t == wall-reach { // one period holds all that is near
				z.keep(start, end, int64(offset))
			}
			return times, n
		}
		t = end.Unix()
	}
}

// keep remembers a period without a change, less what is near its ends.
func (z *zoneClock) keep(start, end time.Time, offset int64) {
	const far = 1 << 40
	z.safeFrom, z.safeTo, z.safeOffset = -far, far, offset
	if !start.IsZero() {
		z.safeFrom = start.Unix() + offset + reach
	}
	if !end.IsZero() {
		z.safeTo = end.Unix() + offset - reach
	}
}

// stamps turns a file's stamps into times, row by row. It is for one file and
// one goroutine.
type stamps struct {
	times  *Times
	zone   zoneClock
	period int64 // of the logger's groups, the shortest, in ms

	lastMS int64 // of the row before
	any    bool
	// began is where the file began inside an hour that is there twice and
	// nothing has shown yet in which of the two; "" else.
	began string
	// doubled counts the rows of such hours.
	doubled int64
}

const (
	orderMend   = `write ambiguous = "earlier" or "later"`
	hourMend    = `write ambiguous = "order" in [logger.time] if the rows are in order of time, else "earlier" or "later"`
	missingMend = `correct zone: a logger that is never put forward keeps a fixed one, like "-06:00"`
)

// ms returns the time of a stamp. The error is a sentence's end; a *rowError
// where there is a mend.
func (s *stamps) ms(text string) (int64, error) {
	st, err := s.times.pattern.parse(text)
	if err != nil {
		return 0, err
	}
	if st.exact {
		return st.seconds*1000 + st.ms, nil
	}
	times, n := s.zone.at(st.seconds)
	switch n {
	case 0:
		return 0, &rowError{message: fmt.Sprintf("does not exist in %s: the clocks were put forward over it", s.zone.loc), mend: missingMend}
	case 1:
		if s.began != "" {
			return 0, &rowError{message: fmt.Sprintf("is the first row behind the hour that is there twice, in which the file begins with %s: no row shows in which of the two", s.began), mend: orderMend}
		}
		return s.note(times[0]*1000 + st.ms), nil
	}
	s.doubled++
	early, late := times[0]*1000+st.ms, times[1]*1000+st.ms
	switch s.times.Ambiguous {
	case AmbiguousEarlier:
		return early, nil
	case AmbiguousLater:
		return late, nil
	case AmbiguousOrder:
		return s.byOrder(text, early, late)
	}
	return 0, &rowError{message: "is in the hour that is there twice when daylight saving ends, and which of the two is not said", mend: hourMend}
}

func (s *stamps) note(ms int64) int64 {
	s.lastMS, s.any = ms, true
	return ms
}

// byOrder takes the one of two times that follows best on the row before.
func (s *stamps) byOrder(text string, early, late int64) (int64, error) {
	switch {
	case !s.any:
		s.began = text
		return s.note(early), nil
	case late < s.lastMS, early < s.lastMS && s.lastMS-early < late-s.lastMS-s.period:
		// the second: a row in disorder by seconds is no hour that begins anew
		return 0, &rowError{message: "goes back in time, so that the order of the rows does not show which of two hours it is in", mend: orderMend}
	case early < s.lastMS || distance(late, s.lastMS+s.period) < distance(early, s.lastMS+s.period):
		s.began = ""
		return s.note(late), nil
	}
	return s.note(early), nil
}

func distance(a, b int64) int64 { return max(a-b, b-a) }

// end returns why the file's times are not known after all.
func (s *stamps) end() error {
	if s.began != "" {
		return &rowError{message: fmt.Sprintf("the file lies within the hour that is there twice, from %s on, and no row shows in which of the two", s.began), mend: orderMend}
	}
	return nil
}
