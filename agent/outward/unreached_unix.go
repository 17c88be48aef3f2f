//go:build !windows

package outward

import "syscall"

// What the system calls it.
const (
	errRefused   = syscall.ECONNREFUSED
	errNoHost    = syscall.EHOSTUNREACH
	errNoNetwork = syscall.ENETUNREACH
)
