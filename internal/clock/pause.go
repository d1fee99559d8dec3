package clock

import (
	"context"
	"time"
)

// Pause waits in real time. When the context ends before, it returns the context's
// error at once.
func Pause(ctx context.Context, length time.Duration) error {
	timer := time.NewTimer(length)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return nil
	}
}

// Stopwatch starts to measure real time and returns what reads it.
func Stopwatch() func() time.Duration {
	began := time.Now()
	return func() time.Duration { return time.Since(began) }
}
