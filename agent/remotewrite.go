package agent

import (
	"context"
	"fmt"
	"maps"
	"path/filepath"
	"strings"
	"time"

	"loadscribe/agent/publish"
	"loadscribe/agent/publish/remote"
	"loadscribe/agent/publish/samples"
	"loadscribe/agent/sitefile"
)

// remoteDir holds, in the data directory, how far each receiver of samples is.
const remoteDir = "remote-write"

// sampleReceiver is one [[remote_write]] at work.
type sampleReceiver struct {
	set    *sitefile.RemoteWrite
	source *samples.Source
	sender *remote.Sender
	lag    *lagWatch
}

// openReceivers prepares the sending to each receiver. Nothing is read or sent yet.
func (a *Agent) openReceivers(o *Options) error {
	for i := range a.site.RemoteWrites {
		set := &a.site.RemoteWrites[i]
		source := samples.New(a.store, samples.Options{Site: a.site, Groups: a.groups, Label: set.Site, Every: set.Every, History: set.History,
			Levels: a.folder.Calibrations, Quiet: a.quietDemandAt, Log: a.log.With("remote_write", set.Name)})
		so := remote.Options{Log: a.log, Every: min(set.Every, mostPause)}
		if o.RemoteTransport != nil {
			so.Transport = o.RemoteTransport(set.Name)
		}
		sender, err := remote.Open(remotePath(a.site), remoteConfig(set), source, so)
		if err != nil {
			return err
		}
		a.receivers = append(a.receivers, sampleReceiver{set, source, sender, &lagWatch{}})
	}
	return nil
}

// mostPause is the longest time between two looks for something to send.
const mostPause = 5 * time.Second

func remotePath(site *sitefile.Site) string { return filepath.Join(site.Agent.DataDir, remoteDir) }

func remoteConfig(set *sitefile.RemoteWrite) remote.Config {
	c := remote.Config{Name: set.Name, URL: set.URL, User: set.User, PasswordFile: set.PasswordFile, TokenFile: set.TokenFile, CAFile: set.CAFile}
	for _, h := range set.Headers {
		c.Headers = append(c.Headers, remote.Header{Name: h.Name, Value: h.Value, File: h.File})
	}
	return c
}

// sendingParts are the loops that send. While the agent records into memory there are
// none: the places are those of the record on the disk, which gets these scans later.
func (a *Agent) sendingParts() (all []part) {
	if a.refuge != nil {
		return nil
	}
	for i := range a.receivers {
		r := &a.receivers[i]
		all = append(all, part{name: "sending samples to " + r.set.Name, run: func(ctx context.Context) error { return r.sender.Run(ctx) }})
	}
	return all
}

// quietDemand is the figure quiet_demand of a system over the days before end, in m³/s;
// ok is false where there is none.
func (h *History) quietDemand(system string, end time.Time) (m3s float64, ok bool, err error) {
	nights, err := h.nights(system, end.Add(-quietSpan).UnixMilli(), end.UnixMilli(), end)
	if err != nil {
		return 0, false, err
	}
	for i := range nights.Figures {
		if f := &nights.Figures[i]; f.Name == "quiet_demand" && f.Value != nil {
			return *f.Value / 60, true, nil // the figure is in m³/min
		}
	}
	return 0, false, nil
}

func (a *Agent) quietDemandAt(system string, atMS int64) (float64, bool, error) {
	return a.quietDemand(system, time.UnixMilli(atMS))
}

// RemoteWrites is how it stands with what is sent on: the answer of
// /api/v1/remote-write.
type RemoteWrites struct {
	Receivers []RemoteWrite `json:"receivers"` // in the site file's order
}

