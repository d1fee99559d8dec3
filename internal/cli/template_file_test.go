package cli

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// FuzzParseTemplate reads anything: there is a template, or a finding with a place.
func FuzzParseTemplate(f *testing.F) {
	for _, seed := range []string{
		"", "display_name: Watch\nsteps:\n  - key: a\n    intervals:\n      - after: b\n", `{"steps": [{"colour": 1}]}`,
		"steps:\n  - &a {key: a}\n  - <<: [*a, *a]\n", "a: &a [*a]", "steps: &s [{key: *s}]", "? [1, 2]\n: 3", "max_rounds: 1e400", "steps: !!binary x",
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, content []byte) {
		template, findings := parseTemplate(content)
		require.Equal(t, template == nil, len(findings) > 0)
		for _, finding := range findings {
			require.NotEmpty(t, finding.GetField())
			require.NotEmpty(t, finding.GetMessage())
			require.Equal(t, ruleFormat, finding.GetRule())
		}
	})
}
