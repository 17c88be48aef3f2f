package agent

import (
	"errors"
	"fmt"
	"strconv"

	"loadscribe/agent/display"
	"loadscribe/agent/store"
)

// MissedClock is how the times of readings stand.
type MissedClock struct {
	Zone string `json:"zone"` // of the site
	Set  bool   `json:"set"`  // the computer's clock says a time that can be
	// Kept is whether the system says that something keeps its clock right; left out
	// where it does not tell. MaxErrorMS is then what it may be wrong by at most.
	Kept       *bool    `json:"kept,omitempty"`
	MaxErrorMS *float64 `json:"max_error_ms,omitempty"`
	// Steps counts when it was set in the window, LargestStepS by how much at most.
	Steps        int64   `json:"steps"`
	LargestStepS float64 `json:"largest_step_s"`
}

// MissedDisk is how much there is room for.
type MissedDisk struct {
	DirectoryBytes int64  `json:"directory_bytes"`
	FreeBytes      *int64 `json:"free_bytes"` // null: not known
	// BytesPerDay is what a day of all devices takes in the data directory, by what the
	// blocks that are there take; null of less than a day.
	BytesPerDay *float64 `json:"bytes_per_day"`
	// DaysLeft is how long the free space lasts at that; null: not known.
	DaysLeft *float64 `json:"days_left"`
	// KeepRawDays is the site file's keep_raw; null: raw readings are never dropped.
	KeepRawDays *int64 `json:"keep_raw_days"`
	RecordFrom  Stamp  `json:"record_from"` // null: nothing is recorded
	RawFrom     Stamp  `json:"raw_from"`    // null: no raw readings were dropped
	// Backups is whether the site file has a schedule; LastBackup is null where none of
	// its backups is there.
	Backups    bool  `json:"backups"`
	LastBackup Stamp `json:"last_backup"`
}

// MissedEvidence is the newest checkpoint of the evidence log, or why there is none.
type MissedEvidence struct {
	Head   *EvidenceHead `json:"head,omitempty"`
	Absent string        `json:"absent,omitempty"`
}

// MissedSleep is what the computer slept.
type MissedSleep struct {
	Times int64   `json:"times"`
	ForS  float64 `json:"for_s"`
}

func (h *History) missedClock() MissedClock {
	c := MissedClock{Zone: h.site.Location.String(), Set: h.store.ClockSet()}
	if kept, maxErrorMS, known := clockKept(); known {
		c.Kept = &kept
		if kept {
			c.MaxErrorMS = &maxErrorMS
		}
	}
	return c
}

// missedDisk reckons with what the record has grown by so far: only of raw days, for
// what is kept longer weighs next to nothing.
func (h *History) missedDisk(stats *store.Stats) MissedDisk {
	d := MissedDisk{DirectoryBytes: stats.DirectoryBytes, RecordFrom: Stamp(h.store.RecordFrom()), RawFrom: Stamp(h.store.RawFrom()), Backups: h.site.Agent.Backup.Dir != ""}
	if stats.FreeBytes >= 0 {
		d.FreeBytes = &stats.FreeBytes
	}
	if days := int64(h.site.Agent.KeepRawDays); days > 0 {
		d.KeepRawDays = &days
	}
	// A block is an hour of a device: the time nothing was recorded in counts for nothing.
	if blocks := h.blocksPerDay(); blocks > 0 && stats.Blocks >= blocks {
		perDay := float64(stats.DirectoryBytes-stats.FreePageBytes) / float64(stats.Blocks) * float64(blocks)
		d.BytesPerDay = &perDay
		if d.FreeBytes != nil && perDay > 0 {
			left := float64(*d.FreeBytes) / perDay
			d.DaysLeft = &left
		}
	}
	if d.Backups {
		// What cannot be listed is told by the schedule itself, as an event.
		if made, err := backupsIn(h.site.Agent.Backup.Dir); err == nil && len(made) > 0 {
			d.LastBackup = StampOf(made[len(made)-1].at)
		}
	}
	return d
}

