package server

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestPartsStopInReverseAndFailuresDoNotStopTheRest(t *testing.T) {
	var order []string
	p := parts{say: func(string, ...any) {}}
	broken := errors.New("disk gone")
	for _, name := range []string{"database", "services", "calls"} {
		p.add(name, time.Minute, func(context.Context) error {
			order = append(order, name)
			if name == "services" {
				return broken
			}
			return nil
		})
	}
	err := p.stop()
	require.ErrorIs(t, err, broken)
	require.EqualError(t, err, "stop services: disk gone")
	require.Equal(t, []string{"calls", "services", "database"}, order)
	require.NoError(t, p.stop(), "nothing is stopped twice")
}

func TestPartLearnsThatItsTimeIsUp(t *testing.T) {
	p := parts{say: func(string, ...any) {}}
	p.add("slow", time.Millisecond, func(ctx context.Context) error {
		<-ctx.Done()
		return ctx.Err()
	})
	require.ErrorIs(t, p.stop(), context.DeadlineExceeded)
}
