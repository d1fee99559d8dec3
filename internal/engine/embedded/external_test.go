//go:build external

package embedded_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/internal/engine/embedded"
)

func TestBinaryWithoutTheServerSaysSo(t *testing.T) {
	_, err := embedded.Start(t.Context(), embedded.Options{})
	require.ErrorIs(t, err, embedded.ErrNotBuiltIn)
	require.ErrorContains(t, err, "--temporal-address")
}
