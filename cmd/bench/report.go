package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"loadscribe/agent"
)

// reportFigures are the rows of the section.
var reportFigures = []string{"report_week", "report_html_bytes", "report_memory"}

const reportReps = 3

// reportRows makes the audit report of the demo's week, all files of it.
func reportRows(ctx context.Context, b *bench) ([]row, error) {
	w, err := b.demoWeek(ctx)
	if err != nil {
		return nil, err
	}
	asked := agent.ReportRequest{From: w.shop.History().UTC().Format(time.RFC3339), To: b.now.UTC().Format(time.RFC3339)}
	var made *agent.ReportMade
	took, err := timed(reportReps, func() error {
		h, err := agent.OpenHistory(w.shop.Site, "bench", slog.New(slog.DiscardHandler))
		if err != nil {
			return err
		}
		made, err = h.ReportFiles(ctx, asked, nil)
		return errors.Join(err, h.Close())
	})
	if err != nil {
		return nil, err
	}
	sizes, html := []string{}, 0.0
	for i := range made.Files {
		f := &made.Files[i]
		sizes = append(sizes, fmt.Sprintf("%s %s MB", f.Name, number(float64(f.Bytes)/1e6)))
		if f.Name == "report.html" {
			html = float64(f.Bytes) / 1e6
		}
	}
	if len(sizes) != len(agent.ReportFileNames()) || html == 0 {
		return nil, fmt.Errorf("the report has the files %v", sizes)
	}
	memory, err := reportMemory(ctx, b, w.shop.Site.Path, asked)
	return []row{
		{figure: "report_week", value: took / 1000, unit: "s", goal: 3,
			note: fmt.Sprintf("the demo week, from opening the files of the stopped agent to the last byte of each report, with the replay of the alternatives that suit the site; median of %d in one process; %d findings", reportReps, made.FindingCount)},
		{figure: "report_html_bytes", value: html, unit: "MB", goal: 1.5, note: strings.Join(sizes, ", ")},
		memory,
	}, err
}

// reportMemory lets the program itself write the report, and watches its memory.
func reportMemory(ctx context.Context, b *bench, site string, asked agent.ReportRequest) (row, error) {
	out := row{figure: "report_memory", unit: "MB"}
	if _, err := os.Stat("/proc/self/smaps_rollup"); err != nil {
		out.missing = "not measured on this system"
		return out, nil
	}
	binary, err := buildAgent(ctx, b.dir)
	if err != nil {
		return out, err
	}
	cmd := exec.CommandContext(ctx, binary, "report", "--site", site, "--from", asked.From, "--to", asked.To, "--out", filepath.Join(b.dir, "report"))
	var said lockedBuffer
	cmd.Stderr = &said
	began := time.Now()
	if err := cmd.Start(); err != nil {
		return out, fmt.Errorf("report: %w", err)
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	dirty, _, err := watchMemory(cmd.Process.Pid, ended)
	if err != nil {
		return out, fmt.Errorf("report: %w: %s", err, strings.TrimSpace(said.String()))
	}
	if len(dirty) == 0 {
		return out, errors.New("the report was over before its memory could be read")
	}
	out.value = slices.Max(dirty)
	out.note = fmt.Sprintf("peak private dirty memory of loadscribe report of the same week, in %s s", number(time.Since(began).Seconds()))
	return out, nil
}
