package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"loadscribe/agent/transfer"
)

type exportCmd struct {
	siteFlags
	Format string `enum:"csv" default:"csv" help:"csv."`
	Layout string `enum:"long,wide" default:"long" help:"long: a row a value; wide: a row a time, a column a channel."`
	windowFlags
	Channel []string `help:"Channels to export, as device.channel; all if none is named." placeholder:"ID"`
	Out     string   `help:"File to write; standard output if not given." placeholder:"FILE"`
	Force   bool     `help:"Let --out take the place of a file that is there."`
}

func (c *exportCmd) Run(s *surroundings) error {
	site, err := c.load()
	if err != nil {
		return err
	}
	if err := mayWrite(site, c.Out, c.Force); err != nil {
		return err
	}
	layout, err := transfer.ParseLayout(c.Layout)
	if err != nil {
		return misuse{err}
	}
	w := c.window()
	if _, _, err := w.parse(time.Now(), site); err != nil {
		return err
	}
	source, err := ask(s, site)
	if err != nil {
		return err
	}
	defer source.Close()
	if kept, err := source.RawFrom(s.ctx); err != nil {
		return err
	} else if from, _, err := w.parse(time.Now(), site); err == nil && !kept.IsZero() && from.Before(kept) {
		fmt.Fprintf(s.stderr, "note: raw readings before %s are no longer kept (keep_raw): the export begins there\n", kept.UTC().Format(time.RFC3339))
	}
	export := func(out io.Writer) error {
		return source.Export(s.ctx, out, w, layout, c.Channel)
	}
	if c.Out == "" {
		out := bufio.NewWriter(s.stdout)
		return errors.Join(export(out), out.Flush())
	}
	return writeWhole(c.Out, export)
}

// writeWhole writes a file that is there complete or not at all.
func writeWhole(path string, fill func(io.Writer) error) error {
	f, err := os.Create(path + partSuffix)
	if err != nil {
		return fmt.Errorf("export: %w; give --out a file in a folder that is there and that this user may write to", err)
	}
	out := bufio.NewWriter(f)
	err = errors.Join(fill(out), out.Flush(), f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("export to %s: %w", path, err), os.Remove(f.Name()))
	}
	return nil
}
