package main

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"time"

	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

type backupCmd struct {
	siteFlags
	Out string `required:"" help:"File to write; it is there whole or not at all, and checked." placeholder:"FILE"`
	// As of export: an earlier backup may be the only one that is whole.
	Force bool `help:"Let --out take the place of a file that is there."`
}

func (c *backupCmd) Run(s *surroundings) error {
	site, err := c.load()
	if err != nil {
		return err
	}
	if err := mayWrite(site, "--out", c.Out, c.Force); err != nil {
		return err
	}
	info, err := store.BackupStopped(site.Agent.DataDir, c.Out, store.Options{Log: s.logger()})
	if errors.Is(err, store.ErrLocked) {
		info, err = c.fromRunning(s, site)
	}
	if err != nil {
		return err
	}
	until := "no readings yet"
	if info.Seq > 0 {
		until = "readings up to " + time.UnixMilli(info.NewestMS).UTC().Format(time.RFC3339)
	}
	fmt.Fprintf(s.stdout, "%s: %.1f MB, %s, read through and whole.\n"+
		"To use it: put it as store.db into an empty folder and give that folder with --data. Keep the site file and its maps beside it.\n",
		c.Out, float64(info.Size)/1e6, until)
	return nil
}

// fromRunning asks the running agent for the copy.
func (c *backupCmd) fromRunning(s *surroundings, site *sitefile.Site) (info store.BackupInfo, err error) {
	r, err := reach(s, site)
	if err != nil {
		return info, err
	}
	defer r.Close()
	body, err := r.send(s.ctx, http.MethodPost, "/api/v1/backup", nil)
	if err != nil {
		return info, err
	}
	defer body.Close()
	part := c.Out + partSuffix
	f, err := os.OpenFile(part, os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return info, fmt.Errorf("back up: %w; give --out a file in a folder that is there and that this user may write to", err)
	}
	_, err = io.Copy(f, body)
	if err != nil {
		err = fmt.Errorf("broken off by the running agent: %w", err)
	}
	if err = errors.Join(err, f.Sync(), f.Close()); err == nil {
		info, err = store.PlaceBackup(part, c.Out)
	}
	if err != nil {
		return info, errors.Join(fmt.Errorf("back up to %s: %w", c.Out, err), os.Remove(part))
	}
	return info, nil
}
