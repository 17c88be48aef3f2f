package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"loadscribe/agent/bundle"
)

type verifyCmd struct {
	Bundle     string `arg:"" optional:"" help:"Evidence bundle, as export --format evidence writes it." placeholder:"BUNDLE"`
	Site       string `help:"Verify the whole record of this site file instead." placeholder:"FILE"`
	Data       string `help:"With --site: data directory, instead of the site file's." placeholder:"DIR"`
	Checkpoint string `help:"A checkpoint kept elsewhere: shows replay and truncation, which nothing in a bundle or record can." placeholder:"FILE"`
	JSON       bool   `name:"json" help:"Print what holds as JSON."`
}

func (c *verifyCmd) Run(s *surroundings) error {
	switch {
	case (c.Bundle == "") == (c.Site == ""):
		return misuse{errors.New("name the evidence bundle to verify, or with --site the site file whose record is to be verified")}
	case c.Site != "":
		return c.site(s)
	case c.Data != "":
		return misuse{errors.New("--data belongs to --site")}
	}
	return c.bundle(s)
}

// bundle verifies an evidence bundle.
func (c *verifyCmd) bundle(s *surroundings) error {
	kept, err := readCheckpoint(c.Checkpoint)
	if err != nil {
		return err
	}
	f, err := os.Open(c.Bundle)
	if err != nil {
		return misuse{err}
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	if !info.Mode().IsRegular() {
		return misuse{fmt.Errorf("%s is no file", c.Bundle)}
	}
	told := newWorkLine(s.stderr, "verify")
	d, err := bundle.Verify(s.ctx, f, info.Size(), bundle.VerifyOptions{Kept: kept,
		Progress: func(done, total int64) { told.share("deriving the CSV", float64(done)/float64(max(total, 1))) }})
	told.end()
	if err != nil {
		if d != nil { // it holds in itself
			printVerdict(s.stderr, d)
		}
		return fmt.Errorf("%s: %w", c.Bundle, err)
	}
	if c.JSON {
		return printJSON(s.stdout, d)
	}
	fmt.Fprintf(s.stdout, "%s holds: its readings are what the log with this checkpoint has.\n", c.Bundle)
	printVerdict(s.stdout, d)
	return nil
}

// printVerdict says what a bundle shows.
func printVerdict(out io.Writer, d *bundle.Verdict) {
	at := func(ms int64) string { return time.UnixMilli(ms).UTC().Format(time.RFC3339) }
	fmt.Fprintf(out, "  log       %s, %d leaves, checkpoint of %s\n", d.Origin, d.Size, at(d.MadeMS))
	fmt.Fprintf(out, "  key       %s\n", d.Key)
	fmt.Fprintf(out, "  bundle    SHA-256 %s, %d bytes\n", d.SHA256, d.Bytes)
	fmt.Fprintf(out, "  window    %s to %s\n", at(d.FromMS), at(d.ToMS))
	if d.Scans > 0 {
		fmt.Fprintf(out, "  readings  %s to %s: %d scans in %d blocks, %d bytes of CSV (%s, %s)\n",
			at(d.FirstMS), at(d.LastMS), d.Scans, d.Blocks, d.CSVBytes, d.Layout, channelsText(d.Channels))
	} else {
		fmt.Fprintln(out, "  readings  none are kept")
	}
	for _, v := range d.Devices {
		fmt.Fprintf(out, "  device    %s: %d scans, %d with values\n", v.Name, v.Scans, v.Good)
	}
	for _, i := range d.Imported {
		fmt.Fprintf(out, "  imported  %s to %s: %d scans came from files, not from a line. %s\n", at(i.FirstMS), at(i.LastMS), i.Scans, i.Text)
	}
	for _, f := range d.Files {
		fmt.Fprintf(out, "  file      %s since %s, SHA-256 %s\n", f.Name, at(f.FromMS), f.SHA256)
	}
	for _, note := range verdictNotes(d) {
		fmt.Fprintln(out, "  note      "+note)
	}
	switch d.Kept {
	case "same":
		fmt.Fprintln(out, "  kept      the kept checkpoint is this log's")
	case "continued":
		fmt.Fprintf(out, "  kept      the log continues the kept checkpoint of %d leaves: nothing before it was altered\n", d.KeptSize)
	default:
		if d.KeptSize == 0 {
			fmt.Fprintln(out, "  note      without a checkpoint kept elsewhere (--checkpoint) this shows that the bundle is whole, not that it is the only one: whoever owns the machine can make another log")
		}
	}
}

func channelsText(ids []string) string {
	if len(ids) == 0 {
		return "all channels"
	}
	return strings.Join(ids, ", ")
}

// verdictNotes are what a reader should know before relying on a bundle.
func verdictNotes(d *bundle.Verdict) []string {
	var notes []string
	if d.Ends && d.LastMS < d.ToMS-1 {
		notes = append(notes, "the log ends within what is shown: what was recorded later is not in it")
	}
	if d.Begins {
		notes = append(notes, "the log begins within what is shown: nothing shows what was before")
	}
	if d.Dropped > 0 {
		notes = append(notes, fmt.Sprintf("%d blocks of the window had been deleted from the store, as its log tells", d.Dropped))
	}
	if d.Missing > 0 {
		notes = append(notes, fmt.Sprintf("%d scans were lost before they were sealed", d.Missing))
	}
	if n := len(d.LostTexts); n > 0 {
		notes = append(notes, fmt.Sprintf("%d versions of the site file or maps were lost", n))
	}
	if d.Adopted.Blocks > 0 {
		notes = append(notes, fmt.Sprintf("the log began with %d blocks that were there before it: nothing shows whether they had been altered by then", d.Adopted.Blocks))
	}
	if d.Adopted.Earlier != "" {
		notes = append(notes, "the log took the place of one in a damaged file")
	}
	return notes
}
