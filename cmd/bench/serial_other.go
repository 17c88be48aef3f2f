//go:build !linux && !darwin

package main

import (
	"context"
	"errors"
)

// errNoPty says that a system has no pseudo-terminals.
var errNoPty = errors.New("not measured on this system")

// servePaced always fails: there are no pseudo-terminals here.
func servePaced(context.Context, int, *deviceTimes) (port string, stop func() error, err error) {
	return "", nil, errNoPty
}
