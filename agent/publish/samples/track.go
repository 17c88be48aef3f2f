package samples

import (
	"cmp"
	"encoding/json"
	"math"
	"slices"
	"strings"

	"loadscribe/agent/publish"
	"loadscribe/agent/publish/remote"
)

// track is one series: what of it is to be given, and what was.
type track struct {
	Labels []remote.Label `json:"labels"`
	// Has is whether a good value was seen since the series last ended; Value,
	// WallMS and MonoMS are its, Pending whether it is not given yet.
	Has     bool   `json:"has,omitempty"`
	Pending bool   `json:"pending,omitempty"`
	Value   number `json:"value"`
	WallMS  int64  `json:"wall_ms,omitempty"`
	MonoMS  int64  `json:"mono_ms,omitempty"`
	// BadMS is the time of the first scan since then that had no value; 0: none.
	BadMS int64 `json:"bad_ms,omitempty"`
	GapMS int64 `json:"gap_ms,omitempty"` // three periods of its group
	// SentMS is the last stamp given, Live whether that was of a value and no marker.
	SentMS int64 `json:"sent_ms,omitempty"`
	Live   bool  `json:"live,omitempty"`
	// Of a device: how many scans in a row had no values, and whether it answers.
	Bad int     `json:"bad,omitempty"`
	Up  float64 `json:"up,omitempty"`

	id    string
	value func() float64 // of the last good value, where it is not in Value yet
	out   *outSeries     // of the batch of that number
	batch int
}

// number is a float64 whose bits JSON keeps.
type number float64

// MarshalJSON implements json.Marshaler.
func (n number) MarshalJSON() ([]byte, error) { return json.Marshal(math.Float64bits(float64(n))) }

// UnmarshalJSON implements json.Unmarshaler.
func (n *number) UnmarshalJSON(b []byte) error {
	var bits uint64
	err := json.Unmarshal(b, &bits)
	*n = number(math.Float64frombits(bits))
	return err
}

// outSeries are samples of a batch.
type outSeries struct {
	labels  []remote.Label
	samples []remote.Sample
}

// labelsOf are the labels of a family's series, sorted; nil where a value is empty,
// which no receiver takes.
func labelsOf(site string, f publish.Family, values []string) []remote.Label {
	all := []remote.Label{{Name: remote.NameLabel, Value: f.Name()}, {Name: "site", Value: site}}
	for i, name := range f.Labels() {
		all = append(all, remote.Label{Name: name, Value: values[i]})
	}
	slices.SortFunc(all, func(a, b remote.Label) int { return cmp.Compare(a.Name, b.Name) })
	if !validLabels(all) {
		return nil
	}
	return all
}

func keyOf(labels []remote.Label) string {
	var b strings.Builder
	for _, l := range labels {
		b.WriteString(l.Name)
		b.WriteByte(0xff)
		b.WriteString(l.Value)
		b.WriteByte(0xff)
	}
	return b.String()
}

func (t *track) key() string {
	if t.id == "" {
		t.id = keyOf(t.Labels)
	}
	return t.id
}

// fix makes Value the last good value's.
func (t *track) fix() {
	if t.value != nil {
		t.Value, t.value = number(t.value()), nil
	}
}

// track is the series of these labels.
func (s *Source) track(labels []remote.Label) *track {
	key := keyOf(labels)
	t := s.st.tracks[key]
	if t == nil {
		t = &track{Labels: labels, id: key}
		s.st.tracks[key] = t
		s.st.Tracks = append(s.st.Tracks, t)
	}
	return t
}

// add puts a sample out unless its stamp does not rise.
func (s *Source) add(t *track, wallMS int64, value float64) {
	if wallMS <= t.SentMS && t.SentMS != 0 {
		s.st.LeftOut[LeftClock]++
		return
	}
	s.put(t, wallMS, value)
	t.Live = true
}

func (s *Source) put(t *track, wallMS int64, value float64) {
	if t.out == nil || t.batch != s.batches {
		t.out, t.batch = &outSeries{labels: t.Labels}, s.batches
		s.out = append(s.out, t.out)
	}
	t.out.samples = append(t.out.samples, remote.Sample{TimeMS: wallMS, Value: value})
	t.SentMS = wallMS
	s.given++
}

// give puts the pending value out.
func (s *Source) give(t *track) {
	if t.Pending {
		t.fix()
		s.add(t, t.WallMS, float64(t.Value))
		t.Pending = false
	}
}

// end ends a series with a marker: at the first scan without a value or else three
// periods after the last good one, but before nextMS, where the next sample may be,
// and behind what was given.
func (s *Source) end(t *track, nextMS int64) {
	s.give(t)
	t.Has = false
	if !t.Live {
		return
	}
	at := t.BadMS
	if at == 0 {
		at = t.WallMS + t.GapMS
	}
	at = max(min(at, nextMS-1), t.SentMS+1)
	s.put(t, at, math.Float64frombits(remote.StaleBits))
	t.Live = false
}

// good takes a good value at a time. value is asked for when it is given.
func (s *Source) good(t *track, wallMS, monoMS, gapMS int64, value func() float64) {
	if t.Has && monoMS-t.MonoMS > t.GapMS {
		s.end(t, wallMS)
	}
	t.Has, t.Pending, t.value = true, true, value
	t.WallMS, t.MonoMS, t.GapMS, t.BadMS = wallMS, monoMS, gapMS, 0
}

// bad notes that a scan had no value.
func (t *track) bad(wallMS int64) {
	if t.Has && t.BadMS == 0 {
		t.BadMS = wallMS
	}
}
