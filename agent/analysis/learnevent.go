package analysis

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
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
	const days = 100 * time.Hour // from here on nobody counts in hours
	switch {
	case d >= days:
		d = d.Round(time.Hour)
		return fmt.Sprintf("%d d %d h", d/(24*time.Hour), d%(24*time.Hour)/time.Hour)
	case d >= time.Hour:
		d = d.Round(time.Minute)
		return fmt.Sprintf("%d h %d min", d/time.Hour, d%time.Hour/time.Minute)
	case d >= 2*time.Minute:
		return fmt.Sprintf("%d min", d.Round(time.Minute)/time.Minute)
	}
	return fmt.Sprintf("%d s", d/time.Second)
}

// HeldLevels are the levels that hold for a machine, in the channel's unit.
type HeldLevels struct {
	Machine string `json:"machine"`
	// Source is learnt, set, assumed, or none.
	Source  string `json:"source"`
	Channel string `json:"channel,omitempty"`
	Unit    string `json:"unit,omitempty"`
	// Running begins at RunOn and ends below RunOff; loaded likewise. Absent
	// where the level is not known.
	RunOn   *float64 `json:"run_on,omitempty"`
	RunOff  *float64 `json:"run_off,omitempty"`
	LoadOn  *float64 `json:"load_on,omitempty"`
	LoadOff *float64 `json:"load_off,omitempty"`
	// Needed is true where states hang on levels, or would be known by them.
	Needed      bool   `json:"needed"`
	Calibration uint64 `json:"calibration,omitempty"` // number of the event
	Method      string `json:"method"`                // how states are told
	// After learning: what was found, and why nothing was learnt.
	Modes   []Mode `json:"modes,omitempty"`
	Missing string `json:"missing,omitempty"`
}

// HoldingLevels tells which levels hold for a machine.
func HoldingLevels(src Source, site *sitefile.Site, machine string) (HeldLevels, error) {
	sp, err := specOf(src, site, machine)
	if err != nil {
		return HeldLevels{}, err
	}
	m, _ := site.MachineByName(machine)
	lv := calibrationsOf(src)[machine]
	h := HeldLevels{Machine: machine, Source: "none", Method: sp.stateMethod}
	if !sp.hasStates {
		h.Method = sp.statesAbsent
	}
	ch := sp.levelChannel()
	if ch < 0 {
		return h, nil
	}
	c := &sp.chans[ch]
	h.Channel, h.Unit = c.id, c.unit.Symbol
	h.Needed = sp.runLevel != nil || sp.loadLevel != nil || !sp.hasStates || sp.runOnly
	run, load, _ := sp.levelsFor(m, lv)
	if run == nil && load == nil {
		return h, nil
	}
	h.Source = "assumed"
	if sp.levelsLearnt {
		h.Source, h.Calibration = "learnt", lv.Version
		if strings.HasPrefix(lv.Method, setByHand) {
			h.Source = "set"
		}
	}
	shown := func(counts int64) *float64 { v := c.mapValue(counts); return &v }
	if run != nil {
		h.RunOn, h.RunOff = shown(run.on), shown(run.off)
	}
	if load != nil {
		h.LoadOn, h.LoadOff = shown(load.on), shown(load.off)
	}
	return h, nil
}

// setByHand begins the method of levels that a person gave.
const setByHand = "set by hand"

// ErrLevels is returned for levels that cannot be meant.
var ErrLevels = errors.New("levels refused")

// SetLevels makes levels from what a person says: running and loaded from so
// many SI units up; 0 leaves a level out. The lower end of each is a share
// below (common practice, no source).
func SetLevels(src Source, site *sitefile.Site, machine string, dim quantity.Dimension, runSI, loadSI float64) (Levels, error) {
	sp, err := specOf(src, site, machine)
	if err != nil {
		return Levels{}, err
	}
	ch := sp.levelChannel()
	if ch < 0 {
		return Levels{}, fmt.Errorf("%w: neither power nor motor current of %s is read", ErrLevels, machine)
	}
	c := &sp.chans[ch]
	switch {
	case dim != c.unit.Dimension:
		return Levels{}, fmt.Errorf("%w: levels of %s are on %s: give them in %s or another unit of %s", ErrLevels, machine, c.id, c.unit.Symbol, c.unit.Dimension)
	case !(runSI > 0):
		return Levels{}, fmt.Errorf("%w: the running level must be above zero", ErrLevels)
	case loadSI != 0 && !(loadSI > runSI):
		return Levels{}, fmt.Errorf("%w: the loaded level must be above the running level", ErrLevels)
	}
	l := Levels{Channel: c.id, Kind: c.kind, Method: setByHand}
	between := func(onSI, share float64) *Threshold {
		t := &Threshold{On: c.countsOf(onSI), Off: c.countsOf(share * onSI)}
		t.Off = min(t.Off, t.On-1)
		return t
	}
	l.Run = between(runSI, 0.8)
	if loadSI != 0 {
		l.Load = between(loadSI, 0.95)
	}
	return l, nil
}

// Text says levels in a sentence.
func (l *Levels) Text(src Source, site *sitefile.Site, machine string) string {
	sp, err := specOf(src, site, machine)
	if err != nil {
		return l.Method
	}
	for ch := range sp.chans {
		if sp.chans[ch].id == l.Channel {
			return fmt.Sprintf("states of %s are told from %s: %s; %s", machine, l.Channel,
				sp.levelText(sp.levelFrom(ch, l.Run), sp.levelFrom(ch, l.Load)), l.Method)
		}
	}
	return l.Method
}
