//go:build !windows

package service

import (
	"context"
	"log/slog"
)

// Managed reports false: only Windows starts services in a way that they must know of.
func Managed() bool { return false }

// Serve is never called where Managed is false.
func Serve(context.Context, func(context.Context, Notify, func(slog.Level, string)) int) int {
	return 1
}
