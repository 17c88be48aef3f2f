package agent

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/store"
)

// What a note's data says of service, and the word that takes it back.
const (
	dataService   = "service"
	dataHourMeter = "hour_meter"
	dataFound     = "found"
	noService     = "none"
)

// Service tells when each service item of each machine is due.
func (h *History) Service() ([]analysis.MachineService, error) { return h.service(h.Now()) }

// Service tells when each service item of each machine is due.
func (a *Agent) Service() ([]analysis.MachineService, error) { return a.service(a.end()) }

func (h *History) service(now time.Time) ([]analysis.MachineService, error) {
	done, err := h.serviceDone()
	if err != nil {
		return nil, err
	}
	return analysis.Service(h.source(), h.site, done, now.UnixMilli())
}

// serviceDone reads what the notes say was done. A note that was put right
// counts as the one that did so.
func (h *History) serviceDone() ([]analysis.ServiceDone, error) {
	notes, err := h.eventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == kindNote })
	if err != nil {
		return nil, err
	}
	wrong := map[string]bool{}
	for i := range notes {
		wrong[notes[i].Data["corrects"]] = true
	}
	var done []analysis.ServiceDone
	for i := range notes {
		e := &notes[i]
		if e.Data[dataService] == "" || wrong[strconv.FormatUint(e.Seq, 10)] {
			continue
		}
		d := analysis.ServiceDone{Machine: e.Subject, Item: e.Data[dataService], AtMS: e.WallMS, Note: e.Seq,
			Text: e.Text, Author: e.Data["author"], Found: e.Data[dataFound]}
		if v, err := strconv.ParseFloat(e.Data[dataHourMeter], 64); err == nil {
			d.HourMeter = &v
		}
		done = append(done, d)
	}
	return done, nil
}

// noteService checks what a note says of service and puts it into the event's
// data. A note that names no machine is about the only one there is.
func (h *History) noteService(n Note, e *store.Event) error {
	if n.HourMeter != nil {
		if v := *n.HourMeter; math.IsNaN(v) || v < 0 || v > 1e6 {
			return wrongField("hour_meter", "%g is no reading of an hour meter: give the hours it showed, 0 to 1000000", v)
		}
		if n.Service == "" && e.Data[dataService] == "" {
			return wrongField("hour_meter", "it belongs to a service item: name that too")
		}
		e.Data[dataHourMeter] = strconv.FormatFloat(*n.HourMeter, 'f', -1, 64)
	}
	found, err := noteText("found", n.Found, maxNoteText)
	switch {
	case err != nil:
		return err
	case found != "" && n.Service == "" && e.Data[dataService] == "":
		return wrongField("found", "what was found belongs to a service item: name that too, or write it into the note")
	case found != "":
		e.Data[dataFound] = found
	}
	switch {
	case n.Service == "":
		return nil
	case n.Service == noService:
		if n.Corrects == 0 || n.HourMeter != nil || found != "" {
			return wrongField("service", "%q takes back what a note says of service: name that note, no hour meter and nothing that was found", noService)
		}
		return nil
	}
	if e.Subject == "" && len(h.site.Machines) == 1 {
		e.Subject = h.site.Machines[0].Name
	}
	m, ok := h.site.MachineByName(e.Subject)
	if !ok {
		return wrongField("subject", "a service is of one machine: say which")
	}
	var items []string
	for _, it := range m.Service {
		items = append(items, it.Item)
	}
	switch {
	case len(items) == 0:
		return wrongField("service", "the site file lists no service for %s: add service = [{ item = %q, hours = … }] to it", m.Name, n.Service)
	case !slices.Contains(items, n.Service):
		return wrongField("service", "the site file lists no %q for %s: use one of %s%s", n.Service, m.Name, strings.Join(items, ", "), didYouMean(n.Service, items))
	}
	e.Data[dataService] = n.Service
	return nil
}
