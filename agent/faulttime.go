package agent

import (
	"slices"

	"loadscribe/agent/store"
)

// labelled is a stretch of time by the labels that it was given.
type labelled struct{ from, to int64 }

// onTime is when what began with an event was on, until the event that ended
// it, or toMS where none has. Within a run of the agent it lasted as long as
// the monotonic clock says; where the wall clock was set meanwhile it is in
// several stretches, which may overlap or leave a hole. From one run to the
// next there is only the wall clock to go by.
func onTime(begin, end *store.Event, toMS int64, segments []store.Segment) []labelled {
	var passed []store.Segment // from the beginning's own on
	for _, s := range segments {
		if s.Number >= begin.Segment && (end == nil || s.Number <= end.Segment) {
			passed = append(passed, s)
		}
	}
	if end != nil {
		toMS = end.WallMS
	}
	var parts []labelled
	wall, mono := begin.WallMS, begin.MonoMS
	for i := 1; i < len(passed); i++ {
		s, before := &passed[i], &passed[i-1]
		start := s.StartWallMS + s.ShiftMS
		lasted := s.StartMonoMS - mono
		if s.NewClock() {
			lasted = start - wall
			if before.Untrusted && before.ShiftMS == 0 {
				lasted = 0 // its clock says nothing
			}
		}
		if lasted > 0 {
			parts = append(parts, labelled{wall, wall + lasted})
		}
		wall, mono = start, s.StartMonoMS
	}
	if toMS > wall {
		parts = append(parts, labelled{wall, toMS})
	}
	return parts
}

// segments are those that had begun.
func (h *History) segments() []store.Segment {
	all := h.store.Segments()
	if h.past == nil {
		return all
	}
	return slices.DeleteFunc(slices.Clone(all), func(s store.Segment) bool { return s.StartWallMS+s.ShiftMS > h.past.at })
}
