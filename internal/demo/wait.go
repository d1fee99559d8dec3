package demo

import (
	"context"
	"fmt"
	"time"
)

// What travels through the outbox or Temporal arrives within milliseconds; a
// machine that is busy may need longer.
const (
	patience = time.Minute
	lookEach = 50 * time.Millisecond
)

// eventually looks again and again until something holds. It fails when looking
// fails, and after a minute.
func eventually(ctx context.Context, what string, holds func() (bool, error)) error {
	ctx, cancel := context.WithTimeoutCause(ctx, patience, fmt.Errorf("waited %s in vain until %s", patience, what))
	defer cancel()
	again := time.NewTicker(lookEach)
	defer again.Stop()
	for {
		if held, err := holds(); err != nil || held {
			return err
		}
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-again.C:
		}
	}
}
