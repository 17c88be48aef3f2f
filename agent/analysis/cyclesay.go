package analysis

import (
	"fmt"
	"math"
	"time"

	"loadscribe/agent/sitefile"
)

// cycleSentences say what the cycles and starts show.
func (s *sheet) cycleSentences(out *Cycles, m *sitefile.Machine) (all []string) {
	if s.g.total.observedMS() == 0 {
		return nil
	}
	if text := s.sayLoads(out, m); text != "" {
		all = append(all, text)
	}
	if text := s.sayStarts(&out.Starts); text != "" {
		all = append(all, text)
	}
	if text := sayGuard(&out.Starts, m.LeastBetweenStarts); text != "" {
		all = append(all, text)
	}
	if text := out.Storage.say(); text != "" {
		all = append(all, text)
	}
	return all
}

// sayLoads is how often and how long it loaded.
func (s *sheet) sayLoads(out *Cycles, m *sitefile.Machine) string {
	n := s.g.total.loads
	switch {
	case out.Absent != "":
		return ""
	case n == 0 && m.Control.PartLoad() && s.g.total.runningMS() > 0:
		return "It never unloaded: it gives as much air as is drawn."
	case n == 0:
		return "It was never seen to load."
	}
	text := fmt.Sprintf("It loaded %s%s", s.atLeastText(), times(n))
	medians, whole := map[string]float64{}, int64(0)
	for _, l := range out.Lengths {
		medians[l.What] = l.MedianS
		if l.What == LengthLoaded {
			whole = int64(l.Count)
		}
	}
	loaded, ok := medians[LengthLoaded]
	if !ok {
		return text + "."
	}
	text += fmt.Sprintf(", half of the times for less than %s", inWords(int64(1000*loaded)))
	if pause, ok := medians[LengthReload]; ok {
		text += fmt.Sprintf("; between two loads it ran unloaded for %s (median)", inWords(int64(1000*pause)))
	}
	if whole < n {
		text += fmt.Sprintf("; %d of them were seen whole, from load to unload, and are in the bars: the others were cut by the window or a gap", whole)
	}
	return text + "."
}

func times(n int64) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

func (s *sheet) atLeastText() string {
	if s.partial {
		return "at least "
	}
	return ""
}

// sayStarts holds the starts to their limit and says what they come from.
func (s *sheet) sayStarts(seen *StartsSeen) string {
	if !s.g.sp.hasStates {
		return ""
	}
	if seen.Total == 0 {
		return "No start was seen."
	}
	text := fmt.Sprintf("It started %s%s, at most %s within 60 minutes", s.atLeastText(), times(int64(seen.Total)), times(int64(seen.Most)))
	switch {
	case seen.Limit == nil:
	case seen.Over > 0:
		text += fmt.Sprintf(": more than the %.0f that the motor bears, by %s", *seen.Limit, counted(seen.Over, "start", "starts"))
	default:
		text += fmt.Sprintf("; the limit is %.0f", *seen.Limit)
	}
	if seen.NoLoadStop != nil {
		text += ". It stops by itself: " + seen.StopBasis
	}
	return text + "."
}

// sayGuard holds the starts to the controller's guard of the motor.
func sayGuard(seen *StartsSeen, guard time.Duration) string {
	if guard == 0 {
		return ""
	}
	text := fmt.Sprintf("The site file says that the controller lets at least %s pass from start to start (least_between_starts)", inWords(guard.Milliseconds()))
	shortest := int64(math.MaxInt64)
	for i := 1; i < len(seen.List); i++ {
		shortest = min(shortest, int64(math.Abs(float64(msOf(seen.List[i].At)-msOf(seen.List[i-1].At)))))
	}
	const slack = 5000 // ms: when a start is seen hangs on when it is read
	switch {
	case shortest == math.MaxInt64:
	case shortest < guard.Milliseconds()-slack:
		text += fmt.Sprintf(", yet %s is the shortest of the listed: the setting is another one, or somebody started it by hand", inWords(shortest))
	default:
		text += fmt.Sprintf("; the shortest of the listed is %s", inWords(shortest))
	}
	return text + "."
}

// msOf reads a stamp of our own.
func msOf(text string) int64 {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		panic("a stamp of our own: " + err.Error())
	}
	return t.UnixMilli()
}

// say holds the cycles to the storage.
func (o *CycleStorage) say() string {
	if o.SeenS == nil || o.FillS == nil {
		return ""
	}
	off := o.seen.Minus(o.fill)
	both := fmt.Sprintf("full flow would fill the band in %.1f s by the cycles and in %.1f ± %.1f s by the storage", *o.SeenS, *o.FillS, *o.FillU)
	switch wrong := coverageFactor * off.U(); {
	case math.Abs(off.V) <= wrong:
		return "Its cycles are as long as the storage makes them, within what we can be wrong by: " + both + "."
	case off.V < 0:
		return "Its cycles are shorter than the storage should make them, by more than we can be wrong by: " + both +
			". Look for a vessel that is shut off, water in the receiver, a filter or valve that throttles between machine and receiver."
	}
	return "Its cycles are longer than the storage should make them, by more than we can be wrong by: " + both +
		". Look for a vessel that the site file does not name, or a machine that gives less than its full flow."
}
