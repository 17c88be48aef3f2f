package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// leaveHour leaves an hour of readings of a site unsealed, as an agent does that is
// killed at the end of an hour: the next one seals it with its first reading.
func leaveHour(ctx context.Context, site *sitefile.Site) error {
	kept := site.Agent.DataDir
	recorder, err := agent.OpenRecorder(site, agent.Options{Version: "bench"})
	if err != nil {
		return err
	}
	from := recorder.Now().Truncate(time.Hour).Add(time.Hour) // the week ends on the hour or just before
	if gap := from.Sub(recorder.Now()); gap > 59*time.Minute {
		from = from.Add(-time.Hour)
	}
	err = recorder.Append(hourOf(recorder.Groups(), from))
	if err == nil {
		err = pause(ctx, 3*time.Second) // a sync each second
	}
	copied := kept + ".left"
	if err == nil {
		err = os.CopyFS(copied, os.DirFS(kept))
	}
	if err := errors.Join(err, recorder.Close()); err != nil {
		return fmt.Errorf("leave an hour unsealed: %w", err)
	}
	return errors.Join(os.RemoveAll(kept), os.Rename(copied, kept))
}

// journalBytes is what the unsealed readings of a data directory take.
func journalBytes(dataDir string) (n int64, err error) {
	files, err := os.ReadDir(filepath.Join(dataDir, "journal"))
	if err != nil {
		return 0, fmt.Errorf("the journal: %w", err)
	}
	for _, f := range files {
		info, err := f.Info()
		if err != nil {
			return 0, fmt.Errorf("the journal: %w", err)
		}
		n += info.Size()
	}
	return n, nil
}

// hourOf is an hour of scans of the groups that are read once a second, their
// values at random as far as seven bits go.
func hourOf(groups []*scan.Group, from time.Time) []scan.Scan {
	random := rand.New(rand.NewPCG(1, 2))
	var batch []scan.Scan
	for second := range int64(3600) {
		for _, g := range groups {
			if g.PeriodMS != 1000 {
				continue
			}
			values := make([]int64, len(g.Channels))
			for i := range values {
				values[i] = 1000 + random.Int64N(128)
			}
			batch = append(batch, scan.Scan{Group: g, MonoMS: second * 1000, WallMS: from.UnixMilli() + second*1000, DurationMS: 10, Values: values})
		}
	}
	return batch
}
