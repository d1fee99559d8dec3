package clock_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/clock"
)

func TestAPauseEndsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	require.ErrorIs(t, clock.Pause(ctx, time.Hour), context.Canceled)
	read := clock.Stopwatch()
	require.NoError(t, clock.Pause(context.Background(), time.Millisecond))
	require.GreaterOrEqual(t, read(), time.Millisecond)
}
