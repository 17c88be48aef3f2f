package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"loadscribe/cmd/loadscribe/fleet"
	"loadscribe/testdata/peers"
)

const (
	// fleetStep is how often a running agent's sender looks what is new: traffic is
	// measured in such steps of simulated time.
	fleetStep = 5 * time.Second
	// fleetWarm passes before traffic is measured: series and connections are then made.
	fleetWarm = 2 * time.Minute
	// fleetSettle is the longest that the receiver may take over what it is sent at once.
	fleetSettle = 10 * time.Minute
)

var fleetFigures = []string{"fleet_bytes_12_15s", "fleet_bytes_12_60s", "fleet_bytes_40_15s", "fleet_bytes_40_60s", "fleet_tls_bytes",
	"fleet_requests_15s", "fleet_requests_60s", "fleet_series_12", "fleet_series_40",
	"fleet_catch_up", "fleet_catch_up_bytes", "fleet_receiver_cpu", "fleet_receiver_request", "fleet_receiver_memory", "fleet_receiver_disk", "fleet_rules"}

// fleetRows has fifty shops send to one receiver, and says what a site costs.
func fleetRows(ctx context.Context, b *bench) ([]row, error) {
	found := map[string]row{}
	put := func(r row) { found[r.figure] = r }
	for _, size := range []fleet.Size{fleet.Small(), fleet.Large()} {
		for _, every := range []time.Duration{15 * time.Second, time.Minute} {
			if err := fleetTraffic(ctx, b, size, every, put); err != nil {
				return nil, err
			}
		}
	}
	if err := fleetOverTLS(ctx, b, put); err != nil {
		return nil, err
	}
	if err := fleetReceived(ctx, b, put); err != nil {
		return nil, err
	}
	rows := make([]row, 0, len(fleetFigures))
	for _, name := range fleetFigures {
		rows = append(rows, found[name])
	}
	return rows, nil
}

// fleetTraffic measures what a site sends in a minute.
func fleetTraffic(ctx context.Context, b *bench, size fleet.Size, every time.Duration, put func(row)) (err error) {
	r, err := startFleet(b, size, every, fleetWarm+b.fleetSpan, false)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.close()) }()
	m, err := r.minute(ctx, b.fleetSpan)
	if err != nil {
		return err
	}
	series, err := r.receiverCount("prometheus_tsdb_head_series")
	if err != nil {
		return err
	}
	name := "15s"
	if every == time.Minute {
		name = "60s"
	}
	put(row{figure: "fleet_bytes_" + size.Name + "_" + name, value: m.bytes, unit: "B/min", reference: "the samples before they are packed", referenceValue: m.plain,
		note: fmt.Sprintf("%d sites of %d channels, a sample of each series every %s: a site's minute in both directions, heads with it; %s B of it packed samples, %s answers; %s requests, %s samples; TCP and IP add some 40 to 52 B a packet (RFC 9293, RFC 791; with time stamps)",
			len(r.shops), size.Channels, every, number(m.payload), number(m.answers), number(m.requests), number(m.samples))})
	if size.Name == "12" {
		put(row{figure: "fleet_requests_" + name, value: m.requests, unit: "1/min", goal: float64(time.Minute/every) * 1.05,
			note: "of a site; the goal is one of each cell of time, and a twentieth"})
	}
	if size.Name == "12" && every == 15*time.Second {
		put(row{figure: "fleet_receiver_request", value: m.receiverMS, unit: "ms",
			note: fmt.Sprintf("of the receiver's processor time a request while %d sites send live, each for %s samples", len(r.shops), number(m.samples/m.requests))})
	}
	if every == 15*time.Second {
		put(row{figure: "fleet_series_" + size.Name, value: series / float64(len(r.shops)), unit: "series",
			note: fmt.Sprintf("of a site of %d channels, as the receiver counts them", size.Channels)})
	}
	return nil
}

