package agent

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// Bounds of a note, in characters.
const (
	maxNoteText   = 2000
	maxNoteAuthor = 160 // a name, and in brackets who was signed in
)

// Note is what a person wrote down: a filter changed, a leak mended, a meter
// read. It is never changed or deleted; a wrong one is corrected by a later
// one that names it.
type Note struct {
	Text string `json:"text"`
	// Subject is a machine, system, line or device of the site; empty: all of it,
	// or what the note that it corrects is about.
	Subject string `json:"subject,omitempty"`
	// Time is when it was so, as in a query: RFC 3339, a local date, now or an
	// age. Empty: the present, or the time of the note that it corrects.
	Time   string `json:"time,omitempty"`
	Author string `json:"author,omitempty"`
	// Corrects is the number of the note that this one puts right; 0: none.
	Corrects uint64 `json:"corrects,omitempty"`
	// Service names an item of the machine's service list that was done then;
	// "none" takes back what the note that it corrects says of one.
	Service string `json:"service,omitempty"`
	// HourMeter is what the machine's hour meter showed then, h.
	HourMeter *float64 `json:"hour_meter,omitempty"`
	// Found is the state in which a service item that was done was found.
	Found string `json:"found,omitempty"`
}

// FieldError is something wrong with one field of what a person sent. The
// message says how to mend it.
type FieldError struct{ Field, Message string }

// Error implements error.
func (e *FieldError) Error() string { return e.Field + ": " + e.Message }

func wrongField(field, format string, args ...any) error {
	return &FieldError{field, fmt.Sprintf(format, args...)}
}

// AddNote keeps a note; it is safe on disk when AddNote returns, or NotSafe is
// set: then it waits in memory for the disk, as readings do, and is not to be
// sent again. An error says that it was not kept; one of type *FieldError, what
// is wrong with it.
func (a *Agent) AddNote(n Note) (Event, error) {
	kept, err := a.addNote(n, a.Now())
	if err != nil {
		return Event{}, err
	}
	return a.keptSafe(kept), nil
}

// keptSafe tells the pages of an event that a person caused and makes it safe on
// disk; where the disk does not take it now, NotSafe is set.
func (a *Agent) keptSafe(kept store.Event) Event {
	e := EventOf(kept)
	a.tell("event", e)
	if err := a.store.Sync(); err != nil { // the journal logs it, the state shows it
		e.NotSafe = true
	}
	return e
}

func (h *History) addNote(n Note, now time.Time) (store.Event, error) {
	e, err := h.noteEvent(n, now)
	if err != nil {
		return e, err
	}
	if e, err = h.store.AppendEvent(e); err != nil {
		return e, fmt.Errorf("keep the note: %w", err)
	}
	return e, nil
}

// noteEvent checks a note and makes it an event.
func (h *History) noteEvent(n Note, now time.Time) (store.Event, error) {
	none := store.Event{}
	text, err := noteText("text", n.Text, maxNoteText)
	if err != nil {
		return none, err
	}
	if text == "" {
		return none, wrongField("text", "the note is empty: write what was done or seen")
	}
	author, err := noteText("author", n.Author, maxNoteAuthor)
	if err != nil {
		return none, err
	}
	if names := h.subjects(); n.Subject != "" && !slices.Contains(names, n.Subject) {
		return none, wrongField("subject", "%q is no machine, system, line or device of the site: use one of %s%s",
			n.Subject, strings.Join(names, ", "), didYouMean(n.Subject, names))
	}
	e := store.Event{Kind: kindNote, Subject: n.Subject, Text: text, WallMS: now.UnixMilli(),
		Data: map[string]string{"written": StampOf(now).String()}}
	if author != "" {
		e.Data["author"] = author
	}
	if n.Corrects != 0 {
		before, err := h.noteBySeq(n.Corrects)
		if err != nil {
			return none, err
		}
		e.WallMS, e.Data["corrects"] = before.WallMS, strconv.FormatUint(n.Corrects, 10)
		e.Subject = cmp.Or(n.Subject, before.Subject)
		for _, key := range []string{dataService, dataHourMeter, dataFound} { // what it does not put right stays
			if v := before.Data[key]; v != "" && n.Service != noService {
				e.Data[key] = v
			}
		}
	}
	if err := h.noteService(n, &e); err != nil {
		return none, err
	}
	if n.Time != "" {
		if e.WallMS, err = h.noteTime(n.Time, now); err != nil {
			return none, err
		}
	}
	return e, nil
}

