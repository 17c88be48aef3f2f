package messenger

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"loadscribe/agent/outward"
)

// queue is what waits for one target, in order, in memory and on the disk. A
// message can be sent as soon as it is in memory: a disk that hangs holds up Send
// and tidy, never the sending.
type queue struct {
	dir   string
	files outward.Files
	log   *slog.Logger // names the target

	// disk is held while the disk is written, which may take long; before mu.
	disk sync.Mutex
	made bool // the folder is there; by disk

	mu      sync.Mutex // never held while the disk is asked
	next    uint64     // number of the next file
	all     []*waiting // oldest first
	sending *waiting   // the one that is under way, or nil
	// leaving are files of messages that have left and are to be removed. They lie
	// on the disk, so are bounded as that is.
	leaving []string

	tally tally // as it is on the disk; after load by disk
}

// waiting is one message in the queue.
type waiting struct {
	letter
	path  string
	safe  bool          // on the disk, as it is; by the queue's mu
	left  bool          // out of the queue; by the queue's mu
	until time.Time     // before that it is passed over; by the queue's mu
	why   string        // it is so; by the queue's mu
	tries int           // that failed by what may be this message; of the lane's run
	since time.Time     // when this process got it
	aged  time.Duration // how long it had waited by then
	tried time.Duration // how much of MostAge it had had by then
}

// late is how long the message has waited.
func (w *waiting) late(now time.Time) time.Duration { return w.aged + now.Sub(w.since) }

// remains is how long it is still tried.
func (w *waiting) remains(now time.Time) time.Duration { return MostAge - w.tried - now.Sub(w.since) }

const (
	letterEnding = ".msg"
	damagedDir   = "damaged"
	// leastTries is what a message gets after a start, however old it says it is:
	// the wall clock may be wrong, or have been so.
	leastTries = time.Hour
)

// add queues a message in memory. One whose ID waits already is not queued again.
// gone is the message that had to leave for it, or nil.
func (q *queue) add(m Message, now time.Time) (w, gone *waiting) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if i := slices.IndexFunc(q.all, func(w *waiting) bool { return w.Message.ID == m.ID }); i >= 0 {
		return q.all[i], nil
	}
	w = &waiting{letter: letter{QueuedMS: now.UnixMilli(), Message: m}, since: now}
	w.path = filepath.Join(q.dir, fmt.Sprintf("%020d%s", q.next, letterEnding))
	q.next++
	q.all = append(q.all, w)
	if len(q.all) > MostWaiting {
		gone = q.all[0]
		if gone == q.sending {
			gone = q.all[1]
		}
		q.leave(gone)
	}
	return w, gone
}

// leave takes a message out; its file is for tidy. The caller holds mu.
func (q *queue) leave(w *waiting) {
	if i := slices.Index(q.all, w); i >= 0 {
		q.all = slices.Delete(q.all, i, i+1)
		q.leaving = append(q.leaving, w.path)
	}
	w.left = true
}

// keep makes a message safe on the disk, unless it is so or has left meanwhile.
func (q *queue) keep(w *waiting) error {
	q.disk.Lock()
	defer q.disk.Unlock()
	q.mu.Lock()
	needed, now := !w.safe && !w.left, w.letter
	q.mu.Unlock()
	if !needed {
		return nil
	}
	data, err := now.encode()
	if err == nil {
		err = q.write(w.path, data)
	}
	if err != nil {
		return fmt.Errorf("%w: %w", ErrNotSafe, err)
	}
	q.mu.Lock()
	w.safe = len(w.Had) == len(now.Had) // else somebody has got it meanwhile
	q.mu.Unlock()
	return nil
}

// write puts a file on the disk. The caller holds disk.
func (q *queue) write(path string, data []byte) error {
	if !q.made {
		if err := os.MkdirAll(q.dir, 0o700); err != nil {
			return err
		}
		q.made = true
	}
	// Synced before it is renamed: a power cut leaves the whole file or none.
	temp := path + ".tmp"
	if err := q.files.WriteSynced(temp, data); err != nil {
		return errors.Join(err, ignoreGone(q.files.Remove(temp)))
	}
	if err := q.files.Rename(temp, path); err != nil {
		return err
	}
	return q.files.SyncDir(q.dir)
}

func ignoreGone(err error) error {
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	return err
}

// head is the oldest message that is not passed over; it counts as under way until
// done, putBack or passOver. Where there is none it is nil, and pause is until when.
func (q *queue) head(now time.Time) (w *waiting, pause time.Duration) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.sending, pause = nil, time.Hour // nothing to do but to be woken
	for _, w := range q.all {
		left := w.until.Sub(now)
		if left <= 0 {
			q.sending = w
			return w, 0
		}
		pause = min(pause, left)
	}
	return nil, pause
}

