package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"loadscribe/agent/bundle"
	"loadscribe/agent/transfer"
)

type exportCmd struct {
	siteFlags
	Format string `enum:"csv,evidence" default:"csv" help:"csv: readings alone. evidence: a zip with the readings as CSV and the proof that they are what was logged; loadscribe verify checks it."`
	Layout string `enum:"long,wide" default:"long" help:"long: a row a value; wide: a row a time, a column a channel."`
	windowFlags
	Channel []string `help:"Channels to export, as device.channel; all if none is named." placeholder:"ID"`
	Out     string   `help:"File to write; standard output if not given." placeholder:"FILE"`
	Force   bool     `help:"Let --out take the place of a file that is there."`
	// Of evidence.
	Checkpoint string `help:"Of evidence: a checkpoint kept elsewhere; the bundle then proves that its log continues it." placeholder:"FILE"`
}

func (c *exportCmd) Run(s *surroundings) error {
	site, err := c.load()
	if err != nil {
		return err
	}
	if err := mayWrite(site, "--out", c.Out, c.Force); err != nil {
		return err
	}
	kept, err := c.keptCheckpoint()
	if err != nil {
		return err
	}
	layout, err := transfer.ParseLayout(c.Layout)
	if err != nil {
		return misuse{err}
	}
	w := c.window()
	source, err := askFor(s, site, w)
	if err != nil {
		return err
	}
	defer source.Close()
	if kept, err := source.RawFrom(s.ctx); err != nil {
		return err
	} else if from, _, err := w.parse(time.Now(), site); err == nil && !kept.IsZero() && from.Before(kept) {
		fmt.Fprintf(s.stderr, "note: raw readings before %s are no longer kept (keep_raw): the export begins there\n", kept.UTC().Format(time.RFC3339))
	}
	told := newWorkLine(s.stderr, "export")
	defer told.end()
	if c.Format == formatEvidence {
		return c.evidence(s, source, told, bundle.Options{Layout: layout, Channels: c.Channel, Kept: kept})
	}
	export := func(out io.Writer) error {
		return source.Export(s.ctx, &stamped{out: out, told: told}, w, layout, c.Channel)
	}
	if c.Out == "" {
		out := bufio.NewWriter(s.stdout)
		return errors.Join(export(out), out.Flush())
	}
	return writeWhole("--out", c.Out, func(f *os.File) error {
		out := bufio.NewWriter(f)
		return errors.Join(export(out), out.Flush())
	})
}

// writeWhole writes a file that is there complete or not at all.
func writeWhole(flag, path string, fill func(*os.File) error) error {
	// What a killed run left is in the way; of a link what it leads to is another's.
	if old, err := os.Lstat(path + partSuffix); err == nil && !old.IsDir() {
		if err := os.Remove(path + partSuffix); err != nil {
			return fmt.Errorf("write %s: %w", path, err)
		}
	}
	// Read as well as written: a bundle is read again and checked.
	f, err := os.OpenFile(path+partSuffix, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return fmt.Errorf("write %s: %w; give %s a file in a folder that is there and that this user may write to", path, err, flag)
	}
	err = errors.Join(fill(f), f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("write %s: %w", path, err), os.Remove(f.Name()))
	}
	return nil
}
