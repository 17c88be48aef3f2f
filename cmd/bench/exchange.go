package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// exchangeDays is how much of the bench week goes out and in again.
const exchangeDays = 7

// ownMapping reads what export writes.
const ownMapping = `[[logger]]
name = "export"
layout = %q
[logger.time]
column = "time"
format = "rfc3339"
`

// exchangeRows lets the program itself export the bench week as CSV and import
// it into a new directory, both layouts; the rows are those of the wide one.
func exchangeRows(ctx context.Context, b *bench) ([]row, error) {
	dir := filepath.Join(b.dir, "exchange")
	site, err := storeYear(ctx, dir, b.exchangeDays, b.exchangeDays)
	if err != nil {
		return nil, err
	}
	binary, err := buildAgent(ctx, b.dir)
	if err != nil {
		return nil, err
	}
	times := yearBegin.AddDate(0, 0, int(b.exchangeDays)).Format(time.RFC3339)
	out, in := row{figure: "export_rows_per_second", unit: "rows/s"}, row{figure: "import_rows_per_second", unit: "rows/s"}
	seconds := b.exchangeDays * 86_400
	for _, layout := range []string{"long", "wide"} {
		file, mapping, data := filepath.Join(dir, layout+".csv"), filepath.Join(dir, layout+".toml"), filepath.Join(dir, layout)
		if err := os.WriteFile(mapping, fmt.Appendf(nil, ownMapping, layout), 0o644); err != nil {
			return nil, err
		}
		exported, err := runTimed(ctx, binary, "export", "--site", site.Path, "--layout", layout, "--from", yearBegin.Format(time.RFC3339), "--to", times, "--out", file)
		if err != nil {
			return nil, err
		}
		imported, err := runTimed(ctx, binary, "import", "--site", site.Path, "--data", data, "--map", mapping, file)
		if err != nil {
			return nil, err
		}
		if err := holdsAll(data, uint64(seconds)); err != nil {
			return nil, err
		}
		rows := float64(seconds)
		if layout == "long" {
			rows *= float64(len(sitefile.Groups(site)[0].Channels))
		}
		out.value, in.value = rows/exported.Seconds(), rows/imported.Seconds()
		out.note += fmt.Sprintf("%s: %s rows/s, %.1f s; ", layout, number(out.value), exported.Seconds())
		in.note += fmt.Sprintf("%s: %s rows/s, %.1f s; ", layout, number(in.value), imported.Seconds())
		if err := os.Remove(file); err != nil {
			return nil, err
		}
	}
	out.note += fmt.Sprintf("%d days of seconds, 12 channels, to a file, start of the program included", b.exchangeDays)
	in.note += "the same files read twice (checked, then stored), folded and sealed, into a new directory"
	return []row{out, in}, nil
}

// runTimed runs the program to its end.
func runTimed(ctx context.Context, binary string, args ...string) (time.Duration, error) {
	cmd := exec.CommandContext(ctx, binary, args...)
	var said bytes.Buffer
	cmd.Stderr = &said
	began := time.Now()
	if err := cmd.Run(); err != nil {
		return 0, fmt.Errorf("%s: %w: %s", args[0], err, strings.TrimSpace(said.String()))
	}
	return time.Since(began), nil
}

// holdsAll fails unless a store has that many scans.
func holdsAll(dir string, scans uint64) error {
	s, err := store.OpenReadOnly(dir, store.Options{})
	if err != nil {
		return err
	}
	if got := s.LastSeq(); got != scans {
		err = fmt.Errorf("the import has %d scans, not %d", got, scans)
	}
	if closed := s.Close(); err == nil {
		err = closed
	}
	return err
}
