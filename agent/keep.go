package agent

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

const (
	// keepEvery is how often it is looked whether raw days are to be dropped or
	// a backup is due: often enough that a start late in the day misses none.
	keepEvery = 10 * time.Minute
	// backupSuffix ends the names of scheduled backups; others are left alone.
	backupSuffix = ".loadscribe-backup"
	// backupTime begins them, the wall time in UTC; a number follows.
	backupTime = "20060102T150405Z"
)

// tend drops raw days and makes scheduled backups, as the site file says, until
// ctx ends.
func (a *Agent) tend(ctx context.Context) error {
	timer := time.NewTimer(0)
	defer timer.Stop()
	trouble := map[string]string{}
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-timer.C:
		}
		// The copy first: a keep_raw that was mistyped must not be final.
		err := a.backupIfDue(ctx)
		a.tellOnce(trouble, "the scheduled backup failed", err)
		if err == nil {
			a.tellOnce(trouble, "old raw readings cannot be dropped", a.dropOld(ctx))
		}
		timer.Reset(keepEvery)
	}
}

// tellOnce logs a trouble when it begins or changes, and that it is over.
func (a *Agent) tellOnce(known map[string]string, what string, err error) {
	switch {
	case err == nil && known[what] != "":
		a.log.Info("no longer so: " + what)
		known[what] = ""
	case err != nil && known[what] != err.Error():
		a.log.Error(what, "err", err)
		known[what] = err.Error()
		if noteErr := a.note("keeping_failed", "", fmt.Sprintf("%s: %v", what, err), nil); noteErr != nil {
			a.log.Error("event not kept", "err", noteErr)
		}
	}
}

// dropOld drops raw days beyond those to keep, each in a short transaction.
func (a *Agent) dropOld(ctx context.Context) error {
	days := a.site.Agent.KeepRawDays
	for more := days > 0; more && ctx.Err() == nil; {
		var err error
		if _, more, err = a.store.DropRawDay(days); err != nil {
			return err
		}
	}
	return nil
}

// backupPace is when the last scheduled backup was made, by the clock that
// nobody sets. It is for the goroutine of tend.
type backupPace struct {
	known   bool  // sinceMS is
	made    bool  // in this run
	sinceMS int64 // monotonic time of the last backup, or of the first look
}

// backupIfDue makes a backup where the newest one is older than the schedule
// says, and then deletes those beyond the number to keep.
func (a *Agent) backupIfDue(ctx context.Context) error {
	plan := a.site.Agent.Backup
	if plan.Dir == "" {
		return nil
	}
	old, err := backupsIn(plan.Dir)
	if err != nil {
		return err
	}
	if !a.backupDue(plan, old) {
		return nil
	}
	b := scheduledBackup{at: a.Now(), number: 1}
	if n := len(old); n > 0 {
		b.number = old[n-1].number + 1
	}
	b.path = filepath.Join(plan.Dir, fmt.Sprintf("%s-%06d%s", b.at.UTC().Format(backupTime), b.number, backupSuffix))
	if err := a.backupTo(ctx, b.path); err != nil {
		return err
	}
	a.pace.made = true
	a.pace.sinceMS, _ = a.clock.Now()
	if err := a.note("backup_made", "", "the record was copied to "+b.path, nil); err != nil {
		return err
	}
	return removeOld(plan, append(old, b))
}

// backupDue reports whether it is time. Between two backups of a run the
// monotonic clock counts: a wall clock that is set, or jumps, makes none. The
// first one of a run goes by the time in the newest one's name; while the clock
// is not set that says nothing, and the run counts from its own start.
func (a *Agent) backupDue(plan sitefile.Backup, old []scheduledBackup) bool {
	mono, _ := a.clock.Now()
	if !a.pace.known {
		a.pace.known, a.pace.sinceMS = true, mono
	}
	if len(old) == 0 {
		return true
	}
	if a.pace.made || !a.store.ClockSet() {
		return mono-a.pace.sinceMS >= plan.Every.Milliseconds()
	}
	// one from a clock that was ahead is no reason to wait for years
	age := a.Now().Sub(old[len(old)-1].at)
	return age < 0 || age >= plan.Every
}

// scheduledBackup is one of the files in the folder of backups.
type scheduledBackup struct {
	path   string
	number uint64    // counts on from file to file; 0: of a version that gave none
	at     time.Time // zero where its name has been changed
}

// backupsIn lists the scheduled backups in dir, the oldest first: by number,
// since their times are what the wall clock said.
func backupsIn(dir string) ([]scheduledBackup, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, err
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	var all []scheduledBackup
	for _, e := range entries {
		name, ours := strings.CutSuffix(e.Name(), backupSuffix)
		if !ours {
			continue
		}
		b := scheduledBackup{path: filepath.Join(dir, e.Name())}
		at, number, _ := strings.Cut(name, "-")
		b.number, _ = strconv.ParseUint(number, 10, 63) // 0 and the zero time where there is none
		b.at, _ = time.Parse(backupTime, at)
		all = append(all, b)
	}
	slices.SortStableFunc(all, func(x, y scheduledBackup) int { return cmp.Compare(x.number, y.number) }) // else by name
	return all, nil
}

// removeOld deletes the oldest of all beyond those to keep. The last one has
// just been read through and is safe on disk.
func removeOld(plan sitefile.Backup, all []scheduledBackup) error {
	var errs []error
	for ; len(all) > max(plan.Keep, 1); all = all[1:] {
		errs = append(errs, os.Remove(all[0].path))
	}
	return errors.Join(errs...)
}

// backupTo writes a backup to a file that is there whole and checked or not at
// all.
func (a *Agent) backupTo(ctx context.Context, name string) (err error) {
	b, err := a.store.Backup()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	part := name + ".part"
	f, err := os.OpenFile(part, os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return fmt.Errorf("back up: %w", err)
	}
	_, err = io.Copy(f, &untilDone{ctx, b})
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		_, err = store.PlaceBackup(part, name)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("back up: %w", err), os.Remove(part))
	}
	return nil
}

// untilDone is a reader that ends with its context.
type untilDone struct {
	ctx context.Context
	r   io.Reader
}

// Read implements io.Reader.
func (u *untilDone) Read(p []byte) (int, error) {
	if err := u.ctx.Err(); err != nil {
		return 0, err
	}
	return u.r.Read(p)
}