// fleetOverTLS measures the same through a server that speaks TLS.
func fleetOverTLS(ctx context.Context, b *bench, put func(row)) (err error) {
	r, err := startFleet(b, fleet.Small(), 15*time.Second, fleetWarm+b.fleetSpan, true)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.close()) }()
	m, err := r.minute(ctx, b.fleetSpan)
	if err != nil {
		return err
	}
	put(row{figure: "fleet_tls_bytes", value: m.bytes, unit: "B/min",
		note: fmt.Sprintf("as fleet_bytes_12_15s, over TLS 1.3 with the connection kept; to make one anew takes %s B (a certificate of one step)", number(m.handshake))})
	return nil
}

// fleetReceived measures what the receiver takes to keep them: half a day that comes as
// it happens, and another half that all send at once, after an outage.
func fleetReceived(ctx context.Context, b *bench, put func(row)) (err error) {
	r, err := startFleet(b, fleet.Small(), 15*time.Second, 2*b.fleetAway, false)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.close()) }()
	idle, err := r.receiverHeap(ctx)
	if err != nil {
		return err
	}
	if err := errors.Join(r.live(ctx, b.fleetAway, b.fleetAway/24), r.settled()); err != nil {
		return err
	}
	busy, err := r.receiverHeap(ctx)
	if err != nil {
		return err
	}
	series, err := r.receiverCount("prometheus_tsdb_head_series")
	if err != nil {
		return err
	}
	put(row{figure: "fleet_receiver_memory", value: (busy - idle) / series, unit: "B",
		note: fmt.Sprintf("of the receiver's heap an active series, after %v of %d series every 15 s; %s MB with none", b.fleetAway, int(series), number(idle/1e6))})
	bytes, samples, err := r.blocks(ctx)
	if err != nil {
		return err
	}
	put(row{figure: "fleet_receiver_disk", value: float64(bytes) / float64(samples), unit: "B", reference: "a reading a second of the bench week, as store_directory_bytes_per_sample", referenceValue: 2.78,
		note: fmt.Sprintf("of the receiver's blocks a sample, index with it: %d samples of %d series in %s MB", samples, int(series), number(float64(bytes)/1e6))})
	if err := r.catchUp(ctx, b, put); err != nil {
		return err
	}
	took, err := r.rules(ctx)
	if err != nil {
		return err
	}
	put(row{figure: "fleet_rules", value: took.Seconds() * 1000 / float64(len(r.shops)), unit: "ms",
		note: "of the receiver's time a site to add up a day, as fleet-rules.yml does every 15 min: counters every 15 s, one machine"})
	return nil
}

// catchUp has all shops record without a network, and then send all of it at once.
func (r *fleetRun) catchUp(ctx context.Context, b *bench, put func(row)) error {
	if err := r.record(b.fleetAway); err != nil {
		return err
	}
	before, had := r.traffic()
	cpuBefore, err := processCPU(r.receiver.PID())
	if err != nil {
		return err
	}
	began := time.Now()
	if err := errors.Join(r.deliver(ctx), r.settled()); err != nil {
		return err
	}
	took := time.Since(began)
	cpu, err := processCPU(r.receiver.PID())
	if err != nil {
		return err
	}
	after, has := r.traffic()
	t, samples := after.Less(before), float64(has-had)
	put(row{figure: "fleet_catch_up", value: samples / took.Seconds(), unit: "1/s",
		note: fmt.Sprintf("samples of %d sites that send %v at once, on this computer with the receiver: %s samples in %s s, %d requests; stores, folds and receiver share %d cores",
			len(r.shops), b.fleetAway, number(samples), number(took.Seconds()), t.Requests, cores())})
	put(row{figure: "fleet_catch_up_bytes", value: float64(t.Out+t.In) / samples, unit: "B",
		note: fmt.Sprintf("on the wire a sample then; %s a site and hour of the outage", number(float64(t.Out+t.In)/float64(len(r.shops))/b.fleetAway.Hours()))})
	put(row{figure: "fleet_receiver_cpu", value: (cpu - cpuBefore).Seconds() * 1e6 / samples, unit: "µs",
		note: "of the receiver's processor time a sample then; live, with a request for few samples, it is more"})
	return nil
}

// missingReceiver says that there is nothing to send to.
func missingReceiver(err error) error {
	if errors.Is(err, peers.ErrNoPrometheus) {
		return fmt.Errorf("%w: this section needs it as the receiver", err)
	}
	return err
}
