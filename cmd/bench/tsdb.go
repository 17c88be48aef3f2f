package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"

	"loadscribe/simulator"
)

// tsdbRows is the part of the bench week that Prometheus' TSDB gets: a day.
// promtool reads its whole input once for each block of two hours, and a week
// would take it minutes.
const tsdbRows = 24 * 3600

// errNoPromtool is returned where Prometheus' tool is not installed.
var errNoPromtool = errors.New("promtool is not installed")

// tsdbBytes has promtool make blocks of the first rows of columns and returns
// the bytes of all files in them a sample. The values are the counts, which
// suit its differences of floats better than tenths would.
func tsdbBytes(ctx context.Context, dir string, columns []simulator.BenchColumn, fromS int64, rows int) (float64, error) {
	tool, err := exec.LookPath("promtool")
	if err != nil {
		return 0, errNoPromtool
	}
	if err := os.Mkdir(dir, 0o755); err != nil {
		return 0, err
	}
	input, blocks := filepath.Join(dir, "samples"), filepath.Join(dir, "blocks")
	if err := writeOpenMetrics(input, columns, fromS, rows); err != nil {
		return 0, fmt.Errorf("write samples for promtool: %w", err)
	}
	cmd := exec.CommandContext(ctx, tool, "tsdb", "create-blocks-from", "openmetrics", "--quiet", input, blocks)
	if out, err := cmd.CombinedOutput(); err != nil {
		return 0, fmt.Errorf("promtool tsdb create-blocks-from openmetrics: %w\n%s", err, out)
	}
	bytes, samples, err := blocksSize(blocks)
	if err == nil && samples != rows*len(columns) {
		err = fmt.Errorf("promtool's blocks have %d samples, not %d", samples, rows*len(columns))
	}
	if err != nil {
		return 0, err
	}
	return float64(bytes) / float64(samples), os.RemoveAll(dir)
}

// writeOpenMetrics writes a gauge a column, a reading a second.
func writeOpenMetrics(name string, columns []simulator.BenchColumn, fromS int64, rows int) (err error) {
	f, err := os.Create(name)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	w := bufio.NewWriterSize(f, 1<<20)
	var line []byte
	for _, c := range columns {
		fmt.Fprintf(w, "# TYPE %s gauge\n", c.Name)
		for i, v := range c.Counts[:rows] {
			line = append(append(line[:0], c.Name...), ' ')
			line = append(strconv.AppendInt(line, v, 10), ' ')
			line = append(strconv.AppendInt(line, fromS+int64(i), 10), '\n')
			if _, err := w.Write(line); err != nil {
				return err
			}
		}
	}
	fmt.Fprintln(w, "# EOF")
	return w.Flush()
}

// blocksSize is the size of all files below dir and the samples that the
// blocks there say they have.
func blocksSize(dir string) (bytes int64, samples int, err error) {
	err = filepath.WalkDir(dir, func(name string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		info, err := e.Info()
		if err != nil {
			return err
		}
		bytes += info.Size()
		if e.Name() != "meta.json" {
			return nil
		}
		text, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		var meta struct {
			Stats struct {
				NumSamples int `json:"numSamples"`
			} `json:"stats"`
		}
		if err := json.Unmarshal(text, &meta); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		samples += meta.Stats.NumSamples
		return nil
	})
	return bytes, samples, err
}
