package outward

import "syscall"

// What the system calls it (Windows Sockets error codes).
const (
	errRefused   = syscall.Errno(10061)
	errNoHost    = syscall.Errno(10065)
	errNoNetwork = syscall.Errno(10051)
)
