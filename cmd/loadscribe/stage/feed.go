package stage

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/poll"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/simulator"
)

// feedBatch is how many scans go to the sink at a time; feedAhead batches may
// wait, so that the plant and the sink use a core each.
const (
	feedBatch = 600
	feedAhead = 8
)

// Feed polls a plant from From to just before Until and gives the scans to a
// sink.
type Feed struct {
	Site   *sitefile.Site
	Groups []*scan.Group // the site's; scans point to these
	World  *simulator.World
	From   time.Time
	// Until is asked again and again: the present moves on while a week is
	// recorded.
	Until func() time.Time
	// Told is told after each batch how far it is; may be nil.
	Told func(at time.Time)
}

// Run polls until Until or the end of ctx. Each group is polled at the whole
// multiples of its period. The sink takes over batches in time order, on
// another goroutine; its error ends the feed.
func (f *Feed) Run(ctx context.Context, sink func([]scan.Scan) error) error {
	pollers, err := f.pollers()
	if err != nil {
		return err
	}
	f.World.Advance(f.From)
	batches := make(chan []scan.Scan, feedAhead)
	sunk := make(chan error, 1)
	failed := make(chan struct{})
	go func() {
		var err error
		for batch := range batches {
			if err == nil {
				if err = sink(batch); err != nil {
					close(failed)
				}
			}
		}
		sunk <- err
	}()
	f.poll(ctx, pollers, batches, failed)
	close(batches)
	return <-sunk
}

func (f *Feed) poll(ctx context.Context, pollers []*poll.GroupPoller, batches chan<- []scan.Scan, failed <-chan struct{}) {
	wire := &plantWire{world: f.World}
	clock := &feedClock{base: f.From.UnixMilli()}
	tickMS := tick(pollers)
	var batch []scan.Scan
	for at := f.From.UnixMilli(); ctx.Err() == nil; at += tickMS {
		now := time.UnixMilli(at)
		if !now.Before(f.Until()) {
			break
		}
		f.World.Advance(now)
		clock.now, clock.jumped = at, f.World.ClockOffset().Milliseconds()
		for _, p := range pollers {
			if at%p.Group().PeriodMS < tickMS {
				batch = append(batch, p.Poll(ctx, wire, clock))
			}
		}
		if len(batch) >= feedBatch {
			select {
			case batches <- batch:
				batch = make([]scan.Scan, 0, feedBatch+len(pollers))
			case <-failed:
				return
			}
			if f.Told != nil {
				f.Told(now)
			}
		}
	}
	if len(batch) > 0 {
		select {
		case batches <- batch:
		case <-failed:
		}
	}
}

func (f *Feed) pollers() ([]*poll.GroupPoller, error) {
	var all []*poll.GroupPoller
	for _, g := range f.Groups {
		d, ok := f.Site.DeviceByName(g.Device)
		if !ok {
			return nil, fmt.Errorf("the site has no device %q", g.Device)
		}
		p, err := poll.NewGroupPoller(d, g, slog.New(slog.DiscardHandler))
		if err != nil {
			return nil, err
		}
		all = append(all, p)
	}
	return all, nil
}

// tick is the greatest time that divides all periods, in ms.
func tick(pollers []*poll.GroupPoller) int64 {
	t := int64(0)
	for _, p := range pollers {
		for a := p.Group().PeriodMS; a != 0; {
			t, a = a, t%a
		}
	}
	return max(t, 1)
}

// feedClock shows the simulated time; its wall clock jumps where the scenario
// says so.
type feedClock struct{ base, now, jumped int64 }

// Now implements scan.Clock.
func (c *feedClock) Now() (monoMS, wallMS int64) { return c.now - c.base, c.now + c.jumped }

// plantWire reads register images without a wire. It implements poll.Reader.
type plantWire struct {
	world *simulator.World
	units [256]*simulator.Registers
	pdu   []byte
}

func (w *plantWire) Read(_ context.Context, unit byte, req frame.ReadRequest) ([]byte, error) {
	if w.units[unit] == nil {
		for _, r := range w.world.Devices() {
			w.units[r.Unit()] = r
		}
	}
	registers := w.units[unit]
	if registers == nil {
		return nil, fmt.Errorf("the simulated plant has no unit %d", unit)
	}
	w.pdu = req.AppendPDU(w.pdu[:0])
	answer := registers.Answer(w.pdu)
	if answer == nil {
		return nil, modbus.ErrTimeout // it has no power
	}
	return frame.ParseReadResponse(req, answer)
}
