package alarm

import (
	"strconv"
	"time"
)

// State is what a Record says has become of an alarm.
type State string

// The states of a record.
const (
	Raised       State = "raised"
	Returned     State = "returned"
	Acknowledged State = "acknowledged"
	Shelved      State = "shelved"
	Unshelved    State = "unshelved"
)

// Record is one entry of the history. It is stored as an event whose data are those
// of Data.
type Record struct {
	State    State
	ID       string // of the alarm; empty where a rule is shelved
	Rule, On string
	Subject  string // empty where a whole rule is shelved
	Part     string
	Priority string
	Says     string // a sentence without the rule's name
	AtMS     int64  // wall time
	MonoMS   int64
	SinceMS  int64 // wall time; of a raised one since when it was so, of a returned one since when it is not
	AtLeast  bool  // since then at least
	Value    *float64
	Limit    *float64
	Unit     string
	Of       int64 // a code, where the point sees several things in turn
	UntilMS  int64 // of a shelved one
	Who, Why string
	// Times is how often the point was raised within the hour, HeldBack how many of
	// these were not told since the last message.
	Times, HeldBack int
	// Told is whether it is to go out as a message; of an unshelved one, whether what
	// was raised meanwhile was told with it. One that is unshelved while nobody records
	// is told at the next start.
	Told bool
}

const stampLayout = "2006-01-02T15:04:05.000Z"

func stamp(ms int64) string { return time.UnixMilli(ms).UTC().Format(stampLayout) }

func fromStamp(text string) int64 {
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		return 0
	}
	return t.UnixMilli()
}

// Data is what is stored of a record beside its time, subject and text.
func (r *Record) Data() map[string]string {
	data := map[string]string{"state": string(r.State), "rule": r.Rule, "on": r.On, "subject": r.Subject, "priority": r.Priority}
	text := func(key, v string) {
		if v != "" {
			data[key] = v
		}
	}
	text("id", r.ID)
	text("part", r.Part)
	text("says", r.Says)
	text("who", r.Who)
	text("why", r.Why)
	if r.SinceMS != 0 {
		data["since"] = stamp(r.SinceMS)
	}
	if r.AtLeast {
		data["since_at_least"] = "true"
	}
	if r.UntilMS != 0 {
		data["until"] = stamp(r.UntilMS)
	}
	if r.Told {
		data["told"] = "true"
	}
	number := func(key string, v *float64) {
		if v != nil {
			data[key] = strconv.FormatFloat(*v, 'g', -1, 64)
			data["unit"] = r.Unit
		}
	}
	number("value", r.Value)
	number("limit", r.Limit)
	if r.Of != 0 {
		data["code"] = strconv.FormatInt(r.Of, 10)
	}
	if r.Times > 1 {
		data["times"] = strconv.Itoa(r.Times)
	}
	if r.HeldBack > 0 {
		data["held_back"] = strconv.Itoa(r.HeldBack)
	}
	return data
}

// RecordOf reads a stored record; ok is false where it is none.
func RecordOf(wallMS int64, data map[string]string) (r Record, ok bool) {
	r = Record{State: State(data["state"]), ID: data["id"], Rule: data["rule"], On: data["on"], Subject: data["subject"], Part: data["part"],
		Priority: data["priority"], Says: data["says"], AtMS: wallMS, SinceMS: fromStamp(data["since"]), AtLeast: data["since_at_least"] == "true",
		UntilMS: fromStamp(data["until"]), Who: data["who"], Why: data["why"], Told: data["told"] == "true", Unit: data["unit"]}
	number := func(key string) *float64 {
		v, err := strconv.ParseFloat(data[key], 64)
		if err != nil {
			return nil
		}
		return &v
	}
	r.Value, r.Limit = number("value"), number("limit")
	count := func(key string) int64 { // 0 where it is not there
		n, err := strconv.ParseInt(data[key], 10, 64)
		if err != nil {
			return 0
		}
		return n
	}
	r.Times, r.HeldBack, r.Of = int(count("times")), int(count("held_back")), count("code")
	switch r.State {
	case Raised, Returned, Acknowledged, Shelved, Unshelved:
		return r, r.Rule != ""
	}
	return r, false
}

// Text is the record as a sentence of the history, for people of a place.
func (r *Record) Text(at *time.Location) string {
	text := r.Rule
	if r.Subject != "" && (r.State == Shelved || r.State == Unshelved) {
		text += " of " + r.Subject
	}
	text += ", " + string(r.State)
	if r.State == Shelved {
		text += " until " + time.UnixMilli(r.UntilMS).In(at).Format("Mon 2006-01-02 15:04")
	}
	if r.Who != "" {
		text += " by " + r.Who
	}
	switch {
	case r.Says != "":
		text += ": " + r.Says
	case r.Why != "":
		text += ": " + r.Why
	}
	if r.Says != "" && r.Why != "" {
		text += " (" + r.Why + ")"
	}
	if r.State == Raised && r.Times > 1 {
		text += "; raised " + strconv.Itoa(r.Times) + " times within the hour"
	}
	return text
}
