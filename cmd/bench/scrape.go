package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"runtime"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"
)

var scrapeFigures = []string{"scrape_p99", "scrape_cpu"}

const (
	scrapesASecond = 20 // to see what one takes; a Prometheus comes once in 15 s
	scrapeRounds   = 3
	scrapeWindow   = 20 * time.Second // half of a round: with scrapes, and without
)

// scrapeRows measures the real binary with 40 registers at 1 Hz and the demo's week behind
// it, scraped and left alone in turns, no page open.
func scrapeRows(ctx context.Context, b *bench) (rows []row, err error) {
	slow := row{figure: "scrape_p99", unit: "ms", goal: 5}
	cpu := row{figure: "scrape_cpu", unit: "% of a core", goal: 0.5}
	if runtime.GOOS != "linux" {
		cpu.missing, slow.missing = "not measured on this system", "not measured on this system"
		return []row{slow, cpu}, nil
	}
	s, err := besideShop(ctx, b, "scrapeshop", scrapeAgent)
	if err != nil {
		return nil, err
	}
	slices.Sort(s.took)
	at := func(share float64) float64 { return s.took[int(share*float64(len(s.took)-1))].Seconds() * 1000 }
	slow.value = at(0.99)
	slow.note = fmt.Sprintf("of %d scrapes, gzip, on one connection; half of them took %.2f ms, the longest %.1f; %d bytes, %d packed", len(s.took), at(0.5), at(1), s.bytes, s.packed)
	each := (s.busy - s.idle).Seconds() / float64(len(s.took)) // the windows are equally long
	cpu.value = 100 * each
	cpu.note = fmt.Sprintf("at a scrape a second: %.2f ms of processor each, from windows with %d scrapes a second and without, %d of each; once in 15 s it is %.4f %%",
		1000*each, scrapesASecond, scrapeRounds, 100*each/15)
	return []row{slow, cpu}, nil
}

// scrapesSeen is what was measured.
type scrapesSeen struct {
	took          []time.Duration
	bytes, packed int64 // of one answer
	busy, idle    time.Duration
}

func scrapeAgent(ctx context.Context, group *errgroup.Group, b *bench, w *demoWeek) (*scrapesSeen, error) {
	binary, err := buildAgent(ctx, b.dir)
	if err != nil {
		return nil, err
	}
	bank, err := serveBank(ctx, group)
	if err != nil {
		return nil, err
	}
	site, err := fortyRegisters(w, bank)
	if err != nil {
		return nil, err
	}
	a, err := startAgent(ctx, binary, site)
	if err != nil {
		return nil, err
	}
	s := &scrapesSeen{}
	err = s.rounds(ctx, a)
	return s, a.explain(errors.Join(err, a.stop()))
}

func (s *scrapesSeen) rounds(ctx context.Context, a *agentProcess) error {
	if err := pause(ctx, agentWarmUp); err != nil {
		return err
	}
	packed := &http.Transport{DisableCompression: true} // the answer as it comes
	defer packed.CloseIdleConnections()
	client := &http.Client{Transport: packed}
	plain, err := scrapeOnce(ctx, client, a.url, "", nil)
	if err != nil {
		return err
	}
	s.bytes = plain
	for range scrapeRounds {
		for _, scraped := range []bool{true, false} {
			before, err := processCPU(a.pid())
			if err != nil {
				return err
			}
			if err := s.window(ctx, client, a.url, scraped); err != nil {
				return err
			}
			after, err := processCPU(a.pid())
			if err != nil {
				return err
			}
			if scraped {
				s.busy += after - before
			} else {
				s.idle += after - before
			}
		}
	}
	return nil
}

// window lets a window pass, with scrapes or without.
func (s *scrapesSeen) window(ctx context.Context, client *http.Client, url string, scraped bool) error {
	if !scraped {
		return pause(ctx, scrapeWindow)
	}
	tick := time.NewTicker(time.Second / scrapesASecond)
	defer tick.Stop()
	for began := time.Now(); time.Since(began) < scrapeWindow; {
		select {
		case <-tick.C:
		case <-ctx.Done():
			return ctx.Err()
		}
		n, err := scrapeOnce(ctx, client, url, "gzip", &s.took)
		if err != nil {
			return err
		}
		s.packed = n
	}
	return nil
}

// scrapeOnce reads /metrics and returns its length; took may be nil.
func scrapeOnce(ctx context.Context, client *http.Client, url, encoding string, took *[]time.Duration) (int64, error) {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, url+"/metrics", nil)
	if err != nil {
		return 0, err
	}
	if encoding != "" {
		request.Header.Set("Accept-Encoding", encoding)
	}
	began := time.Now()
	answer, err := client.Do(request)
	if err != nil {
		return 0, fmt.Errorf("scrape: %w", err)
	}
	n, err := io.Copy(io.Discard, answer.Body)
	lasted := time.Since(began)
	answer.Body.Close()
	switch {
	case err != nil:
		return n, fmt.Errorf("scrape: %w", err)
	case answer.StatusCode != http.StatusOK || answer.Header.Get("Content-Encoding") != encoding || n < 1000:
		return n, fmt.Errorf("scrape: %s, %q, %d bytes", answer.Status, answer.Header.Get("Content-Encoding"), n)
	}
	if took != nil {
		*took = append(*took, lasted)
	}
	return n, nil
}