// RemoteWrite is how it stands with one receiver of samples. Counts are of samples
// where no other thing is named, since the place in the record was begun.
type RemoteWrite struct {
	Name   string  `json:"name"`
	To     string  `json:"to"`   // the address without path and query
	Site   string  `json:"site"` // the label of every series
	EveryS float64 `json:"every_s"`
	// State is sending, failing (it is tried again by itself), held (a person must mend
	// it) or stopped (nobody sends).
	State string `json:"state"`
	Since Stamp  `json:"since"` // of failing and held; else null
	Why   string `json:"why"`   // a phrase; empty while all is well
	Mend  string `json:"mend"`  // sentences; empty: nothing to do
	// BehindScans are stored and not sent yet, BehindS what lies between the newest of
	// them and the last that was read.
	BehindScans int64   `json:"behind_scans"`
	BehindS     float64 `json:"behind_s"`
	Newest      Stamp   `json:"newest"`    // newest time that was delivered
	Delivered   Stamp   `json:"delivered"` // when a receiver last took something
	Samples     int64   `json:"samples"`   // that it took
	There       int64   `json:"there"`     // that a resend found there already
	// Refused are those that it will never take, by reason; SetAside of them were written
	// to the file Aside.
	Refused  map[string]int64 `json:"refused"`
	SetAside int64            `json:"set_aside"`
	Aside    string           `json:"aside"`
	// LeftOut is what was never sent, by reason; MissedScans are those that were no
	// longer kept when it was their turn.
	LeftOut     map[string]int64 `json:"left_out"`
	MissedScans int64            `json:"missed_scans"`
	Requests    int64            `json:"requests"`
	Bytes       int64            `json:"bytes"`
	Retried     int64            `json:"retried"` // requests
	// CursorFault is why the place is not on the disk, Note what a start found.
	CursorFault string `json:"cursor_fault"`
	Note        string `json:"note"`
}

// The states of a RemoteWrite.
const (
	remoteSending = "sending"
	remoteFailing = "failing"
	remoteHeld    = "held"
	remoteStopped = "stopped"
)

// RemoteWrites tells how it stands with what is sent on.
func (a *Agent) RemoteWrites() (RemoteWrites, error) {
	all := RemoteWrites{Receivers: []RemoteWrite{}}
	for i := range a.receivers {
		r := &a.receivers[i]
		st := r.sender.State()
		one := remoteView(r.set, &st)
		a.behind(&one, r.source.Place())
		if why := a.slowness(r, st.FailingSinceMS != 0); why != "" {
			one.Why = why
			one.Mend = "Look whether the receiver or the way to it is slow, or whether many samples are refused. Nothing is lost while the readings are kept."
		}
		if a.refuge != nil {
			one.State, one.Why = remoteStopped, "the data directory takes nothing, and recording goes on in memory"
			one.Mend = "What is in memory goes to the data directory when that can be written again, and is sent then."
		}
		all.Receivers = append(all.Receivers, one)
	}
	return all, nil
}

// RemoteWrites tells how it stood when the recording ended.
func (h *History) RemoteWrites() (RemoteWrites, error) {
	all := RemoteWrites{Receivers: []RemoteWrite{}}
	for i := range h.site.RemoteWrites {
		set := &h.site.RemoteWrites[i]
		c := remoteConfig(set)
		st, err := remote.ReadState(remotePath(h.site), c)
		var at remote.Position
		if err == nil {
			at, err = remote.ReadPosition(remotePath(h.site), c)
		}
		one := remoteView(set, &st)
		place, began := samples.PlaceOf(at)
		if h.behind(&one, place); !began {
			one.BehindScans, one.BehindS = 0, 0
		}
		one.State = remoteStopped
		if one.Why == "" {
			one.Why = stoppedWhy
			if !began {
				one.Why = "nothing was sent to it yet"
			}
		}
		if err != nil {
			one.Name, one.Note = set.Name, "how far it is cannot be read: "+err.Error()
		}
		all.Receivers = append(all.Receivers, one)
	}
	return all, nil
}

