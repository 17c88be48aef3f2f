package agent

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"loadscribe/agent/air"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// kindLeakTag is what a person says of a leak that they tagged. The number of its
// first event is the tag's; later ones change it, and none is ever deleted.
const kindLeakTag = "leak_tag"

// What can be said of a tag.
const (
	tagFound    = "found"
	tagMended   = "mended"
	tagAgain    = "again"    // it leaks again
	tagCorrect  = "correct"  // what was said of it was wrong
	tagWithdraw = "withdraw" // it is none
)

// Bounds of a tag. A hole larger than that is heard across the street.
const (
	maxTagPlace  = 200
	mostHoleM    = 0.05
	sharpEdge    = 0.65 // the jet's area by the hole's, of a sharp edge (0.61 to 0.65: handbook, read)
	tagGuess     = 0.5  // a hole's flow guessed by eye is within half (assumed: common practice, no source)
	coveringTags = 2    // standard uncertainties to 95 %
)

// LeakTagEntry is what a person says of a leak.
type LeakTagEntry struct {
	// Action is found, mended, again, correct or withdraw; empty: found.
	Action string `json:"action,omitempty"`
	// Tag is the number of the tag that is meant; 0: a new one.
	Tag    uint64 `json:"tag,omitempty"`
	System string `json:"system,omitempty"` // of a new one; may be empty where the site has one
	Place  string `json:"place,omitempty"`
	// Hole is the diameter of a round hole that would hiss as loud, as text with its
	// unit: "1/8 in", "3 mm". Empty: no size was guessed.
	Hole string `json:"hole,omitempty"`
	// Coefficient is the jet's area by the hole's; 0: a sharp edge's.
	Coefficient float64 `json:"coefficient,omitempty"`
	Who         string  `json:"who"`
	What        string  `json:"what,omitempty"` // what was seen or done, or why
	// Time is when it was so, as in a note; empty: the present, or of a correction
	// what it was.
	Time string `json:"time,omitempty"`
}

// LeakTag is a leak as its entries leave it.
type LeakTag struct {
	Tag         uint64   `json:"tag"`
	System      string   `json:"system"`
	Place       string   `json:"place"`
	State       string   `json:"state"` // open, mended or withdrawn
	HoleM       *float64 `json:"hole_m"`
	Coefficient float64  `json:"coefficient"`
	// FlowM3S is what leaves such a hole at the pressure of the list, free air.
	FlowM3S  *float64 `json:"flow_m3s"`
	Found    Stamp    `json:"found"`
	FoundBy  string   `json:"found_by"`
	Mended   Stamp    `json:"mended"` // null unless mended
	MendedBy string   `json:"mended_by"`
	// Entries are all that was said of it, the first first.
	Entries []LeakTagSaid `json:"entries"`
}

// LeakTagSaid is one entry of a tag.
type LeakTagSaid struct {
	Seq    uint64 `json:"seq"`
	Action string `json:"action"`
	Time   Stamp  `json:"time"`
	Who    string `json:"who"`
	What   string `json:"what"`
}

// TagLeak keeps what a person says of a leak. An error of type *FieldError says
// what is wrong with it.
func (a *Agent) TagLeak(t LeakTagEntry) (Event, error) {
	a.tagging.Lock() // what may be said of a tag depends on what was said before
	kept, err := a.History.tagLeak(t, a.Now())
	a.tagging.Unlock()
	if err != nil {
		return Event{}, err
	}
	return a.keptSafe(kept), nil
}

// TagLeakStopped is TagLeak for the store of a stopped agent. It fails with an
// error that wraps store.ErrLocked while one runs.
func TagLeakStopped(site *sitefile.Site, o Options, t LeakTagEntry) (Event, error) {
	return keepStopped(site, o, func(h *History, now time.Time) (store.Event, error) { return h.tagLeak(t, now) })
}

func (h *History) tagLeak(t LeakTagEntry, now time.Time) (store.Event, error) {
	e, err := h.tagEvent(t, now)
	if err != nil {
		return e, err
	}
	if e, err = h.store.AppendEvent(e); err != nil {
		return e, fmt.Errorf("keep the leak tag: %w", err)
	}
	return e, nil
}