// noteTime reads when it was so. A note is about the past; a minute is left for
// a clock that runs ahead.
func (h *History) noteTime(text string, now time.Time) (int64, error) {
	t, err := sitefile.ParseTime(text, now, h.site.Location, false)
	if err != nil {
		return 0, wrongField("time", "%v", err)
	}
	if t.After(now.Add(time.Minute)) {
		return 0, wrongField("time", "%s lies in the future: a note is about what was", t.In(h.site.Location).Format(time.RFC3339))
	}
	if t.Year() < 2000 {
		return 0, wrongField("time", "%s is before 2000: is the year right?", t.In(h.site.Location).Format(time.RFC3339))
	}
	return t.UnixMilli(), nil
}

// noteText checks what a person typed: line ends stay, other control characters
// have no business in a sentence.
func noteText(field, text string, most int) (string, error) {
	text = strings.TrimSpace(strings.ReplaceAll(text, "\r\n", "\n"))
	if !utf8.ValidString(text) {
		return "", wrongField(field, "it is not UTF-8 text")
	}
	if n := utf8.RuneCountInString(text); n > most {
		return "", wrongField(field, "it has %d characters, at most %d fit: write two", n, most)
	}
	if i := strings.IndexFunc(text, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' }); i >= 0 {
		return "", wrongField(field, "it holds a control character at byte %d: leave that out", i)
	}
	return text, nil
}

// subjects are the names that a note may be about.
func (h *History) subjects() []string {
	var names []string
	for i := range h.site.Machines {
		names = append(names, h.site.Machines[i].Name)
	}
	for i := range h.site.Systems {
		names = append(names, h.site.Systems[i].Name)
	}
	for i := range h.site.Lines {
		names = append(names, h.site.Lines[i].Name)
	}
	for i := range h.site.Devices {
		names = append(names, h.site.Devices[i].Name)
	}
	return names
}

func didYouMean(name string, names []string) string {
	if near := quantity.Nearest(name, names); near != "" {
		return fmt.Sprintf("; did you mean %q?", near)
	}
	return ""
}

func (h *History) noteBySeq(seq uint64) (store.Event, error) {
	found, err := h.store.EventsWhere(0, 0, 1, func(e *store.Event) bool { return e.Kind == kindNote && e.Seq == seq })
	if err != nil {
		return store.Event{}, err
	}
	if len(found) == 0 {
		return store.Event{}, wrongField("corrects", "there is no note of number %d: the number stands beside each note", seq)
	}
	return found[0], nil
}

// AddNoteStopped keeps a note in the store of a stopped agent. It fails with an
// error that wraps store.ErrLocked while one runs.
func AddNoteStopped(site *sitefile.Site, o Options, n Note) (Event, error) {
	return keepStopped(site, o, func(h *History, now time.Time) (store.Event, error) { return h.addNote(n, now) })
}

// keepStopped keeps what a person wrote in the store of a stopped agent.
func keepStopped(site *sitefile.Site, o Options, keep func(*History, time.Time) (store.Event, error)) (Event, error) {
	rec, err := OpenRecorder(site, o)
	if err != nil {
		return Event{}, err
	}
	_, wallMS := rec.history.clock.Now()
	kept, err := keep(rec.history, time.UnixMilli(wallMS))
	if err == nil {
		err = rec.history.store.Sync()
	}
	if cerr := rec.Close(); err != nil {
		return Event{}, errors.Join(err, cerr)
	} else if cerr != nil && o.Log != nil { // it is in the journal
		o.Log.Error("it is kept, but the store did not close well", "err", cerr)
	}
	return EventOf(kept), nil
}
