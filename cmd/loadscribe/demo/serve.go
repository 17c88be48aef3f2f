package demo

import (
	"context"

	"golang.org/x/sync/errgroup"

	"loadscribe/simulator/serve"
)

// Unit ids of the simulated devices.
const (
	controllerUnit = 1
	meterUnit      = 2
)

// Serve runs the plant with the wall clock and answers for its devices until
// ctx ends. It uses the Shop up.
func (s *Shop) Serve(ctx context.Context) error {
	driver := serve.NewDriver(s.world)
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return driver.Follow(ctx) })
	group.Go(func() error { return serve.ServeTCP(ctx, s.controller, only{driver, controllerUnit}, nil) })
	group.Go(func() error { return serve.ServeTCP(ctx, s.meter, only{driver, meterUnit}, nil) })
	return group.Wait()
}

// only is one device of a plant, as if it had an address of its own.
type only struct {
	driver *serve.Driver
	unit   byte
}

// Answer implements serve.Target.
func (o only) Answer(unit byte, request []byte) ([]byte, bool) {
	if unit != o.unit {
		return nil, false
	}
	return o.driver.Answer(unit, request)
}
