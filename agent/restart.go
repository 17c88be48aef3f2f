package agent

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

const (
	kindStarted = "agent_started"
	kindStopped = "agent_stopped"
	kindBroke   = "agent_broke_off"
	kindBehind  = "clock_behind"
)

// leastBehindMS is how far the clock may be behind the newest reading at a
// start and be nothing to speak of: a clock is set by that much all the time.
const leastBehindMS = 5000

// tellRestart says what the last run did not say itself: that it broke off, and
// that the clock is behind what it recorded. It comes before the first reading.
func (a *Agent) tellRestart() error {
	runs, err := a.store.EventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == kindStarted || e.Kind == kindStopped })
	if err != nil {
		return err
	}
	newestMS := a.store.Present().NewestMS
	if len(runs) > 0 {
		last := slices.MaxFunc(runs, func(x, y store.Event) int { return cmp.Compare(x.Seq, y.Seq) })
		if last.Kind == kindStarted {
			a.log.Warn("the last run broke off without being stopped: power cut, killed, or this is a backup made while it ran", "last_reading", Stamp(newestMS))
			if _, err := a.store.AppendEvent(store.Event{Kind: kindBroke, WallMS: max(newestMS, last.WallMS),
				Text: "recording broke off without being stopped: the power failed, the process was killed, or this record is a backup, made while it went on"}); err != nil {
				return err
			}
		}
	}
	behindMS := a.behindMS()
	if behindMS == 0 {
		return nil
	}
	local := func(ms int64) string { return time.UnixMilli(ms).In(a.site.Location).Format("2006-01-02 15:04:05") }
	text := fmt.Sprintf("this computer's clock says %s, but the record goes on until %s: the clock is %s behind it, or was ahead in an earlier run; if it is wrong now, set it",
		local(newestMS-behindMS), local(newestMS), spoken(behindMS))
	a.log.Warn(text)
	return a.note(kindBehind, "", text, map[string]string{"newest": Stamp(newestMS).String(), "behind_ms": fmt.Sprint(behindMS)})
}

// behindMS is how far the clock is behind the newest reading; 0: not to speak
// of, or nothing has been read.
func (a *Agent) behindMS() int64 {
	_, wallMS := a.clock.Now()
	if d := a.store.Present().NewestMS - wallMS; d > leastBehindMS {
		return d
	}
	return 0
}

// end is the present, or the newest reading where that is later: a window that
// names such a time must not come back empty because of the clock.
func (a *Agent) end() time.Time {
	_, wallMS := a.clock.Now()
	return time.UnixMilli(max(wallMS, a.store.Present().NewestMS+1))
}

// nearBreak is how far the end of what was read of one machine may lie from the
// last reading of all before recording broke off.
const nearBreak = time.Minute

// markBroken puts right the text of gaps at which recording was not stopped but
// broke off. The fold knows only that nobody read; a run may break off a minute
// after another was stopped, so the nearer end of the two is the gap's.
func (h *History) markBroken(page []Event) error {
	stopped := scan.AgentStopped.String()
	isGap := func(e Event) bool { return e.Kind == kindState && e.Data["reason"] == stopped }
	if !slices.ContainsFunc(page, isGap) {
		return nil
	}
	ends, err := h.store.EventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == kindBroke || e.Kind == kindStopped })
	if err != nil || len(ends) == 0 {
		return err
	}
	for i := range page {
		if !isGap(page[i]) {
			continue
		}
		begun := time.UnixMilli(int64(page[i].Time))
		if page[i].Data["from"] == "unobserved" {
			lasted, err := time.ParseDuration(page[i].Data["lasted_s"] + "s")
			if err != nil {
				continue // not one of ours
			}
			begun = begun.Add(-lasted)
		}
		far := func(e store.Event) time.Duration { return begun.Sub(time.UnixMilli(e.WallMS)).Abs() }
		end := slices.MinFunc(ends, func(x, y store.Event) int { return cmp.Compare(far(x), far(y)) })
		if end.Kind == kindBroke && far(end) <= nearBreak {
			page[i].Text = strings.Replace(page[i].Text, "("+stopped+")", "(recording broke off)", 1)
		}
	}
	return nil
}
