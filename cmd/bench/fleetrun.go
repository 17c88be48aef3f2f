package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"time"

	"loadscribe/cmd/loadscribe/fleet"
	"loadscribe/testdata/peers"
)

// fleetReceiver takes what is sent and keeps it, whatever its time.
const fleetReceiver = "storage: { tsdb: { out_of_order_time_window: 3650d } }\n"

// fleetRun is some shops and their receiver.
type fleetRun struct {
	shops    []*fleet.Shop
	wires    []*fleet.Wire
	receiver *peers.PrometheusServer
	front    *httptest.Server // speaks TLS before the receiver; nil: there is none
	at       time.Time        // recorded up to here
}

// startFleet starts a receiver and opens the shops that will send to it.
func startFleet(b *bench, size fleet.Size, every, length time.Duration, overTLS bool) (r *fleetRun, err error) {
	dir, err := os.MkdirTemp(b.dir, "fleet-")
	if err != nil {
		return nil, fmt.Errorf("make a directory for a fleet: %w", err)
	}
	r = &fleetRun{at: fleet.Monday()}
	r.receiver, err = peers.StartPrometheus(dir, fleetReceiver, "--web.enable-remote-write-receiver", "--web.enable-admin-api",
		"--storage.tsdb.retention.time=3650d")
	if err != nil {
		return nil, missingReceiver(err)
	}
	to, config, err := r.receiver.URL, (*tls.Config)(nil), error(nil)
	if overTLS {
		to, config, err = r.startFront()
	}
	for i, town := range fleet.Towns(b.fleetSites) {
		if err != nil {
			return nil, errors.Join(err, r.close())
		}
		wire := fleet.NewWire(config)
		var shop *fleet.Shop
		shop, err = fleet.Open(filepath.Join(dir, town), fleet.Options{Town: town, Size: size, Seed: uint64(i + 1), From: r.at, Length: length,
			Every: every, URL: to + "/api/v1/write", Wire: wire})
		if err == nil {
			r.shops, r.wires = append(r.shops, shop), append(r.wires, wire)
		}
	}
	return r, err
}

// startFront puts a server before the receiver that speaks TLS, as those have that
// stand on a network.
func (r *fleetRun) startFront() (to string, config *tls.Config, err error) {
	back, err := url.Parse(r.receiver.URL)
	if err != nil {
		return "", nil, err
	}
	r.front = httptest.NewTLSServer(httputil.NewSingleHostReverseProxy(back))
	config = &tls.Config{RootCAs: x509.NewCertPool(), MinVersion: tls.VersionTLS13}
	config.RootCAs.AddCert(r.front.Certificate())
	return r.front.URL, config, nil
}

// each does something with every shop, as many at a time as there are cores, or all
// at once.
func (r *fleetRun) each(all bool, do func(*fleet.Shop) error) error {
	var wait sync.WaitGroup
	places, failed := make(chan bool, len(r.shops)), make(chan error, len(r.shops))
	if !all {
		places = make(chan bool, cores())
	}
	for _, shop := range r.shops {
		places <- true
		wait.Go(func() {
			if err := do(shop); err != nil {
				failed <- err
			}
			<-places
		})
	}
	wait.Wait()
	close(failed)
	return <-failed
}

func cores() int { return runtime.GOMAXPROCS(0) }

// record has all shops record for so long; nothing is sent.
func (r *fleetRun) record(span time.Duration) error {
	r.at = r.at.Add(span)
	return r.each(false, func(s *fleet.Shop) error { return s.Record(r.at) })
}

// deliver has all shops send what they have, all at once.
func (r *fleetRun) deliver(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, fleetSettle)
	defer cancel()
	return r.each(true, func(s *fleet.Shop) error { return s.Deliver(ctx) })
}

// live records and sends in turns, as running agents do.
func (r *fleetRun) live(ctx context.Context, span, step time.Duration) error {
	for done := time.Duration(0); done < span; done += step {
		if err := r.record(step); err != nil {
			return err
		}
		if err := r.deliver(ctx); err != nil {
			return err
		}
	}
	return nil
}

// traffic is what passed of all shops, and how many samples were delivered.
func (r *fleetRun) traffic() (t fleet.Traffic, samples int64) {
	for i, w := range r.wires {
		t = t.Add(w.Traffic())
		samples += r.shops[i].State().Samples
	}
	return t, samples
}

// siteMinute is what a site sends in a minute.
type siteMinute struct {
	bytes, payload, plain, answers, requests, samples float64
	handshake                                         float64 // bytes of a new connection
	receiverMS                                        float64 // of the receiver's processor time a request
}

