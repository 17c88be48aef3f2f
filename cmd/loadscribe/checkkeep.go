package main

import (
	"errors"
	"fmt"
	"time"

	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// rawKept is what keep_raw will cost, as JSON and as a line of text: a 40 that
// was meant to be 400 is seen before it acts.
type rawKept struct {
	Days  int      `json:"days"`
	Drops []string `json:"drops"` // days of UTC, in the order of recording
	Note  string   `json:"note,omitempty"`
}

// keepRaw looks into a stopped store for the days beyond those to keep; nil
// where everything is kept.
func keepRaw(site *sitefile.Site) *rawKept {
	if site.Agent.KeepRawDays == 0 {
		return nil
	}
	k := &rawKept{Days: site.Agent.KeepRawDays, Drops: []string{}}
	data, err := store.OpenReadOnly(site.Agent.DataDir, store.Options{})
	switch {
	case errors.Is(err, store.ErrNoStore):
		k.Note = "nothing is recorded yet"
		return k
	case errors.Is(err, store.ErrLocked):
		k.Note = "the agent runs; what a shorter time drops when it is started again, check says while it is stopped"
		return k
	}
	if err == nil {
		var days []store.Dropped
		days, err = data.RawBeyond(k.Days)
		for _, d := range days {
			k.Drops = append(k.Drops, time.UnixMilli(d.DayMS).UTC().Format(time.DateOnly))
		}
		err = errors.Join(err, data.Close())
	}
	if err != nil {
		k.Note = fmt.Sprintf("what is recorded cannot be looked at: %v", err)
	}
	return k
}

// String says it in a line.
func (k *rawKept) String() string {
	text := fmt.Sprintf("keep_raw: kept are the raw readings of %d whole days beside the newest", k.Days)
	if k.Days == 1 {
		text = "keep_raw: kept are the raw readings of one whole day beside the newest"
	}
	switch n := len(k.Drops); {
	case k.Note != "":
		return text + "; " + k.Note
	case n == 0:
		return text + "; nothing is older"
	case n == 1:
		return text + "; those of " + k.Drops[0] + " (UTC) will be dropped when the agent runs; its figures and curves by the minute stay"
	default:
		return fmt.Sprintf("%s; those of %d days, %s to %s (UTC), will be dropped when the agent runs; their figures and curves by the minute stay",
			text, n, k.Drops[0], k.Drops[n-1])
	}
}
