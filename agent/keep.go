package agent

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
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
		a.tellOnce(trouble, "old raw readings cannot be dropped", a.dropOld(ctx))
		a.tellOnce(trouble, "the scheduled backup failed", a.backupIfDue(ctx))
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
	if n := len(old); n > 0 {
		info, err := os.Stat(old[n-1])
		if err != nil {
			return err
		}
		// one from a clock that was ahead is no reason to wait for years
		if age := a.Now().Sub(info.ModTime()); age >= 0 && age < plan.Every {
			return nil
		}
	}
	name := filepath.Join(plan.Dir, a.Now().UTC().Format("20060102T150405Z")+backupSuffix)
	if err := a.backupTo(ctx, name); err != nil {
		return err
	}
	if err := a.note("backup_made", "", "the record was copied to "+name, nil); err != nil {
		return err
	}
	return removeOld(plan, append(old, name))
}

// backupsIn lists the scheduled backups in dir, the oldest first.
func backupsIn(dir string) ([]string, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, err
	}
	entries, err := os.ReadDir(dir) // by name, and the name is the time
	if err != nil {
		return nil, err
	}
	var all []string
	for _, e := range entries {
		if strings.HasSuffix(e.Name(), backupSuffix) {
			all = append(all, filepath.Join(dir, e.Name()))
		}
	}
	return all, nil
}

// removeOld deletes the oldest of all beyond those to keep. The newest one has
// just been read through.
func removeOld(plan sitefile.Backup, all []string) error {
	slices.Sort(all)
	var errs []error
	for len(all) > plan.Keep {
		errs = append(errs, os.Remove(all[0]))
		all = all[1:]
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
	f, err := os.Create(part)
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
