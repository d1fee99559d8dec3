package infection_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/diagnosis/infection"
	"velamen/services/diagnosis/knowledge"
)

func TestEveryModelIsOfAKnownDisorderAndSaysWhetherItWasChecked(t *testing.T) {
	for _, m := range infection.Shipped() {
		require.NotEmpty(t, m.Source, m.ID)
		if m.Disorder != "" {
			_, known := knowledge.Shipped().Disorder(m.Disorder)
			require.True(t, known, m.ID)
		}
		if m.Verified {
			require.Empty(t, m.Unverified())
		} else {
			require.True(t, strings.HasPrefix(m.Unverified(), "UNVERIFIED PARAMETERS: "), m.ID)
		}
	}
	_, found := infection.ByID("guesswork")
	require.False(t, found)
}

func TestBrokenModelsAreRefused(t *testing.T) {
	const row = "models: [{id: a, equation: generic-wetness, pathogen: P, host: H, temperature_c: [7, 20, 35], wetness_h: [6, 36], interruption_h: 4, verified: false, source: S}]"
	_, err := infection.ReadModels([]byte(row))
	require.NoError(t, err)
	for _, test := range []struct{ from, to, want string }{
		{"source: S", "source: ''", "source"},
		{"generic-wetness", "guesswork", "unknown"},
		{"[7, 20, 35]", "[7, 35]", "three temperatures"},
		{"[7, 20, 35]", "[20, 7, 35]", "best temperature"},
		{"[7, 20, 35]", "[7, 35, 35]", "best temperature"},
		{"[7, 20, 35]", "[7, 20, 95]", "-20 and 60"},
		{"[6, 36]", "[0, 36]", "above zero"},
		{"[6, 36]", "[40, 36]", "at most"},
		{"interruption_h: 4", "interruption_h: -1", "interruption"},
		{"verified", "checked", "checked"},
		{"generic-wetness", "botrytis-index", "no parameters"},
		{"models: [", "models: [{id: a, equation: botrytis-index, pathogen: P, host: H, source: S}, ", "twice"},
		{row, "models: []", "must be models"},
	} {
		_, err := infection.ReadModels([]byte(strings.Replace(row, test.from, test.to, 1)))
		require.ErrorContains(t, err, test.want, test.to)
	}
}

func FuzzReadModels(f *testing.F) {
	f.Add([]byte("models: [{id: a, equation: botrytis-index, pathogen: P, host: H, source: S}]"))
	f.Add([]byte("models: [{id: a, equation: generic-wetness, pathogen: P, host: H, temperature_c: [7, .nan, 35], wetness_h: [6, 36], source: S}]"))
	f.Fuzz(func(t *testing.T, file []byte) {
		read, err := infection.ReadModels(file)
		if err != nil {
			return
		}
		for _, m := range read {
			if m.Equation == infection.Generic {
				require.NoError(t, m.Parameters.Check())
			}
		}
	})
}