func remoteView(set *sitefile.RemoteWrite, st *remote.State) RemoteWrite {
	one := RemoteWrite{Name: set.Name, To: st.To, Site: set.Site, EveryS: set.Every.Seconds(), State: remoteSending, Since: Stamp(st.FailingSinceMS), Why: st.Why,
		Newest: Stamp(st.LastSampleMS), Delivered: Stamp(st.LastDeliveredMS), Samples: st.Samples, There: st.There, Refused: map[string]int64{},
		SetAside: st.SetAside, Aside: st.Aside, LeftOut: map[string]int64{}, MissedScans: st.Missed, Requests: st.Requests, Bytes: st.Bytes,
		Retried: st.Retried, CursorFault: st.CursorFault, Note: st.Note}
	maps.Copy(one.Refused, st.Refused)
	switch {
	case st.FailingSinceMS != 0 && st.Held:
		one.State = remoteHeld
		one.Mend = "Put right what it says, there or in [[remote_write]] of the site file. It is tried again by itself, and what is stored is sent then: nothing is lost while the readings are kept."
	case st.FailingSinceMS != 0:
		one.State = remoteFailing
		one.Mend = "Look whether the receiver runs and the network is there. It is tried again by itself, and what is stored is sent then."
	case len(one.Refused) > 0 && one.SetAside > 0:
		one.Mend = fmt.Sprintf("Some samples were refused for good: %s says which, and with what answer.", one.Aside)
	}
	return one
}

// behind fills in how far a place is behind the record.
func (h *History) behind(one *RemoteWrite, at samples.Place) {
	maps.Copy(one.LeftOut, at.LeftOut)
	if at.Seq == 0 {
		return
	}
	stats := h.store.Remembered() // a disk that hangs does not hold up the page
	if one.BehindScans = int64(stats.DurableSeq) - int64(at.Seq); one.BehindScans < 0 {
		one.BehindScans = 0
	}
	if one.BehindScans > 0 && at.WallMS != 0 {
		one.BehindS = max(0, float64(stats.NewestMS-at.WallMS)/1000)
	}
}

// remoteMetrics is what scrapes show of it.
func (a *Agent) remoteMetrics() *publish.RemoteWrite {
	if len(a.receivers) == 0 {
		return nil
	}
	out := publish.RemoteWrite{Refused: map[string]int64{}}
	for _, reason := range remote.Reasons() {
		out.Refused[reason] = 0
	}
	durable := int64(a.durableSeq())
	for i := range a.receivers {
		r := &a.receivers[i]
		st, at := r.sender.State(), r.source.Place()
		switch {
		case st.FailingSinceMS == 0:
			out.Sending++
		case st.Held:
			out.Held++
		default:
			out.Failing++
		}
		for reason, n := range st.Refused {
			out.Refused[reason] += n
		}
		if at.Seq > 0 {
			out.WaitingScans = max(out.WaitingScans, durable-int64(at.Seq))
		}
		out.BehindMS = max(out.BehindMS, a.unsentMS(r))
		out.Samples += st.Samples
		out.MissedScans += st.Missed
		out.Requests += st.Requests
		out.Retries += st.Retried
		out.Bytes += st.Bytes
	}
	return &out
}

// receiversToDo is what to do about receivers to whom nothing gets through.
func receiversToDo(receivers []RemoteWrite) (all []MissedToDo) {
	for i := range receivers {
		r := &receivers[i]
		if r.State == remoteFailing || r.State == remoteHeld {
			all = append(all, MissedToDo{"receiver", fmt.Sprintf("Nothing gets through to %s: %s.", r.Name, strings.TrimSuffix(r.Why, ".")), r.Mend})
		} else if r.State == remoteSending && r.Why != "" {
			all = append(all, MissedToDo{"receiver", fmt.Sprintf("%s is behind: %s.", r.Name, r.Why), r.Mend})
		}
	}
	return all
}

// undelivered is what keeps each receiver and target from getting anything, or all that
// is recorded, by name: empty while it gets through.
func (a *Agent) undelivered() map[string]string {
	all := map[string]string{}
	if a.messages != nil {
		for _, t := range a.messages.State() {
			if all[t.Name] = ""; t.FailingSinceMS != 0 {
				all[t.Name] = orUnknown(t.Why)
			}
		}
	}
	for i := range a.receivers {
		st := a.receivers[i].sender.State()
		all[st.Name] = a.slowness(&a.receivers[i], st.FailingSinceMS != 0)
		if st.FailingSinceMS != 0 {
			all[st.Name] = orUnknown(st.Why)
		}
	}
	return all
}

func orUnknown(why string) string {
	if why == "" {
		return "it does not take anything"
	}
	return why
}
