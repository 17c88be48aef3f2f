package main

import (
	"context"
	"io"
	"net"
	"net/http"
	"net/url"
	"sync/atomic"
	"testing"
	"time"

	"github.com/coder/websocket"
)

const soakAddress = "127.0.0.1:8477"

// soakSeen counts what visitors of the pages got.
type soakSeen struct {
	answers, live, scans atomic.Int64
}

// soakBrowser talks to the agent through pipes.
func soakBrowser(sockets pipes) *http.Client {
	return &http.Client{Transport: &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		near, far := net.Pipe()
		select {
		case sockets <- far:
			return near, nil
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}}}
}

// visit asks for what pages and Prometheus ask for, until ctx ends.
func (v *soakSeen) visit(ctx context.Context, t *testing.T, sockets pipes) {
	client := soakBrowser(sockets)
	defer client.CloseIdleConnections()
	hourly := []string{"/api/v1/figures?from=-1d", "/api/v1/series?channel=controller.discharge_pressure&from=-2d&points=500",
		"/api/v1/events?from=-1d", "/api/v1/missed?from=-1d", "/api/v1/intervals?from=-6h", "/api/v1/export?from=-10m", "/"}
	// The store keeps 3 MB of decoded summaries: as much as these are. A page that asks for
	// the last day alone takes two weeks to fill that, which would look like growth.
	v.get(ctx, t, client, "/api/v1/figures?from=-15d")
	for n := 0; ; n++ {
		paths := []string{"/metrics", "/api/v1/state"}
		if n%3 == 0 {
			paths = append(paths, hourly[n/3%len(hourly)])
		}
		for _, path := range paths {
			v.get(ctx, t, client, path)
		}
		select {
		case <-time.After(20 * time.Minute):
		case <-ctx.Done():
			return
		}
	}
}

func (v *soakSeen) get(ctx context.Context, t *testing.T, client *http.Client, path string) {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, (&url.URL{Scheme: "http", Host: soakAddress}).String()+path, nil)
	if err != nil {
		t.Error(err)
		return
	}
	answer, err := client.Do(request)
	if err != nil {
		if ctx.Err() == nil {
			t.Errorf("%s: %v", path, err)
		}
		return
	}
	defer answer.Body.Close()
	_, err = io.Copy(io.Discard, answer.Body)
	if ctx.Err() != nil {
		return
	}
	if err != nil || answer.StatusCode != http.StatusOK {
		t.Errorf("%s answers %d, %v", path, answer.StatusCode, err)
	}
	v.answers.Add(1)
}

// watch opens the live page for half an hour, four times a day, until ctx ends.
func (v *soakSeen) watch(ctx context.Context, t *testing.T, sockets pipes) {
	client := soakBrowser(sockets)
	defer client.CloseIdleConnections()
	for ctx.Err() == nil {
		conn, _, err := websocket.Dial(ctx, "ws://"+soakAddress+"/api/v1/live", &websocket.DialOptions{HTTPClient: client})
		if err != nil {
			if ctx.Err() == nil {
				t.Errorf("the live socket: %v", err)
			}
			return
		}
		conn.SetReadLimit(1 << 20)
		v.live.Add(1)
		open, shut := context.WithTimeout(ctx, 30*time.Minute)
		for err == nil {
			if _, _, err = conn.Read(open); err == nil {
				v.scans.Add(1)
			}
		}
		if open.Err() == nil {
			t.Errorf("the live socket was closed: %v", err)
		}
		shut()
		conn.CloseNow()
		select {
		case <-time.After(330 * time.Minute):
		case <-ctx.Done():
		}
	}
}
