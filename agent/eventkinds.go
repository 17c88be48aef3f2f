package agent

import (
	"slices"
	"strings"

	"loadscribe/agent/analysis"
	"loadscribe/agent/store"
)

// eventKinds are the kinds of event that this version makes; docs/events.md
// explains each.
var eventKinds = [...]string{
	kindState, kindFault, kindNote, kindLeakTag, kindConfig, "line_down", "line_up", kindLineWedged, kindLoopWedged, "device_down", "device_up",
	kindCounterWrapped, kindCounterReset, "clock_step", "clock_not_set", "clock_set", kindBehind, "computer_slept",
	kindBroke, kindStoreDown, kindStoreUp,
	"agent_started", "agent_stopped", "data_damaged", store.KindEvidenceBegan, store.KindEvidenceKey, store.KindDropped, store.KindRawDropped, "backup_made",
	"keeping_failed", "levels", "hookup", "spot_reading", "calibration", analysis.KindTest,
	store.KindImport, store.KindImportUndone, kindAligned, kindAudit, kindAlarm, kindSignIn,
}

// checkQuery refuses a kind or a subject that there cannot be, lest a slip of
// the pen reads as "nothing happened". One that is no longer made, or no longer
// in the site file, is good while there is an event of it.
func (h *History) checkQuery(q *EventQuery) error {
	for _, kind := range q.Kinds {
		if slices.Contains(eventKinds[:], kind) {
			continue
		}
		if kept, err := h.anyEvent(func(e *store.Event) bool { return e.Kind == kind }); err != nil {
			return err
		} else if !kept {
			return wrongField("kind", "%q is no kind of event: use %s%s", kind, strings.Join(eventKinds[:], ", "), didYouMean(kind, eventKinds[:]))
		}
	}
	names := h.subjects()
	for _, subject := range q.Subjects {
		if slices.Contains(names, subject) {
			continue
		}
		if kept, err := h.anyEvent(func(e *store.Event) bool { return e.Subject == subject }); err != nil {
			return err
		} else if !kept {
			return wrongField("subject", "%q is no machine, system, line or device of the site, and nothing is stored of it: use one of %s%s",
				subject, strings.Join(names, ", "), didYouMean(subject, names))
		}
	}
	return nil
}

func (h *History) anyEvent(is func(*store.Event) bool) (bool, error) {
	kept, err := h.store.EventsWhere(0, 0, 1, is)
	return len(kept) > 0, err
}
