package agent

import (
	"errors"
	"fmt"
	"syscall"

	"loadscribe/agent/store"
)

// storeState says in words how the store is and what mends it.
func (a *Agent) storeState() StoreState {
	stats := a.store.Stats()
	s := StoreState{OK: true, DirectoryBytes: stats.DirectoryBytes, DroppedScans: a.droppedScans(), ClockSet: a.store.ClockSet(),
		RecordFrom:   Stamp(a.store.RecordFrom()),
		RawFrom:      Stamp(a.store.RawFrom()),
		WaitingScans: int64(stats.LastSeq-stats.DurableSeq) + int64(a.queue.Waiting())}
	if a.behindMS() > 0 {
		s.RecordTo = Stamp(stats.NewestMS)
	}
	if a.refuge != nil {
		s.WaitingScans = int64(stats.LastSeq) + int64(a.queue.Waiting())
	}
	if s.Detail, s.Mend = a.storeTrouble(&stats); s.Detail != "" {
		s.OK = false
		s.Detail += fmt.Sprintf("; %d scans wait in memory", s.WaitingScans)
		if n := a.queue.Dropped(); n > 0 {
			s.Detail += fmt.Sprintf(", %d are lost", n)
		}
	}
	return s
}

// storeTrouble is of the data directory where this agent records into memory.
func (a *Agent) storeTrouble(st *store.Stats) (what, mend string) {
	if a.refuge == nil {
		return storeTrouble(st)
	}
	free, known := freeBytes(a.site.Agent.DataDir)
	if !known {
		free = -1
	}
	what, mend = storeTrouble(&store.Stats{Trouble: a.refuge.why, FreeBytes: free})
	return what + "; what was recorded before is shown again when it can be written", mend
}

// freedBytes of free space are more than the store leaves alone: a disk that
// was full is so no more, though the try that tells has not been made.
const freedBytes = 40 << 20

// storeTrouble says what is wrong with the disk of the data directory and what
// mends it; empty where nothing is.
func storeTrouble(st *store.Stats) (what, mend string) {
	err := st.Trouble
	switch {
	case err == nil && st.StalledMS > 0:
		return fmt.Sprintf("the disk of the data directory has not answered for %d s", st.StalledMS/1000),
			"Check that disk and its cable or card."
	case err == nil:
		return "", ""
	case errors.Is(err, store.ErrDiskFull), errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		if st.FreeBytes > freedBytes {
			return fmt.Sprintf("the disk of the data directory was full; %.1f MB are free again and what waits is saved at the next try, within a minute",
				float64(st.FreeBytes)/1e6), "If this stays, free more space there."
		}
		what = "the disk of the data directory is full"
		if st.FreeBytes >= 0 {
			what += fmt.Sprintf(" (%.1f MB free)", float64(st.FreeBytes)/1e6)
		}
		return what, "Free space on the disk of the data directory."
	case errors.Is(err, syscall.EROFS):
		return "the file system of the data directory has become read-only",
			"Check that disk: systems do this when it reports errors. Then make it writable again."
	case errors.Is(err, syscall.EIO):
		return "the disk of the data directory reports errors", "Check that disk and its cable or card; copy the data directory off it."
	case errors.Is(err, store.ErrDamaged):
		return "store.db in the data directory is damaged",
			"Stop loadscribe and start it again: it sets the damaged file aside and saves what can be read. Then check that disk and its cable or card."
	}
	return fmt.Sprintf("the data directory cannot be written (%v)", err), "Check the disk of the data directory and who may write there."
}