// passOver lets others pass a message until then; took are those who have it now.
func (q *queue) passOver(w *waiting, took []string, why string, until time.Time) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.sending = nil
	w.until, w.why = until, why
	if len(took) > 0 {
		w.Had, w.safe = slices.Concat(w.Had, took), false
	}
}

// passNone ends that messages are passed over.
func (q *queue) passNone() {
	q.mu.Lock()
	defer q.mu.Unlock()
	for _, w := range q.all {
		w.until = time.Time{}
	}
}

// whyPassed is why the oldest message that others pass waits; empty: there is none.
func (q *queue) whyPassed() string {
	q.mu.Lock()
	defer q.mu.Unlock()
	for _, w := range q.all {
		if w.why != "" {
			return w.why
		}
	}
	return ""
}

func (q *queue) putBack() {
	q.mu.Lock()
	q.sending = nil
	q.mu.Unlock()
}

// done takes a message out of the queue.
func (q *queue) done(w *waiting) {
	q.mu.Lock()
	q.sending = nil
	q.leave(w)
	q.mu.Unlock()
}

// counts returns how many wait, and how many of them in memory only.
func (q *queue) counts() (waiting, inMemory int) {
	q.mu.Lock()
	defer q.mu.Unlock()
	for _, w := range q.all {
		if !w.safe {
			inMemory++
		}
	}
	return len(q.all), inMemory
}

// tidy removes the files of messages that have left, and writes those that are not on
// the disk. The error says what it does not take.
func (q *queue) tidy() error {
	q.mu.Lock()
	leaving, all := q.leaving, slices.Clone(q.all)
	q.leaving = nil
	q.mu.Unlock()
	kept, err := q.remove(leaving)
	q.mu.Lock()
	q.leaving = append(q.leaving, kept...)
	q.mu.Unlock()
	for _, w := range all {
		if err := q.keep(w); err != nil {
			return err
		}
	}
	return err
}

// remove takes files away and returns those that the disk did not remove.
func (q *queue) remove(paths []string) (kept []string, err error) {
	if len(paths) == 0 {
		return nil, nil
	}
	q.disk.Lock()
	defer q.disk.Unlock()
	if !q.made { // nothing was ever written
		return nil, nil
	}
	for _, path := range paths {
		if failed := ignoreGone(q.files.Remove(path)); failed != nil {
			kept, err = append(kept, path), failed
		}
	}
	if err := q.files.SyncDir(q.dir); err != nil {
		return paths, err // a power cut could bring them back
	}
	return kept, err
}

// load reads what an earlier run left. A damaged file is set aside.
func (q *queue) load(now time.Time) (damaged int) {
	names, err := os.ReadDir(q.dir)
	if err != nil {
		if !errors.Is(err, os.ErrNotExist) {
			q.log.Error("waiting messages cannot be read", "error", err)
		}
		return 0
	}
	q.made = true
	for _, entry := range names { // sorted by name, which is their order
		path := filepath.Join(q.dir, entry.Name())
		if strings.HasSuffix(entry.Name(), ".tmp") { // never was safe
			q.leaving = append(q.leaving, path)
			continue
		}
		if entry.Name() == tallyFile {
			q.loadTally(path)
			continue
		}
		number, found := strings.CutSuffix(entry.Name(), letterEnding)
		n, err := strconv.ParseUint(number, 10, 63)
		if !found || err != nil {
			continue // none of ours
		}
		q.next = max(q.next, n+1)
		data, err := outward.ReadUpTo(path, mostLetter)
		if err != nil {
			q.log.Error("a waiting message cannot be read; it stays where it is", "file", path, "error", err)
			continue
		}
		l, err := decodeLetter(data)
		if err != nil {
			damaged++
			q.log.Error("a waiting message is damaged and was set aside", "file", entry.Name(), "error", errors.Join(err, q.setAside(entry.Name())))
			continue
		}
		aged := max(0, now.Sub(time.UnixMilli(l.QueuedMS)))
		q.all = append(q.all, &waiting{letter: l, path: path, safe: true, since: now, aged: aged, tried: min(aged, MostAge-leastTries)})
	}
	return damaged
}

// setAside moves a damaged file where nothing reads it.
func (q *queue) setAside(name string) error {
	aside := filepath.Join(filepath.Dir(q.dir), damagedDir)
	if err := os.MkdirAll(aside, 0o700); err != nil {
		return err
	}
	return q.files.Rename(filepath.Join(q.dir, name), filepath.Join(aside, filepath.Base(q.dir)+"-"+name))
}