// tagEvent checks an entry and makes it an event.
func (h *History) tagEvent(t LeakTagEntry, now time.Time) (e store.Event, err error) {
	var before *LeakTag
	if t.Tag != 0 {
		all, err := h.leakTags()
		if err != nil {
			return e, err
		}
		i := slices.IndexFunc(all, func(x LeakTag) bool { return x.Tag == t.Tag })
		if i < 0 {
			return e, wrongField("tag", "there is no leak tag of number %d: the number stands beside each", t.Tag)
		}
		before = &all[i]
	}
	if t.Action == "" {
		t.Action = tagFound
	}
	if err := t.mayFollow(before); err != nil {
		return e, err
	}
	e = store.Event{Kind: kindLeakTag, WallMS: now.UnixMilli(), Data: map[string]string{"action": t.Action, "written": StampOf(now).String()}}
	if err := t.words(&e); err != nil {
		return e, err
	}
	if err := t.size(&e, before); err != nil {
		return e, err
	}
	if e.Subject, err = h.tagSystem(t.System, before); err != nil {
		return e, err
	}
	if before != nil {
		e.Data["tag"] = strconv.FormatUint(t.Tag, 10)
		if t.Action == tagCorrect {
			e.WallMS = int64(before.Found)
		}
	}
	if t.Time != "" {
		if e.WallMS, err = h.noteTime(t.Time, now); err != nil {
			return e, err
		}
	}
	local := func(ms int64) string { return time.UnixMilli(ms).In(h.site.Location).Format("2006-01-02 15:04") }
	// A date alone is its midnight: what was found and mended on one day may stand so.
	if before != nil && t.Action != tagCorrect && e.WallMS <= before.lastMS()-24*time.Hour.Milliseconds() {
		return e, wrongField("time", "%s is before %s, when tag %d came to be %s", local(e.WallMS), local(before.lastMS()), t.Tag, before.State)
	}
	if mended := before.firstMendedMS(); t.Action == tagCorrect && mended != 0 && e.WallMS >= mended+24*time.Hour.Milliseconds() {
		return e, wrongField("time", "%s is after %s, when tag %d was mended", local(e.WallMS), local(mended), t.Tag)
	}
	e.Text = t.text(before, e.Data)
	return e, nil
}

// mayFollow reports whether that can be said of a tag as it stands.
func (t *LeakTagEntry) mayFollow(before *LeakTag) error {
	state := ""
	if before != nil {
		state = before.State
	}
	switch {
	case !slices.Contains([]string{tagFound, tagMended, tagAgain, tagCorrect, tagWithdraw}, t.Action):
		return wrongField("action", "%q cannot be said of a leak: use found, mended, again, correct or withdraw", t.Action)
	case t.Action == tagFound && before != nil:
		return wrongField("tag", "a leak that is found gets a number of its own: leave it out, or use again or correct")
	case t.Action != tagFound && before == nil:
		return wrongField("tag", "say which: the number stands beside each tag")
	case state == "withdrawn":
		return wrongField("tag", "tag %d was taken back: write a new one", t.Tag)
	case t.Action == tagMended && state != "open":
		return wrongField("tag", "tag %d is mended already", t.Tag)
	case t.Action == tagAgain && state != "mended":
		return wrongField("tag", "tag %d is not mended, so it cannot leak again", t.Tag)
	}
	return nil
}

// words checks who, where and what.
func (t *LeakTagEntry) words(e *store.Event) error {
	for _, f := range []struct {
		name, text, missing string
		most                int
		must                bool
	}{
		{"who", t.Who, "say who writes this", maxNoteAuthor, true},
		{"place", t.Place, "say where it is, so that another finds it", maxTagPlace, t.Action == tagFound},
		{"what", t.What, "say why: it stands beside the tag", maxNoteText, t.Action == tagWithdraw},
	} {
		text, err := noteText(f.name, f.text, f.most)
		switch {
		case err != nil:
			return err
		case text == "" && f.must:
			return wrongField(f.name, "%s", f.missing)
		case text != "":
			e.Data[f.name] = text
		}
	}
	return nil
}

// size reads the hole; what is sent is kept in metres. A hole that is put right
// keeps the coefficient that the tag had.
func (t *LeakTagEntry) size(e *store.Event, before *LeakTag) error {
	if t.Action != tagFound && t.Action != tagCorrect {
		switch {
		case e.Data["place"] != "":
			return wrongField("place", "it is put right by correct")
		case strings.TrimSpace(t.Hole) != "":
			return wrongField("hole", "it is put right by correct")
		case t.Coefficient != 0:
			return wrongField("coefficient", "it is put right by correct")
		}
		return nil
	}
	if c := t.Coefficient; c != 0 && !(c > 0 && c <= 1) {
		return wrongField("coefficient", "%g: it is above 0 and at most 1; a sharp edge has 0.61 to 0.65", c)
	}
	text := strings.TrimSpace(t.Hole)
	if text == "" {
		if t.Coefficient != 0 && t.Action == tagFound {
			return wrongField("hole", "a coefficient belongs to a hole: write its diameter, or leave both out")
		}
		if t.Coefficient != 0 {
			e.Data["coefficient"] = strconv.FormatFloat(t.Coefficient, 'g', -1, 64)
		}
		return nil
	}
	d, err := quantity.ParseLength(text)
	switch {
	case err != nil:
		return wrongField("hole", "%v", err)
	case !(d > 0 && d <= mostHoleM):
		return wrongField("hole", "%q: a leak's hole is above nothing and at most 50 mm (2 in) wide", text)
	}
	c := t.Coefficient
	if c == 0 {
		if c = sharpEdge; before != nil {
			c = before.Coefficient
		}
	}
	e.Data["hole_m"], e.Data["hole"] = strconv.FormatFloat(d, 'g', -1, 64), text
	e.Data["coefficient"] = strconv.FormatFloat(c, 'g', -1, 64)
	return nil
}