// minute measures it over a span of simulated time, after the warm-up.
func (r *fleetRun) minute(ctx context.Context, span time.Duration) (m siteMinute, err error) {
	if err := r.live(ctx, fleetWarm, fleetStep); err != nil {
		return m, err
	}
	before, had := r.traffic()
	cpuBefore, err := processCPU(r.receiver.PID())
	if err != nil {
		return m, err
	}
	if err := errors.Join(r.live(ctx, span, fleetStep), r.settled()); err != nil {
		return m, err
	}
	cpu, err := processCPU(r.receiver.PID())
	if err != nil {
		return m, err
	}
	after, has := r.traffic()
	t, siteMinutes := after.Less(before), float64(len(r.shops))*span.Minutes()
	if t.Failed > 0 || t.Connections > int64(len(r.shops))/10 {
		return m, fmt.Errorf("%d requests failed and %d connections were made anew while the traffic was measured", t.Failed, t.Connections)
	}
	m = siteMinute{bytes: float64(t.Out+t.In) / siteMinutes, payload: float64(t.Payload) / siteMinutes, plain: float64(t.Plain) / siteMinutes,
		answers: float64(t.In) / siteMinutes, requests: float64(t.Requests) / siteMinutes, samples: float64(has-had) / siteMinutes,
		receiverMS: (cpu - cpuBefore).Seconds() * 1000 / float64(t.Requests)}
	if r.front != nil {
		if m.handshake, err = r.handshake(ctx); err != nil {
			return m, err
		}
	}
	return m, nil
}

// handshake is what a request on a new connection costs more than the next one.
func (r *fleetRun) handshake(ctx context.Context) (float64, error) {
	wire := r.wires[0]
	cost := func() (float64, error) {
		before := wire.Traffic()
		request, err := http.NewRequestWithContext(ctx, http.MethodGet, r.front.URL+"/-/ready", nil)
		if err != nil {
			return 0, err
		}
		answer, err := wire.RoundTrip(request)
		if err != nil {
			return 0, err
		}
		_, err = io.Copy(io.Discard, answer.Body)
		t := wire.Traffic().Less(before)
		return float64(t.Out + t.In), errors.Join(err, answer.Body.Close())
	}
	wire.Close()
	first, err := cost()
	if err != nil {
		return 0, err
	}
	second, err := cost()
	return first - second, err
}

// settled is an error unless the receiver has all that was given.
func (r *fleetRun) settled() error {
	for _, s := range r.shops {
		st := s.State()
		if _, given := s.Given(); len(st.Refused) > 0 || st.SetAside > 0 || given != st.Samples+st.There {
			return fmt.Errorf("%s gave %d samples, of which the receiver took %d: %v %s", s.Town, given, st.Samples, st.Refused, st.Why)
		}
	}
	return nil
}

// receiverCount is a metric of the receiver's own, one without labels.
func (r *fleetRun) receiverCount(name string) (float64, error) {
	answer, err := http.Get(r.receiver.URL + "/metrics")
	if err != nil {
		return 0, fmt.Errorf("the receiver's metrics: %w", err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		return 0, fmt.Errorf("the receiver's metrics: %w", err)
	}
	for line := range strings.Lines(string(text)) {
		if rest, ok := strings.CutPrefix(line, name+" "); ok {
			return strconv.ParseFloat(strings.TrimSpace(rest), 64)
		}
	}
	return 0, fmt.Errorf("the receiver has no metric %s", name)
}

// receiverHeap is what lives on the receiver's heap, after a collection.
func (r *fleetRun) receiverHeap(ctx context.Context) (float64, error) {
	for range 2 { // what a first one finds dead a second one frees
		request, err := http.NewRequestWithContext(ctx, http.MethodGet, r.receiver.URL+"/debug/pprof/heap?gc=1", nil)
		if err != nil {
			return 0, err
		}
		answer, err := http.DefaultClient.Do(request)
		if err != nil {
			return 0, fmt.Errorf("collect the receiver's heap: %w", err)
		}
		_, err = io.Copy(io.Discard, answer.Body)
		if err := errors.Join(err, answer.Body.Close()); err != nil {
			return 0, err
		}
	}
	return r.receiverCount("go_memstats_heap_alloc_bytes")
}

// rules is how long the receiver takes over what the fleet's rules ask of a day.
func (r *fleetRun) rules(ctx context.Context) (took time.Duration, err error) {
	began := time.Now()
	for _, name := range []string{"running_energy_joules", "air_cubic_meters", "starts", "state_seconds"} {
		found, err := r.receiver.Query(ctx, "count(increase(loadscribe_"+name+"_total[1d]))", r.at)
		if err != nil {
			return 0, err
		}
		if len(found) != 1 || int(found[0].Value) < len(r.shops) {
			return 0, fmt.Errorf("the receiver has no day of %s of every site: %v", name, found)
		}
	}
	return time.Since(began), nil
}

// blocks has the receiver write all that it holds as blocks, and measures these.
func (r *fleetRun) blocks(ctx context.Context) (bytes int64, samples int, err error) {
	var made struct{ Data struct{ Name string } }
	if err := r.receiver.Ask(ctx, "/api/v1/admin/tsdb/snapshot", nil, &made); err != nil {
		return 0, 0, err
	}
	return blocksSize(filepath.Join(r.receiver.DataDir(), "snapshots", made.Data.Name))
}

func (r *fleetRun) close() error {
	var err error
	for i, s := range r.shops {
		err = errors.Join(err, s.Close())
		r.wires[i].Close()
	}
	if r.front != nil {
		r.front.Close()
	}
	return errors.Join(err, r.receiver.Stop())
}
