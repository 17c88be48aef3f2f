package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"time"

	"golang.org/x/sync/errgroup"

	"loadscribe/agent/poll"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// agentFigures are the rows of the section.
var agentFigures = []string{"agent_private_memory", "agent_cpu", "stop_time"}

const (
	agentRegisters = 40 // read once a second
	agentPages     = 5  // open at once
	agentWarmUp    = 20 * time.Second
	agentWindow    = 30 * time.Second
	memoryEvery    = time.Second
)

// agentRows measures the real binary while it polls and five pages are open, after an
// hourly seal, and how long it then takes to stop.
func agentRows(ctx context.Context, b *bench) ([]row, error) {
	memory := row{figure: "agent_private_memory", unit: "MB", goal: 30}
	cpu := row{figure: "agent_cpu", unit: "% of a core", goal: 0.5}
	stop := row{figure: "stop_time", unit: "s", goal: 5}
	if runtime.GOOS != "linux" {
		memory.missing, cpu.missing, stop.missing = "not measured on this system", "not measured on this system", "not measured on this system"
		return []row{memory, cpu, stop}, nil
	}
	seen, err := besideShop(ctx, b, "agentshop", runAgent)
	if err != nil {
		return nil, err
	}
	memory.value, cpu.value, stop.value = seen.privateMB(), seen.cpuPercent, seen.stopS
	memory.note = fmt.Sprintf("in the first minute, in which an hour of all registers was sealed; %.1f MB of it clean (program and mapped files that nobody else has open); %s", median(seen.cleanMB), seen.load)
	cpu.note = fmt.Sprintf("user and system time of %.0f s", agentWindow.Seconds())
	stop.note = "from the signal to the end of the process, pages open"
	return []row{memory, cpu, stop}, nil
}

// besideShop records the demo's week up to an hour ago into a folder of a name, and
// measures while the shop's devices answer.
func besideShop[T any](ctx context.Context, b *bench, name string, measure func(context.Context, *errgroup.Group, *bench, *demoWeek) (T, error)) (seen T, err error) {
	w, err := b.demoWeekTo(ctx, name, b.now.Truncate(time.Hour).Add(-time.Hour))
	if err != nil {
		return seen, err
	}
	defer w.close()
	ctx, cancel := context.WithCancel(ctx)
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return w.shop.Serve(ctx) })
	seen, err = measure(ctx, group, b, w)
	cancel()
	if waitErr := group.Wait(); err == nil || errors.Is(err, context.Canceled) {
		err = errors.Join(err, waitErr)
	}
	return seen, err
}

// runAgent builds and starts the binary, opens the pages, measures, and stops it.
func runAgent(ctx context.Context, group *errgroup.Group, b *bench, w *demoWeek) (*seen, error) {
	binary, err := buildAgent(ctx, b.dir)
	if err != nil {
		return nil, err
	}
	address, err := serveBank(ctx, group)
	if err != nil {
		return nil, err
	}
	path, err := fortyRegisters(w, address)
	if err != nil {
		return nil, err
	}
	site, err := sitefile.Load(path, sitefile.Options{})
	if err != nil {
		return nil, err
	}
	if err := leaveHour(ctx, site); err != nil {
		return nil, err
	}
	hour, err := journalBytes(site.Agent.DataDir)
	if err != nil {
		return nil, err
	}
	a, err := startAgent(ctx, binary, path)
	if err != nil {
		return nil, err
	}
	pages := make([]*page, agentPages)
	open, closePages := context.WithCancel(ctx)
	for i := range pages {
		pages[i] = &page{base: a.url, machine: w.shop.Site.Machines[0].Name, zone: w.shop.Site.Location}
		group.Go(func() error { return pages[i].run(open) })
	}
	s, err := watch(ctx, a.pid(), pages)
	if left, journalErr := journalBytes(site.Agent.DataDir); err == nil && (journalErr != nil || left > hour/4) {
		err = errors.Join(fmt.Errorf("the hour before was not sealed: %d bytes of %d are in the journal", left, hour), journalErr)
	}
	for _, p := range pages {
		p.leaving.Store(true)
	}
	began := time.Now()
	stopErr := a.stop()
	closePages()
	if err = errors.Join(err, stopErr); err != nil {
		return nil, a.explain(err)
	}
	s.stopS = time.Since(began).Seconds()
	return s, nil
}

// seen is what was measured of the agent.
type seen struct {
	cleanMB, dirtyMB []float64
	cpuPercent       float64
	stopS            float64
	load             string // what the page received meanwhile
}