func (h *History) tagSystem(name string, before *LeakTag) (string, error) {
	var names []string
	for i := range h.site.Systems {
		names = append(names, h.site.Systems[i].Name)
	}
	switch {
	case before != nil && (name == "" || name == before.System):
		return before.System, nil
	case before != nil:
		return "", wrongField("system", "tag %d is of system %s", before.Tag, before.System)
	case name == "" && len(names) == 1:
		return names[0], nil
	case len(names) == 0:
		return "", wrongField("system", "the site file has no [[system]], of which a leak would be: add one")
	case !slices.Contains(names, name):
		return "", wrongField("system", "%q is no system of the site: use one of %s%s", name, strings.Join(names, ", "), didYouMean(name, names))
	}
	return name, nil
}

// text is the entry as a sentence.
func (t *LeakTagEntry) text(before *LeakTag, data map[string]string) string {
	var s string
	switch t.Action {
	case tagFound:
		s = "leak found at " + data["place"]
		if data["hole"] != "" {
			s += ", like a hole of " + data["hole"]
		}
	case tagMended:
		s = fmt.Sprintf("leak %d mended at %s", before.Tag, before.Place)
	case tagAgain:
		s = fmt.Sprintf("leak %d leaks again at %s", before.Tag, before.Place)
	case tagCorrect:
		s = fmt.Sprintf("leak %d put right", before.Tag)
	case tagWithdraw:
		s = fmt.Sprintf("leak %d taken back", before.Tag)
	}
	if data["what"] != "" {
		s += ": " + data["what"]
	}
	return s
}

// leakTags are all tags as their entries leave them, the first found first.
func (h *History) leakTags() ([]LeakTag, error) {
	events, err := h.eventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == kindLeakTag })
	if err != nil {
		return nil, fmt.Errorf("read the leak tags: %w", err)
	}
	slices.SortFunc(events, func(a, b store.Event) int { return int(int64(a.Seq) - int64(b.Seq)) })
	tags, at := []LeakTag{}, map[uint64]int{}
	for i := range events {
		e := &events[i]
		seq := e.Seq
		if text := e.Data["tag"]; text != "" {
			if seq, err = strconv.ParseUint(text, 10, 64); err != nil {
				continue // of a later version
			}
		}
		k, known := at[seq]
		if !known {
			if e.Data["action"] != tagFound {
				continue // of a tag that lies elsewhere
			}
			k, at[seq] = len(tags), len(tags)
			tags = append(tags, LeakTag{Tag: seq, System: e.Subject, State: "open", Coefficient: sharpEdge, Found: Stamp(e.WallMS), FoundBy: e.Data["who"]})
		}
		tags[k].take(e)
	}
	slices.SortStableFunc(tags, func(a, b LeakTag) int { return int(int64(a.Found) - int64(b.Found)) })
	return tags, nil
}

// lastMS is when it came to be as it is: found, mended or leaking again.
func (t *LeakTag) lastMS() int64 {
	last := int64(t.Found)
	for i := range t.Entries {
		if a := t.Entries[i].Action; a == tagMended || a == tagAgain {
			last = int64(t.Entries[i].Time)
		}
	}
	return last
}

// firstMendedMS is when it was mended for the first time; 0: never, or no tag.
func (t *LeakTag) firstMendedMS() int64 {
	if t == nil {
		return 0
	}
	for i := range t.Entries {
		if t.Entries[i].Action == tagMended {
			return int64(t.Entries[i].Time)
		}
	}
	return 0
}

func (t *LeakTag) take(e *store.Event) {
	action := e.Data["action"]
	t.Entries = append(t.Entries, LeakTagSaid{Seq: e.Seq, Action: action, Time: Stamp(e.WallMS), Who: e.Data["who"], What: e.Data["what"]})
	if v := e.Data["place"]; v != "" && (action == tagFound || action == tagCorrect) {
		t.Place = v
	}
	if v, err := strconv.ParseFloat(e.Data["hole_m"], 64); err == nil {
		t.HoleM = &v
	}
	if v, err := strconv.ParseFloat(e.Data["coefficient"], 64); err == nil {
		t.Coefficient = v
	}
	switch action {
	case tagCorrect:
		t.Found = Stamp(e.WallMS)
	case tagMended:
		t.State, t.Mended, t.MendedBy = "mended", Stamp(e.WallMS), e.Data["who"]
	case tagAgain:
		t.State, t.Mended, t.MendedBy = "open", 0, ""
	case tagWithdraw:
		t.State = "withdrawn"
	}
}

// holeFlowM3S is what leaves a hole at a gauge pressure, as free air at the inlet;
// ok is false where it would not be at the speed of sound.
func holeFlowM3S(site *sitefile.Site, holeM, coefficient, gaugePa float64) (m3s float64, ok bool) {
	before := gaugePa + site.BarometerPa
	if !air.Choked(before, site.BarometerPa) {
		return 0, false
	}
	free := air.Condition{PressurePa: site.BarometerPa, TemperatureK: air.InletMiddleK}
	return air.OrificeKgS(coefficient, holeM, before, air.InletMiddleK) / free.Density(), true
}

// guessU is the standard uncertainty of a flow guessed by eye.
func guessU(flowM3S float64) float64 { return tagGuess * flowM3S / math.Sqrt(3) }
