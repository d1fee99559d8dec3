package demo

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/internal/clock"
)

func TestWelcome(t *testing.T) {
	for _, test := range []struct{ name, address, signIn, record string }{
		{"on the default address", "127.0.0.1:7843",
			"velamen sign-in --person nurseries/windkring/people/anselm", "velamen records house quarantine --from 2025-12-20 --to 2026-03-20"},
		{"on another address", "127.0.0.1:7900",
			"velamen sign-in --server 127.0.0.1:7900 --person", "quarantine --server 127.0.0.1:7900 --from"},
	} {
		t.Run(test.name, func(t *testing.T) {
			var out bytes.Buffer
			require.NoError(t, Welcome(&out, test.address, "127.0.0.1:7843", clock.Fixed(seededAt)))
			require.Contains(t, out.String(), test.address)
			require.Contains(t, out.String(), test.signIn)
			require.Contains(t, out.String(), test.record)
			for _, who := range readNursery(t).People {
				require.Contains(t, out.String(), who.Password)
			}
		})
	}
}
