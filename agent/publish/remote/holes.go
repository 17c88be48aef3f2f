package remote

import (
	"hash/fnv"
	"strconv"
)

// hole is samples that an earlier process was refused and could not set aside yet. A
// newer sample of the series may be there, so that the receiver calls them "out of
// order": which does not say that it has them.
type hole struct {
	Series  string `json:"series"` // a sum of its labels
	FirstMS int64  `json:"first_ms"`
	LastMS  int64  `json:"last_ms"`
}

// mostHoles bounds the cursor: a hole has about 80 bytes there. One more says that there
// are others, so that nothing is known of any sample of the batch.
const mostHoles = 500

func sumOf(labels []Label) string {
	h := fnv.New64a()
	h.Write([]byte(keyOf(labels))) // it never fails
	return strconv.FormatUint(h.Sum64(), 36)
}

// leaves notes that series were refused, before anything newer of them goes out.
func (s *Sender) leaves(all []Series) {
	s.mu.Lock()
	for _, one := range all {
		now := hole{sumOf(one.Labels), one.Samples[0].TimeMS, one.Samples[len(one.Samples)-1].TimeMS}
		found := false
		for i := range s.cursor.Holes {
			if h := &s.cursor.Holes[i]; h.Series == now.Series {
				h.FirstMS, h.LastMS, found = min(h.FirstMS, now.FirstMS), max(h.LastMS, now.LastMS), true
			}
		}
		if !found && len(s.cursor.Holes) <= mostHoles {
			s.cursor.Holes = append(s.cursor.Holes, now)
		}
	}
	s.dirty = true
	s.mu.Unlock()
	s.keepCursor()
}

// inHoles divides series into the samples that lie in holes and the others.
func inHoles(all []Series, holes []hole) (in, others []Series) {
	if len(holes) == 0 {
		return nil, all
	}
	of := map[string]hole{}
	for _, h := range holes {
		of[h.Series] = h
	}
	for _, one := range all {
		h, found := of[sumOf(one.Labels)]
		if !found {
			others = append(others, one)
			continue
		}
		single := []Series{one}
		older, newer := []Series(nil), []Series(nil)
		older = between(single, one.Samples[0].TimeMS, h.FirstMS-1)
		newer = between(single, h.LastMS+1, one.Samples[len(one.Samples)-1].TimeMS)
		in = append(in, between(single, h.FirstMS, h.LastMS)...)
		if rest := append(older, newer...); len(rest) > 0 {
			others = append(others, joinedSamples(rest))
		}
	}
	return in, others
}

// joinedSamples makes one series of parts of it that follow one another.
func joinedSamples(parts []Series) Series {
	one := Series{Labels: parts[0].Labels}
	for _, p := range parts {
		one.Samples = append(one.Samples, p.Samples...)
	}
	return one
}
