package messenger

import (
	"encoding/json"
	"fmt"
	"path/filepath"

	"loadscribe/agent/outward"
)

// tally is what is known of a target beyond a restart.
type tally struct {
	LastSentMS     int64 `json:"last_sent_ms"`
	FailingSinceMS int64 `json:"failing_since_ms"`
	GivenUp        int   `json:"given_up"`
	Sent           int   `json:"sent"` // versions before did not count them
}

// tallyFile lies beside the messages of its target.
const tallyFile = "tally.json"

// mostTally is more bytes than a tally has.
const mostTally = 4 << 10

// loadTally reads what an earlier run wrote. One that is damaged begins anew: it is
// for people to look at, and nothing hangs on it.
func (q *queue) loadTally(path string) {
	data, err := outward.ReadUpTo(path, mostTally)
	var t tally
	if err == nil {
		err = json.Unmarshal(data, &t)
	}
	if err == nil && (t.LastSentMS < 0 || t.FailingSinceMS < 0 || t.GivenUp < 0 || t.Sent < 0) {
		err = errDamaged
	}
	if err != nil {
		q.log.Warn("what was sent before is not known any more: the counts begin anew", "file", path, "error", err)
		return
	}
	q.tally = t
}

// keepTally writes a tally, unless it is on the disk already.
func (q *queue) keepTally(t tally) error {
	q.disk.Lock()
	defer q.disk.Unlock()
	if t == q.tally {
		return nil
	}
	data, err := json.Marshal(t)
	if err != nil {
		return fmt.Errorf("write the counts: %w", err)
	}
	if err := q.write(filepath.Join(q.dir, tallyFile), append(data, '\n')); err != nil {
		return fmt.Errorf("write the counts: %w", err)
	}
	q.tally = t
	return nil
}
