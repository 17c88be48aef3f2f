package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"

	"golang.org/x/sync/errgroup"
)

// pageFigures are the rows of the section.
var pageFigures = []string{"scan_to_paint_p95", "lcp", "inp_p75", "week_40_channels_drawn", "first_page_script_gz"}

// pageScript measures in a browser: it says what it reads and prints.
const pageScript = "e2e/bench.mjs"

// pageRows measures the pages in Chromium against the real binary on the demo's
// week. Without browser, Node or built pages the rows say so.
func pageRows(ctx context.Context, b *bench) ([]row, error) {
	rows := []row{
		{figure: "scan_to_paint_p95", unit: "ms", goal: 150},
		{figure: "lcp", unit: "ms", goal: 800},
		{figure: "inp_p75", unit: "ms", goal: 50},
		{figure: "week_40_channels_drawn", unit: "ms", goal: 150},
		{figure: "first_page_script_gz", unit: "kB", goal: 120},
	}
	web, err := webFolder()
	if err != nil {
		for i := range rows {
			rows[i].missing = err.Error()
		}
		return rows, nil
	}
	w, err := b.demoWeek(ctx)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancel(ctx)
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return w.shop.Serve(ctx) })
	found, err := browse(ctx, b, w, web)
	cancel()
	if waitErr := group.Wait(); err == nil || errors.Is(err, context.Canceled) {
		err = errors.Join(err, waitErr)
	}
	if err != nil {
		return nil, err
	}
	for i := range rows {
		f, ok := found[rows[i].figure]
		if !ok {
			return nil, fmt.Errorf("%s gave no %s", pageScript, rows[i].figure)
		}
		rows[i].value, rows[i].note = f.Value, f.Note
	}
	return rows, nil
}

// webFolder is where the pages' sources are; the error says what is not there.
func webFolder() (string, error) {
	for _, program := range []string{"node", "chromium"} {
		if _, err := exec.LookPath(program); err != nil {
			return "", fmt.Errorf("not measured: no %s here", program)
		}
	}
	web := filepath.Join("dashboard", "web")
	for _, need := range []string{"dist/index.html", "node_modules/playwright-core", pageScript} {
		if _, err := os.Stat(filepath.Join(web, need)); err != nil {
			return "", errors.New("not measured: run make build, and the bench in the repository's folder")
		}
	}
	return web, nil
}

// pageFound is what the browser measured.
type pageFound map[string]struct {
	Value float64 `json:"value"`
	Note  string  `json:"note"`
}

func browse(ctx context.Context, b *bench, w *demoWeek, web string) (pageFound, error) {
	binary, err := buildAgent(ctx, b.dir)
	if err != nil {
		return nil, err
	}
	a, err := startAgent(ctx, binary, w.shop.Site.Path)
	if err != nil {
		return nil, err
	}
	cmd := exec.CommandContext(ctx, "node", pageScript)
	cmd.Dir, cmd.Stderr = web, b.log
	cmd.Env = append(os.Environ(), "BASE_URL="+a.url)
	out, err := cmd.Output()
	if stopErr := a.stop(); err == nil {
		err = stopErr
	}
	if err != nil {
		return nil, a.explain(fmt.Errorf("%s: %w", pageScript, err))
	}
	var found pageFound
	if err := json.Unmarshal(out, &found); err != nil {
		return nil, fmt.Errorf("%s printed %.200q: %w", pageScript, out, err)
	}
	return found, nil
}
