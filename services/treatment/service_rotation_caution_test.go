package treatment

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/services/treatment/rotation"
)

func TestARotationSaysWhatItsSearchDidNotShow(t *testing.T) {
	day := time.Date(2026, 3, 9, 8, 0, 0, 0, time.UTC)
	for _, test := range []struct {
		name string
		plan rotation.Plan
		says string
	}{
		{"all was shown", rotation.Plan{Applications: []rotation.Planned{{Time: day}}, Fewest: true, Preferred: true}, ""},
		{"fewer at risk may do", rotation.Plan{Applications: []rotation.Planned{{Time: day}}}, "no rotation has fewer applications at high risk"},
		{"another may be preferred", rotation.Plan{Applications: []rotation.Planned{{Time: day}}, Fewest: true}, "no other rotation goes before"},
		{"a conflict that is smallest", rotation.Plan{Conflict: []rotation.Limit{{}}, Irreducible: true, Smallest: true}, ""},
		{"a smaller conflict may exist", rotation.Plan{Conflict: []rotation.Limit{{}}, Irreducible: true}, "no conflict has fewer limits"},
		{"not all of a conflict may be needed", rotation.Plan{Conflict: []rotation.Limit{{}}}, "each of these limits is needed"},
		{"the hour matters", rotation.Plan{Applications: []rotation.Planned{{Time: day, SameHour: true}}, Fewest: true, Preferred: true}, "at an earlier hour than that work ended: on 2026-03-09."},
	} {
		t.Run(test.name, func(t *testing.T) {
			got := rotationCaution(test.plan, time.UTC)
			require.Contains(t, got, Caution)
			if test.says == "" {
				require.Equal(t, Caution, got)
				return
			}
			require.Contains(t, got, test.says)
		})
	}
}
