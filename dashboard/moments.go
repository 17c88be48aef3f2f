package dashboard

import (
	"net/http"
	"slices"

	"loadscribe/agent"
	"loadscribe/agent/sitefile"
)

// momentsAnswer is the API's MomentsAnswer: what channels read at one or two
// moments, and between them.
type momentsAnswer struct {
	At       []agent.Stamp   `json:"at"`
	Channels []momentChannel `json:"channels"`
}

type momentChannel struct {
	Channel string `json:"channel"`
	Unit    string `json:"unit"`
	// Readings are those that held at each moment; null: a gap.
	Readings []*momentReading `json:"readings"`
	// Difference is the later moment's reading less the earlier one's.
	Difference *float64       `json:"difference,omitempty"`
	Between    *momentBetween `json:"between,omitempty"`
}

type momentReading struct {
	Time  agent.Stamp `json:"time"`
	Value *float64    `json:"value"`
	// MinuteMean: the mean of that minute, raw readings being gone.
	MinuteMean bool `json:"minute_mean,omitempty"`
}

type momentBetween struct {
	From       agent.Stamp `json:"from"`
	To         agent.Stamp `json:"to"`
	Count      int64       `json:"count"`
	Mean       *float64    `json:"mean,omitempty"`
	Min        *float64    `json:"min,omitempty"`
	Max        *float64    `json:"max,omitempty"`
	RawDropped bool        `json:"raw_dropped,omitempty"`
}

// decimalFigures rids a decimal reading of the noise of its last binary places.
const decimalFigures = 15

func (s *Server) serveMoments(r *http.Request) (any, *apiError) {
	q := parseQuery(r.URL.RawQuery, nil, "at", "channel")
	at := s.moments(q)
	channels, e := s.channels(q, maxChannels)
	if e != nil {
		return nil, e
	}
	if len(channels) == 0 {
		return nil, badParameter("channel", "channel is missing: give channel=device.channel, as often as wanted")
	}
	a := momentsAnswer{At: at, Channels: []momentChannel{}}
	for _, c := range channels {
		one := momentChannel{Channel: c.ID(), Unit: c.Unit}
		for _, t := range at {
			found, ok, err := s.backend.ReadingAt(c.ID(), int64(t))
			if err != nil {
				return nil, unavailable("reading of %s: %v", c.ID(), err)
			}
			if !ok {
				one.Readings = append(one.Readings, nil)
				continue
			}
			value := figures(found.Value, decimalFigures)
			one.Readings = append(one.Readings, &momentReading{agent.Stamp(found.WallMS), finite(&value), found.MinuteMean})
		}
		if len(at) == 2 {
			if e := s.between(&one, at); e != nil {
				return nil, e
			}
		}
		a.Channels = append(a.Channels, one)
	}
	return a, nil
}

// moments are the one or two that a query names, the earlier first.
func (s *Server) moments(q *query) []agent.Stamp {
	var at []agent.Stamp
	for _, text := range q.values["at"] {
		t, err := sitefile.ParseTime(text, s.backend.Now(), s.location(), false)
		switch {
		case err != nil:
			q.fail(badParameter("at", "at: %v", err))
		case t.UTC().Year() < firstYear || t.UTC().Year() > lastYear:
			q.fail(badParameter("at", "at %q is in the year %d: use one from %d to %d", text, t.UTC().Year(), firstYear, lastYear))
		default:
			at = append(at, agent.Stamp(t.UnixMilli()))
		}
	}
	slices.Sort(at)
	switch {
	case len(q.values["at"]) == 0:
		q.fail(badParameter("at", "at is missing: give one moment, or two to learn what was between them"))
	case len(q.values["at"]) > 2:
		q.fail(badParameter("at", "%d moments are given: give one or two", len(q.values["at"])))
	case len(at) == 2 && at[0] == at[1]:
		q.fail(badParameter("at", "both moments are the same: give it once"))
	}
	return at
}

func (s *Server) between(one *momentChannel, at []agent.Stamp) *apiError {
	span, err := s.backend.Span(one.Channel, int64(at[0]), int64(at[1]))
	if err != nil {
		return unavailable("readings of %s: %v", one.Channel, err)
	}
	b := &momentBetween{From: agent.Stamp(span.FromMS), To: agent.Stamp(span.ToMS), Count: span.Count, RawDropped: span.RawDropped}
	if span.Count > 0 {
		mean := figures(span.Sum/float64(span.Count), 12)
		low, high := figures(span.Min, decimalFigures), figures(span.Max, decimalFigures)
		b.Mean, b.Min, b.Max = finite(&mean), finite(&low), finite(&high)
	}
	one.Between = b
	if x, y := one.Readings[0], one.Readings[1]; x != nil && y != nil && x.Value != nil && y.Value != nil {
		d := figures(*y.Value-*x.Value, 12)
		one.Difference = finite(&d)
	}
	return nil
}

func (s *Server) serveBelow(r *http.Request) (any, *apiError) {
	q := parseQuery(r.URL.RawQuery, []string{"from", "to", "system"})
	fromMS, toMS := q.window(s.backend.Now(), s.location(), false)
	if q.err != nil {
		return nil, q.err
	}
	system, e := s.oneSystem(q)
	if e != nil {
		return nil, e
	}
	below, err := s.backend.BelowMinimum(system, fromMS, toMS)
	if err != nil {
		return nil, unavailable("times below the minimum of %s: %v", system, err)
	}
	return below, nil
}
