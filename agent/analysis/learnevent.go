package analysis

import (
	"fmt"
	"strconv"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// LevelsEvent is the kind of the event that makes levels hold: a calibration.
// The last one of a machine counts, for all of its record; what it replaces
// stays in the store.
const LevelsEvent = "levels"

// Threshold is a level with hysteresis, in fixed-point counts: from On up, and
// until it falls below Off.
type Threshold struct{ On, Off int64 }

// Levels tell a machine's states from one channel. They are kept in counts, so
// that a scale that is put right later does not move them.
type Levels struct {
	Channel   string // "device.channel"
	Kind      scan.Kind
	Run, Load *Threshold // nil: not told
	Method    string     // how they came about, in words
	Version   uint64     // number of the event; 0: not kept yet
}

// Calibrations are the levels that hold, by machine.
type Calibrations map[string]Levels

// Event is the calibration as the store keeps it. The text names values as
// they read now.
func (l *Levels) Event(machine, text string) store.Event {
	d := map[string]string{"channel": l.Channel, "kind": strconv.Itoa(int(l.Kind)), "method": l.Method}
	put := func(name string, t *Threshold) {
		if t != nil {
			d[name+"_on"], d[name+"_off"] = strconv.FormatInt(t.On, 10), strconv.FormatInt(t.Off, 10)
		}
	}
	put("run", l.Run)
	put("load", l.Load)
	return store.Event{Kind: LevelsEvent, Subject: machine, Text: text, Data: d}
}

// CalibrationsOf reads calibrations from events in their order. Of several of
// one machine the one with the greatest number holds. An event that names no
// level takes the machine's calibration back: the assumed levels hold again.
func CalibrationsOf(events []store.Event) Calibrations {
	all := Calibrations{}
	seen := map[string]uint64{}
	for i := range events {
		e := &events[i]
		if e.Kind != LevelsEvent || e.Seq < seen[e.Subject] {
			continue
		}
		seen[e.Subject] = e.Seq
		delete(all, e.Subject)
		if l, ok := levelsOf(e); ok {
			all[e.Subject] = l
		}
	}
	return all
}

func levelsOf(e *store.Event) (Levels, bool) {
	kind, err := strconv.Atoi(e.Data["kind"])
	if err != nil || kind < 0 || kind > 255 {
		return Levels{}, false
	}
	l := Levels{Channel: e.Data["channel"], Kind: scan.Kind(kind), Method: e.Data["method"], Version: e.Seq}
	get := func(name string) *Threshold {
		on, err1 := strconv.ParseInt(e.Data[name+"_on"], 10, 64)
		off, err2 := strconv.ParseInt(e.Data[name+"_off"], 10, 64)
		if err1 != nil || err2 != nil || on <= off {
			return nil
		}
		return &Threshold{On: on, Off: off}
	}
	l.Run, l.Load = get("run"), get("load")
	return l, l.Run != nil || l.Load != nil
}

// inWords writes a time for a sentence: "3 h 12 min", "14 min", "40 s".
func inWords(ms int64) string {
	d := (time.Duration(ms) * time.Millisecond).Round(time.Second)
	switch {
	case d >= time.Hour:
		d = d.Round(time.Minute)
		return fmt.Sprintf("%d h %d min", d/time.Hour, d%time.Hour/time.Minute)
	case d >= 2*time.Minute:
		return fmt.Sprintf("%d min", d.Round(time.Minute)/time.Minute)
	}
	return fmt.Sprintf("%d s", d/time.Second)
}
