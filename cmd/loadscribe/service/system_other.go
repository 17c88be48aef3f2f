//go:build !linux && !windows

package service

import (
	"errors"
	"io"
)

// ErrNoManager is returned on systems whose service manager loadscribe does not know.
var ErrNoManager = errors.New("loadscribe cannot install itself as a service on this system; let its own service manager run: loadscribe run --site FILE")

// ErrNotInstalled is returned where a service is to be started, stopped or removed that
// loadscribe has not installed.
var ErrNotInstalled = errors.New("no such service is installed")

// ThisSystem fails with ErrNoManager.
func ThisSystem(io.Writer) (System, error) { return nil, ErrNoManager }

// ProgramPlace is where the service's binary would be.
func ProgramPlace() string { return "/usr/local/bin/loadscribe" }
