//go:build linux || darwin

package main

import (
	"context"
	"errors"

	"loadscribe/simulator/serve"
)

// errNoPty says that a system has no pseudo-terminals.
var errNoPty = errors.New("not measured on this system")

// servePaced serves 125 registers on a new pseudo-terminal, paced to baud;
// stop ends that.
func servePaced(ctx context.Context, baud int, times *deviceTimes) (port string, stop func() error, err error) {
	pty, err := serve.OpenPty()
	if err != nil {
		return "", nil, err
	}
	ctx, cancel := context.WithCancel(ctx)
	done := make(chan error, 1)
	go func() {
		done <- serve.ServeRTU(ctx, timedDevice{pty, times}, baud, registers125{make([]byte, 250)}, nil)
	}()
	return pty.Path(), func() error {
		cancel()
		return <-done
	}, nil
}
