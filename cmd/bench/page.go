package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"sync/atomic"
	"time"

	"github.com/coder/websocket"
	"golang.org/x/sync/errgroup"
)

const (
	// seriesEvery is how often the last hour is asked for: more often than the
	// page, which asks when it has lost its connection.
	seriesEvery  = 30 * time.Second
	seriesPoints = "750"
	mostMessage  = 4 << 20 // bytes of one live message
)

// page asks the agent for what the page At the machine asks for, and throws it
// away.
type page struct {
	base    string // http://host:port
	machine string
	zone    *time.Location

	scans, figures, series atomic.Int64 // answers that came whole
	leaving                atomic.Bool  // the agent is about to be stopped: what fails then is no error
}

// run keeps the page open until ctx ends; it returns nil then.
func (p *page) run(ctx context.Context) error {
	conn, _, err := websocket.Dial(ctx, strings.Replace(p.base, "http", "ws", 1)+"/api/v1/live",
		&websocket.DialOptions{HTTPHeader: http.Header{"Origin": {p.base}}})
	if err != nil {
		return fmt.Errorf("open the page's live socket: %w", err)
	}
	defer conn.CloseNow()
	conn.SetReadLimit(mostMessage)
	changed := make(chan struct{}, 1)
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return p.listen(ctx, conn, changed) })
	group.Go(func() error { return p.ask(ctx, changed) })
	if err := group.Wait(); err != nil && !errors.Is(err, context.Canceled) && !p.leaving.Load() {
		return fmt.Errorf("page: %w", err)
	}
	return nil
}

// listen reads every live message.
func (p *page) listen(ctx context.Context, conn *websocket.Conn, changed chan<- struct{}) error {
	for {
		_, data, err := conn.Read(ctx)
		if err != nil {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			return fmt.Errorf("live socket: %w", err)
		}
		var message struct{ Type string }
		if err := json.Unmarshal(data, &message); err != nil {
			return fmt.Errorf("live message: %w", err)
		}
		switch message.Type {
		case "scan":
			p.scans.Add(1)
		case "figures_changed":
			select {
			case changed <- struct{}{}:
			default: // already asked for
			}
		}
	}
}

// ask fetches what the page fetches: the site and the last hour at its
// opening, figures whenever they have changed.
func (p *page) ask(ctx context.Context, changed <-chan struct{}) error {
	for _, path := range []string{"/", "/api/v1/site"} {
		if err := p.get(ctx, path, nil); err != nil {
			return err
		}
	}
	tick := time.NewTicker(seriesEvery)
	defer tick.Stop()
	if err := p.lastHour(ctx); err != nil {
		return err
	}
	for {
		var err error
		select {
		case <-changed:
			err = p.today(ctx)
		case <-tick.C:
			err = p.lastHour(ctx)
		case <-ctx.Done():
			err = ctx.Err()
		}
		if err != nil {
			return err
		}
	}
}

func (p *page) today(ctx context.Context) error {
	err := p.get(ctx, "/api/v1/figures", url.Values{
		"from": {time.Now().In(p.zone).Format(time.DateOnly)}, "to": {"now"}, "machine": {p.machine}})
	if err == nil {
		p.figures.Add(1)
	}
	return err
}

func (p *page) lastHour(ctx context.Context) error {
	err := p.get(ctx, "/api/v1/series", url.Values{
		"state": {p.machine}, "from": {time.Now().Add(-time.Hour).UTC().Format(time.RFC3339)}, "to": {"now"}, "points": {seriesPoints},
		"channel": {"controller.discharge_pressure", "meter.power"}})
	if err == nil {
		p.series.Add(1)
	}
	return err
}

func (p *page) get(ctx context.Context, path string, query url.Values) error {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, p.base+path, nil)
	if err != nil {
		return err
	}
	request.URL.RawQuery = query.Encode()
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		return err
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if err == nil && response.StatusCode != http.StatusOK {
		err = fmt.Errorf("GET %s: %s: %s", path, response.Status, body)
	}
	return err
}
