//go:build !external

package embedded

import (
	"bytes"
	"errors"
	"log/slog"
	"testing"

	"github.com/stretchr/testify/require"
	"go.temporal.io/server/common/log/tag"
)

func TestServerLogger(t *testing.T) {
	var out bytes.Buffer
	drop := func(_ []string, a slog.Attr) slog.Attr {
		if a.Key == slog.TimeKey {
			return slog.Attr{}
		}
		return a
	}
	handler := slog.NewTextHandler(&out, &slog.HandlerOptions{Level: slog.LevelDebug, ReplaceAttr: drop})
	root := newServerLogger(slog.New(handler), slog.LevelWarn)
	logger := root.With(tag.String("service", "history"))

	logger.Debug("quiet")
	logger.Info("quiet")
	logger.Warn("slow", tag.Int("shard", 3))
	require.Equal(t, "level=WARN msg=slow component=temporal-server service=history shard=3\n", out.String())
	out.Reset()

	require.PanicsWithValue(t, "broken", func() { logger.Panic("broken") })
	out.Reset()

	t.Run("a fatal error ends its goroutine and reaches the owner", func(t *testing.T) {
		ended := make(chan bool, 1)
		go func() {
			wentOn := false
			defer func() { ended <- wentOn }()
			logger.Fatal("no listener", tag.Error(errors.New("port in use")))
			wentOn = true
		}()
		require.False(t, <-ended)
		require.EqualError(t, <-root.fatal, "no listener, error: port in use")
		require.Contains(t, out.String(), "level=ERROR")
	})
	out.Reset()

	root.stopping.Store(true)
	logger.Error("connection refused")
	require.Empty(t, out.String(), "noise of an orderly stop")
}
