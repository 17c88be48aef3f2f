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
	Site string `required:"" help:"The site file." placeholder:"FILE"`
	Data string `help:"Data directory, instead of the site file's." placeholder:"DIR"`
	Out  string `required:"" help:"File to write; it is there whole or not at all, and checked." placeholder:"FILE"`
}

func (c *backupCmd) Run(s *surroundings) error {
	site, err := loadSite(c.Site, sitefile.Options{Data: c.Data})
	if err != nil {
		return err
	}
	if info, err := os.Stat(c.Out); err == nil && info.IsDir() {
		return misuse{fmt.Errorf("--out %s is a folder: give a file in it, like %s/loadscribe.backup", c.Out, c.Out)}
	}
	err = store.BackupStopped(site.Agent.DataDir, c.Out, store.Options{Log: s.logger()})
	if errors.Is(err, store.ErrLocked) {
		err = c.fromRunning(s, site)
	}
	if err != nil {
		return err
	}
	info, err := store.CheckBackup(c.Out)
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
func (c *backupCmd) fromRunning(s *surroundings, site *sitefile.Site) error {
	r, err := reach(s, site)
	if err != nil {
		return err
	}
	defer r.Close()
	body, err := r.send(s.ctx, http.MethodPost, "/api/v1/backup", nil)
	if err != nil {
		return err
	}
	defer body.Close()
	return writeWhole(c.Out, func(out io.Writer) error {
		if _, err := io.Copy(out, body); err != nil {
			return fmt.Errorf("broken off by the running agent: %w", err)
		}
		return nil
	})
}
