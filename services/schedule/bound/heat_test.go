package bound

import (
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/model"
)

func TestTheStartsThatAreTooHotAreKnownToTheMinute(t *testing.T) {
	job := model.Job{Hot: []model.Span{{From: 20, To: 26}, {From: 29, To: 60}, {From: 61, To: 63}, {From: 90, To: 100}}}
	for d := range model.Minute(25) {
		for limit := model.Minute(1); limit < 12; limit++ {
			allowed := starts{{From: -50, To: 200}}.outside(tooHot(&job, d, limit), 1)
			for start := model.Minute(-50); start < 200; start++ {
				_, in := allowed.and(starts{{From: start, To: start + 1}}).next(start)
				require.Equal(t, job.Strained(start, start+d) <= limit, in, "%d minutes from %d, at most %d in heat", d, start, limit)
			}
		}
	}
}
