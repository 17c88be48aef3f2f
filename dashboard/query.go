package dashboard

import (
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"loadscribe/agent/sitefile"
)

// Bounds of what one request may ask for.
const (
	maxQueryBytes  = 8 << 10
	maxChannels    = 64
	defaultPoints  = 1000
	maxPoints      = 20000
	defaultEvents  = 200
	maxEvents      = 10000
	defaultWindow  = 24 * time.Hour
	listedInErrors = 12 // names an error lists before it says "…"
)

// query reads the parameters of one request and keeps the first thing wrong.
type query struct {
	values url.Values
	err    *apiError
}

// parseQuery refuses what cannot be meant: an unknown name is a misspelt one,
// and a parameter given twice where one is wanted would be half ignored.
func parseQuery(raw string, single []string, repeated ...string) *query {
	if len(raw) > maxQueryBytes {
		return &query{err: badParameter("", "the query is longer than %d bytes: ask for fewer channels", maxQueryBytes)}
	}
	values, err := url.ParseQuery(raw)
	if err != nil {
		return &query{err: badParameter("", "the query cannot be read: %v", err)}
	}
	q := &query{values: values}
	for _, name := range sortedKeys(values) {
		switch {
		case slices.Contains(repeated, name):
		case !slices.Contains(single, name):
			known := "this address takes none"
			if all := slices.Concat(single, repeated); len(all) > 0 {
				known = "use " + strings.Join(all, ", ")
			}
			q.fail(badParameter(name, "parameter %q is not known here: %s", name, known))
		case len(values[name]) > 1:
			q.fail(badParameter(name, "parameter %q is given %d times: give it once", name, len(values[name])))
		}
	}
	return q
}

func sortedKeys(v url.Values) []string {
	keys := make([]string, 0, len(v))
	for k := range v {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

func (q *query) fail(e *apiError) {
	if q.err == nil {
		q.err = e
	}
}

func (q *query) text(name string) string { return q.values.Get(name) }

// number returns an integer between 1 and most.
func (q *query) number(name string, otherwise, most int) int {
	text := q.text(name)
	if text == "" {
		return otherwise
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 || n > most {
		q.fail(badParameter(name, "%s %q: use a whole number from 1 to %d", name, text, most))
		return otherwise
	}
	return n
}

// choice returns one of the words; the first is the default.
func (q *query) choice(name string, words ...string) string {
	text := q.text(name)
	if text == "" {
		return words[0]
	}
	if !slices.Contains(words, text) {
		q.fail(badParameter(name, "%s %q is not known: use %s", name, text, strings.Join(words, " or ")))
	}
	return text
}

// window returns from and to in Unix milliseconds.
func (q *query) window(now time.Time, loc *time.Location, needFrom bool) (fromMS, toMS int64) {
	to := q.time("to", now, now, loc, true)
	if needFrom && q.text("from") == "" {
		q.fail(badParameter("from", "from is missing: give a local date, an RFC 3339 time or an age such as -7d"))
	}
	from := q.time("from", to.Add(-defaultWindow), now, loc, false)
	if q.err == nil && !from.Before(to) {
		q.fail(badParameter("from", "from (%s) is not before to (%s)",
			from.In(loc).Format(time.RFC3339), to.In(loc).Format(time.RFC3339)))
	}
	return from.UnixMilli(), to.UnixMilli()
}

// The times that are accepted; outside it a year was misspelt. The far end
// leaves room for sums of milliseconds in 64 bits.
const firstYear, lastYear = 1970, 2200

func (q *query) time(name string, otherwise, now time.Time, loc *time.Location, isEnd bool) time.Time {
	text := q.text(name)
	if text == "" {
		return otherwise
	}
	t, err := sitefile.ParseTime(text, now, loc, isEnd)
	if err != nil {
		q.fail(badParameter(name, "%s: %v", name, err))
		return otherwise
	}
	if y := t.UTC().Year(); y < firstYear || y > lastYear {
		q.fail(badParameter(name, "%s %q is in the year %d: use one from %d to %d", name, text, y, firstYear, lastYear))
		return otherwise
	}
	return t
}

// reachBack lets a window whose begin nobody names begin so long before its end.
func (q *query) reachBack(now time.Time, loc *time.Location, by time.Duration) {
	if q.err == nil && q.text("from") == "" {
		to := q.time("to", now, now, loc, true)
		q.values.Set("from", to.Add(-by).UTC().Format(time.RFC3339Nano))
	}
}

// list joins names for an error message.
func list(names []string) string {
	if len(names) == 0 {
		return "none"
	}
	if len(names) > listedInErrors {
		return strings.Join(names[:listedInErrors], ", ") + ", …"
	}
	return strings.Join(names, ", ")
}
