package transfer

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"loadscribe/agent/scan"
)

// ErrColumns is returned for a CSV file that does not fit its column mapping.
var ErrColumns = errors.New("file does not fit the column mapping")

// Columns says which column of another program's CSV is what.
type Columns struct {
	// Time is the column with the time, TimeLayout how it is written, as
	// package time lays it out, and Location where it was local.
	Time, TimeLayout string
	Location         *time.Location
	// Channels are the names of the group's channels by column.
	Channels map[string]string
}

// ReadColumns reads a CSV file with one header line and calls fn with one scan
// a row, of group g. A channel without a column and an empty field are absent.
// Monotonic time is reckoned from the first row, so that rows must not go back
// in time. It stops at fn's first error. Errors name line and column.
func ReadColumns(r io.Reader, m Columns, g *scan.Group, fn func(*scan.Scan) error) error {
	in := csv.NewReader(r)
	in.ReuseRecord = true
	head, err := in.Read()
	if err != nil {
		return fmt.Errorf("%w: line 1: no header: %w", ErrColumns, err)
	}
	at, timeAt, err := m.places(head, g)
	if err != nil {
		return err
	}
	names := append([]string(nil), head...)
	var first, last int64
	for n := 0; ; n++ {
		row, err := in.Read()
		if errors.Is(err, io.EOF) {
			return nil
		}
		line, _ := in.FieldPos(0)
		if err != nil {
			return fmt.Errorf("%w: %w", ErrColumns, err)
		}
		when, err := time.ParseInLocation(m.TimeLayout, row[timeAt], m.Location)
		if err != nil {
			return fmt.Errorf("%w: line %d, column %s: %q is not a time like %s", ErrColumns, line, names[timeAt], row[timeAt], m.TimeLayout)
		}
		wall := when.UnixMilli()
		if n == 0 {
			first = wall
		} else if wall <= last {
			return fmt.Errorf("%w: line %d, column %s: %s does not follow the line before it; sort the file by time", ErrColumns, line, names[timeAt], row[timeAt])
		}
		last = wall
		s := scan.Scan{Group: g, Segment: 1, MonoMS: wall - first, WallMS: wall, Values: make([]int64, len(g.Channels))}
		for i := range g.Channels {
			if at[i] < 0 || strings.TrimSpace(row[at[i]]) == "" {
				if s.Quality == nil {
					s.Quality = make([]scan.Reason, len(g.Channels))
				}
				s.Quality[i] = scan.Absent
				continue
			}
			raw, ok := rawOf(g.Channels[i].Kind, row[at[i]])
			if !ok {
				return fmt.Errorf("%w: line %d, column %s: %q is not a number that channel %s can hold",
					ErrColumns, line, names[at[i]], row[at[i]], g.Channels[i].ID())
			}
			s.Values[i] = raw
		}
		if err := fn(&s); err != nil {
			return err
		}
	}
}

// places finds each channel's column, -1 where there is none.
func (m *Columns) places(head []string, g *scan.Group) (at []int, timeAt int, err error) {
	column := map[string]int{}
	for i, name := range head {
		column[name] = i
	}
	timeAt, ok := column[m.Time]
	if !ok {
		return nil, 0, fmt.Errorf("%w: line 1: no column %q for the time; the file has %s", ErrColumns, m.Time, strings.Join(head, ", "))
	}
	at = make([]int, len(g.Channels))
	for i := range at {
		at[i] = -1
	}
	for name, channel := range m.Channels {
		place := g.Index(channel)
		if place < 0 {
			return nil, 0, fmt.Errorf("%w: column %s is to be channel %q, which %s does not have", ErrColumns, name, channel, g.Device)
		}
		if at[place], ok = column[name]; !ok {
			return nil, 0, fmt.Errorf("%w: line 1: no column %q; the file has %s", ErrColumns, name, strings.Join(head, ", "))
		}
	}
	return at, timeAt, nil
}

// rawOf reads a number as the channel keeps it.
func rawOf(k scan.Kind, text string) (int64, bool) {
	text = strings.TrimSpace(text)
	switch k {
	case scan.KindFloat32:
		v, err := strconv.ParseFloat(text, 32)
		return int64(math.Float32bits(float32(v))), err == nil
	case scan.KindFloat64:
		v, err := strconv.ParseFloat(text, 64)
		return int64(math.Float64bits(v)), err == nil
	case scan.KindUint:
		v, err := strconv.ParseUint(text, 10, 64)
		return int64(v), err == nil
	case scan.KindDecimal:
		whole, places, _ := strings.Cut(text, ".")
		mantissa, err := strconv.ParseInt(whole+places, 10, 56) // eight bits are for the places
		return mantissa<<8 | int64(len(places)), err == nil && len(places) <= 18
	}
	whole, places, _ := strings.Cut(text, ".")
	if strings.Trim(places, "0") != "" {
		return 0, false // counts have no decimals
	}
	v, err := strconv.ParseInt(whole, 10, 64)
	return v, err == nil
}
