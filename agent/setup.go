package agent

import (
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"

	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// tellSetup keeps what the site file and its maps say now, where that differs
// from the last time, and tells of it.
func (a *Agent) tellSetup() error {
	_, wallMS := a.clock.Now()
	kept, err := a.keepSetup(wallMS)
	for i := range kept {
		a.tell("event", EventOf(kept[i]))
	}
	return err
}

// setupFile is the version of a file that was last kept.
type setupFile struct {
	hash  string
	isMap bool
}

// keepSetup compares each file with the version last kept: by its hash, and
// where that differs by its settings. A version that was not kept yet is, so
// that it can be read again.
func (h *History) keepSetup(wallMS int64) (kept []store.Event, err error) {
	last, err := h.lastSetup()
	if err != nil {
		return nil, fmt.Errorf("read the set-up last kept: %w", err)
	}
	var events []store.Event
	for i := range h.site.Files {
		f := &h.site.Files[i]
		before, had := last[f.Name]
		delete(last, f.Name)
		if had && before.hash == f.Hash {
			continue
		}
		if _, err := h.store.PutText(f.Text); err != nil {
			return nil, err
		}
		e, err := h.setupEvent(f, before.hash)
		if err != nil {
			return nil, err
		}
		events = append(events, e)
	}
	for name, before := range last {
		if before.hash != "" {
			events = append(events, store.Event{Kind: kindConfig, Text: fmt.Sprintf("%s is no longer used", name),
				Data: fileData(name, before.isMap, before.hash, "")})
		}
	}
	for _, e := range events {
		e.WallMS = wallMS
		if e, err = h.store.AppendEvent(e); err != nil {
			return kept, err
		}
		kept = append(kept, e)
	}
	return kept, nil
}

// lastSetup is the version of each file last kept, by name; the hash is empty
// of one that is no longer used.
func (h *History) lastSetup() (map[string]setupFile, error) {
	events, err := h.store.EventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == kindConfig && e.Data["file"] != "" })
	if err != nil {
		return nil, err
	}
	slices.SortFunc(events, func(a, b store.Event) int { return int(int64(a.Seq) - int64(b.Seq)) })
	last := map[string]setupFile{}
	for i := range events {
		last[events[i].Data["file"]] = setupFile{events[i].Data["after"], events[i].Data["role"] == "map"}
	}
	return last, nil
}

func fileData(name string, isMap bool, before, after string) map[string]string {
	role := "site"
	if isMap {
		role = "map"
	}
	return map[string]string{"file": name, "role": role, "before": before, "after": after}
}

// mostChanges bounds the settings that one event names; the texts have all.
const mostChanges = 12

// setupEvent says what changed in a file and which figures it may affect.
func (h *History) setupEvent(f *sitefile.File, before string) (store.Event, error) {
	e := store.Event{Kind: kindConfig, Data: fileData(f.Name, f.Map, before, f.Hash)}
	if before == "" {
		e.Text = fmt.Sprintf("%s is kept for the first time", f.Name)
		return e, nil
	}
	old, err := h.store.Text(before)
	if errors.Is(err, store.ErrNoText) {
		e.Text = fmt.Sprintf("%s has changed; the text before was not kept", f.Name)
		return e, nil
	}
	if err != nil {
		return e, err
	}
	changes, err := sitefile.Changes(old, f.Text)
	if err != nil {
		e.Text = fmt.Sprintf("%s has changed; what it says cannot be compared: %v", f.Name, err)
		return e, nil
	}
	if len(changes) == 0 {
		e.Text = fmt.Sprintf("%s has changed in its comments or layout only", f.Name)
		e.Data["affects"] = "no figure"
		return e, nil
	}
	var told []string
	for i, c := range changes {
		if i == mostChanges {
			told = append(told, fmt.Sprintf("and %d more", len(changes)-i))
			break
		}
		told = append(told, c.String())
	}
	e.Data["changes"], e.Data["affects"] = strings.Join(told, "\n"), h.affected(f, changes)
	e.Text = fmt.Sprintf("%s has changed: %s. It may affect %s.", f.Name, strings.Join(told, "; "), e.Data["affects"])
	return e, nil
}

// affected says in words which figures changes may affect.
func (h *History) affected(f *sitefile.File, changes []sitefile.Change) string {
	var words []string
	for _, c := range changes {
		word := siteChangeAffects(c)
		if f.Map {
			word = h.mapChangeAffects(f.Name, c)
		}
		if word != "" && !slices.Contains(words, word) {
			words = append(words, word)
		}
	}
	if len(words) == 0 {
		return "no figure"
	}
	return strings.Join(words, "; ")
}

// siteChangeAffects is by the tables and keys of the site file; empty: nothing
// that is computed.
func siteChangeAffects(c sitefile.Change) string {
	switch c.Table {
	case "tariff":
		return "energy_cost, demand_cost, peak_demand, leak_cost and emissions of every window"
	case "site":
		switch c.Key {
		case "altitude", "barometer", "scfm":
			return "air, flow and efficiency figures, which are reduced by the station pressure"
		case "shifts", "weeks_per_year":
			return "energy_off_shift, quiet_demand and the leak figures"
		case "timezone":
			return "everything that goes by local time: shifts, prices, days"
		}
		return ""
	case "device":
		if c.Key == "instrument" || strings.HasPrefix(c.Key, "instrument.") {
			return "the uncertainty of every figure from device " + c.Name
		}
		return "what is read from device " + c.Name + " from now on, and every figure made from it"
	case "machine":
		switch {
		case c.Key == "service" || strings.HasPrefix(c.Key, "service."):
			return ""
		case strings.HasPrefix(c.Key, "rated_"):
			return "air_delivered, specific power and the other figures of machine " + c.Name + " that use its ratings"
		}
		return "states and every figure of machine " + c.Name + ", which is folded anew where its channels changed"
	case "system":
		return "the figures of system " + c.Name
	}
	return "" // how a line is reached and where pages are served is in no figure
}

// mapChangeAffects names the devices that use a map.
func (h *History) mapChangeAffects(file string, c sitefile.Change) string {
	if c.Table == "channel" && (strings.HasPrefix(c.Key, "faults") || c.Key == "label" || c.Key == "note") || c.Table == "" && c.Key == "name" {
		return ""
	}
	var devices []string
	for i := range h.site.Devices {
		if slices.ContainsFunc(strings.Split(h.site.Devices[i].MapPath, ", "), func(p string) bool { return path.Clean(p) == path.Clean(file) }) {
			devices = append(devices, h.site.Devices[i].Name)
		}
	}
	what := "every channel"
	if c.Table == "channel" {
		what = "channel " + c.Name
	}
	return fmt.Sprintf("every figure made from %s of %s", what, strings.Join(devices, ", "))
}

// Text is a version of a site file or map that was kept, by its hash.
func (h *History) Text(hash string) ([]byte, error) { return h.store.Text(hash) }
