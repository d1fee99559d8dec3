package infection_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/services/diagnosis/infection"
)

func TestAdviceFollowsFromWhenLeavesWereWet(t *testing.T) {
	advise := func(waterings []time.Time, parts ...part) string {
		spans, _ := infection.Spans(series(parts...), infection.Wetting{Waterings: waterings})
		return strings.Join(infection.Advise(spans, waterings, time.UTC), "\n")
	}
	require.Empty(t, advise(nil, part{24, 20, 60}))
	night := advise(nil, part{6, 18, 95}, part{12, 24, 60}, part{6, 18, 95})
	require.Contains(t, night, "between evening and morning")
	require.Contains(t, night, "12.0 hours a day")
	require.Contains(t, night, "lacked less than 0.3 kPa")
	day := advise(nil, part{10, 18, 60}, part{1, 24, 95}, part{13, 18, 60})
	require.NotContains(t, day, "evening and morning")
	require.Contains(t, day, "short times only")
	require.Contains(t, advise([]time.Time{start.Add(15 * time.Hour)}, part{24, 20, 60}), "watered in the afternoon or later once:")
	require.NotContains(t, advise([]time.Time{start.Add(8 * time.Hour)}, part{24, 20, 60}), "afternoon")
}