// blocksPerDay is how many blocks a day of all devices makes.
func (h *History) blocksPerDay() (n int64) {
	for i := range h.site.Devices {
		if h.site.Polled(h.site.Devices[i].Name) {
			n += 24
		}
	}
	return n
}

func (h *History) missedEvidence() MissedEvidence {
	head, err := h.Evidence()
	switch {
	case errors.Is(err, store.ErrNoEvidence):
		return MissedEvidence{Absent: "the log has no checkpoint yet: the first one is signed when the first hour is sealed"}
	case err != nil:
		return MissedEvidence{Absent: err.Error()}
	}
	return MissedEvidence{Head: &head}
}

// numberIn is a number of an event's details; 0 where it has none.
func numberIn(e *store.Event, key string) float64 {
	n, err := strconv.ParseFloat(e.Data[key], 64)
	if err != nil {
		return 0
	}
	return n
}

const (
	// leastReadShare is what is worth a word: common practice, no source.
	leastReadShare = 0.99
	// fewDays of free space are worth a word.
	fewDays = 30
)

// toDo is what to do about what the record shows.
func (h *History) toDo(m *Missed) (all []MissedToDo) {
	add := func(about, what, mend string) { all = append(all, MissedToDo{about, what, mend}) }
	if m.Slept.Times > 0 {
		add("sleep", fmt.Sprintf("The computer slept %s in this window, %s in all: nothing was read meanwhile.", timesOf(m.Slept.Times), spoken(int64(m.Slept.ForS*1000))),
			"Switch its sleep off for as long as it records.")
	}
	for i := range m.Devices {
		switch d := &m.Devices[i]; {
		case d.Absent != "":
			add("device", fmt.Sprintf("Nothing was ever read of %s.", d.Device), "See Hook-up, or ask with loadscribe probe.")
		case d.Due > 0 && d.ReadShare < leastReadShare:
			what := fmt.Sprintf("%s gave %s %% of its readings", d.Device, floorPercent(d.ReadShare))
			if d.Gaps > 0 {
				what += fmt.Sprintf("; %s of a minute and more: %s", gapsOf(d.Gaps), spoken(int64(d.GapS*1000)))
			}
			add("device", what+".", mendOf(mostlyWhy(m.Gaps, d.Device)))
		}
	}
	all = append(all, channelsToDo(m)...)
	if left := m.Disk.DaysLeft; left != nil && *left < fewDays && (m.Disk.KeepRawDays == nil || float64(*m.Disk.KeepRawDays) > *left) {
		add("disk", fmt.Sprintf("The disk of the data directory has room for some %.0f more days.", *left), "Free space there, or let old raw readings go: [agent] keep_raw in the site file; figures and hashes stay.")
	}
	if !m.Clock.Set {
		add("clock", "The computer's clock says a time that cannot be.", "Set it; what was recorded is then put to its true time.")
	}
	if m.Clock.Kept != nil && !*m.Clock.Kept {
		add("clock", "Nothing keeps this computer's clock right: it drifts, by seconds a day as a rule.", "Switch on time synchronisation, or compare the clock with a good one at the start and the end and note both.")
	}
	if !m.Disk.Backups {
		add("backup", "No backups are scheduled.", `Add backup = { dir = "backups", every = "24h", keep = 2 } under [agent] in the site file, with a folder on another disk, or take one by hand below.`)
	} else if m.Disk.LastBackup == 0 {
		add("backup", "No scheduled backup is there yet.", "Look in a day whether there is one; What happened to the record says why one failed.")
	}
	return all
}

// toDoNow is what to do about how recording stands at this moment.
func (a *Agent) toDoNow(awake *AwakeState, st *StoreState) (all []MissedToDo) {
	if !st.OK {
		all = append(all, MissedToDo{"store", display.Capital(st.Detail) + ".", st.Mend})
	}
	if awake.Sleep == "may" || awake.Sleep == "unknown" && awake.Mend != "" {
		all = append(all, MissedToDo{"sleep", awake.Why, awake.Mend})
	}
	return all
}