func (s *seen) privateMB() float64 {
	all := make([]float64, len(s.cleanMB))
	for i := range all {
		all[i] = s.cleanMB[i] + s.dirtyMB[i]
	}
	return median(all)
}

// watch lets the agent warm up, then measures it. It fails if the pages did not
// get what an agent under this load sends.
func watch(ctx context.Context, pid int, pages []*page) (*seen, error) {
	if err := pause(ctx, agentWarmUp); err != nil {
		return nil, err
	}
	began := time.Now()
	scans, figures, series := answered(pages)
	before, err := processCPU(pid)
	if err != nil {
		return nil, err
	}
	s := &seen{}
	for time.Since(began) < agentWindow {
		clean, dirty, err := privateMemory(pid)
		if err != nil {
			return nil, err
		}
		s.cleanMB, s.dirtyMB = append(s.cleanMB, float64(clean)/1e6), append(s.dirtyMB, float64(dirty)/1e6)
		if err := pause(ctx, min(memoryEvery, agentWindow-time.Since(began))); err != nil {
			return nil, err
		}
	}
	after, err := processCPU(pid)
	if err != nil {
		return nil, err
	}
	window := time.Since(began).Seconds()
	s.cpuPercent = 100 * (after - before).Seconds() / window
	scansNow, figuresNow, seriesNow := answered(pages)
	scans, figures, series = scansNow-scans, figuresNow-figures, seriesNow-series
	s.load = fmt.Sprintf("%d pages got %d scans, asked %d times for figures and %d times for the last hour", len(pages), scans, figures, series)
	// Three devices answer once a second; figures change every ten.
	n := int64(len(pages))
	if float64(scans) < 0.8*3*window*float64(n) || figures < 2*n || series < n {
		return nil, fmt.Errorf("the agent was not under the load meant: in %.0f s %s", window, s.load)
	}
	return s, nil
}

// answered adds up what the pages have got.
func answered(pages []*page) (scans, figures, series int64) {
	for _, p := range pages {
		scans, figures, series = scans+p.scans.Load(), figures+p.figures.Load(), series+p.series.Load()
	}
	return scans, figures, series
}

func pause(ctx context.Context, d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// fortyRegisters writes a site file that is the shop's with as many registers
// of the bank beside it as make agentRegisters a second in all.
func fortyRegisters(w *demoWeek, bankAddress string) (string, error) {
	n, err := registersAtOneHertz(w.shop.Site)
	if err != nil {
		return "", err
	}
	more := agentRegisters - n
	if more < 1 || more > bankRegisters {
		return "", fmt.Errorf("the demo reads %d registers a second: the bank cannot make it %d", n, agentRegisters)
	}
	text, err := os.ReadFile(w.shop.Site.Path)
	if err != nil {
		return "", fmt.Errorf("read the demo's site file: %w", err)
	}
	path := filepath.Join(w.dir, "bench.toml")
	err = errors.Join(
		os.WriteFile(filepath.Join(w.dir, "maps", "bank.toml"), []byte(bankMap(more)), 0o644),
		os.WriteFile(path, append(text, bankDevice("maps/bank.toml", bankAddress)...), 0o644))
	if err != nil {
		return "", fmt.Errorf("write the agent's site file: %w", err)
	}
	site, err := sitefile.Load(path, sitefile.Options{})
	if err != nil {
		return "", err
	}
	if n, err = registersAtOneHertz(site); err == nil && n != agentRegisters {
		err = fmt.Errorf("the agent's site reads %d registers a second, not %d", n, agentRegisters)
	}
	return path, err
}

// registersAtOneHertz counts the registers that hold a channel read once a
// second; what is read along in holes does not count.
func registersAtOneHertz(site *sitefile.Site) (int, error) {
	type place struct {
		device   string
		function byte
		address  int
	}
	places := map[place]bool{}
	for _, g := range sitefile.Groups(site) {
		if g.PeriodMS != 1000 {
			continue
		}
		if err := eachRegister(site, g, func(function byte, address int) {
			places[place{g.Device, function, address}] = true
		}); err != nil {
			return 0, err
		}
	}
	return len(places), nil
}

func eachRegister(site *sitefile.Site, g *scan.Group, f func(function byte, address int)) error {
	d, ok := site.DeviceByName(g.Device)
	if !ok {
		return fmt.Errorf("the site has no device %q", g.Device)
	}
	blocks, err := poll.Plan(d, g)
	if err != nil {
		return err
	}
	for _, b := range blocks {
		for _, field := range b.Fields {
			for k := range field.Length {
				f(b.Request.Function, int(b.Request.Address)+field.Offset+k)
			}
		}
	}
	return nil
}
