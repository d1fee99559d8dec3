package engine_test

import (
	"context"
	"net"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/engine"
)

func TestDialRefusesWhatCannotBeMeant(t *testing.T) {
	cases := []struct {
		name    string
		options engine.Options
		want    error
	}{
		{"no address", engine.Options{}, engine.ErrAddressMissing},
		{"API key in the clear", engine.Options{Address: "127.0.0.1:7233", APIKey: "k"}, engine.ErrAPIKeyWithoutTLS},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			_, err := engine.Dial(t.Context(), c.options)
			require.ErrorIs(t, err, c.want)
			require.ErrorIs(t, engine.EnsureNamespace(t.Context(), c.options), c.want)
		})
	}
}

func TestDialNamesTheAddressThatDoesNotAnswer(t *testing.T) {
	closed, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	address := closed.Addr().String()
	require.NoError(t, closed.Close())

	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
	defer cancel()
	_, err = engine.Dial(ctx, engine.Options{Address: address})
	require.ErrorContains(t, err, address)
}
