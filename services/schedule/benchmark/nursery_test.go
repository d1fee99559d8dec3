package benchmark

import (
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/checker"
	"velamen/services/schedule/model"
)

func TestANurseryIsTheSameForTheSameSeed(t *testing.T) {
	for _, jobs := range []int{50, 500} {
		require.Equal(t, Nursery(7, jobs).Hash(), Nursery(7, jobs).Hash())
		require.NotEqual(t, Nursery(7, jobs).Hash(), Nursery(8, jobs).Hash())
	}
}

func TestANurseryIsWellFormedAndGrowsWithItsJobs(t *testing.T) {
	for _, test := range []struct{ jobs, people, houses, sites int }{
		{1, 3, 6, 1}, {50, 3, 6, 1}, {500, 8, 30, 1}, {5000, 60, 200, 3},
	} {
		p := Nursery(1, test.jobs)
		require.NoError(t, p.Validate())
		require.Len(t, p.Jobs, test.jobs)
		require.Len(t, p.People, test.people)
		require.Len(t, p.Travel, test.sites)
		require.Equal(t, int32(test.houses-1), p.Spaces[len(p.Spaces)-1].House)
	}
}

func TestANurseryHasEveryKindOfWork(t *testing.T) {
	p := Nursery(1, 500)
	var without, withMix, windows, needs, whole int
	for _, job := range p.Jobs {
		if job.Mix == model.None {
			without++
		} else {
			withMix++
		}
		if len(job.Windows) > 0 {
			windows++
		}
		if len(job.Needs) > 0 {
			needs++
		}
		if len(job.Occupies) > 1 {
			whole++
		}
	}
	for _, count := range []int{without, withMix, windows, needs, whole} {
		require.Positive(t, count)
	}
}

func TestPlansByHandKeepEveryRule(t *testing.T) {
	for _, jobs := range []int{20, 50, 500} {
		for seed := range uint64(4) {
			p := Nursery(seed, jobs)
			for name, plan := range map[string]model.Plan{"by due time": EarliestDueFirst(p), "by house": HouseByHouse(p)} {
				_, violations := checker.Check(p, plan)
				require.Empty(t, violations, "%s, %d jobs, seed %d", name, jobs, seed)
			}
		}
	}
}

// A plan by hand that left out most of the work would be no measure.
func TestPlansByHandDoMostOfTheWork(t *testing.T) {
	for _, jobs := range []int{50, 500} {
		p := Nursery(1, jobs)
		for name, plan := range map[string]model.Plan{"by due time": EarliestDueFirst(p), "by house": HouseByHouse(p)} {
			placed := 0
			for _, placement := range plan {
				if placement.Placed {
					placed++
				}
			}
			require.Greater(t, placed, jobs*8/10, "%s, %d jobs", name, jobs)
		}
	}
}

// With more work than people a plan says little: what is left out then counts before
// all else. Nine tenths leave room for rinses, ways and breaks.
func TestANurseryAsksForLessThanItsPeopleHave(t *testing.T) {
	for _, jobs := range []int{50, 500, 1000, 5000} {
		p := Nursery(1, jobs)
		var busy, worn, hours, equipment int
		for _, job := range p.Jobs {
			busy += int(job.Ways[0].Duration)
			if job.Protected {
				worn += int(job.Ways[0].Duration)
			}
		}
		for _, person := range p.People {
			day := -1
			for _, shift := range person.Shifts {
				hours += int(shift.Overtime - shift.From)
				if d := int(shift.From / (24 * 60)); d != day {
					day = d
					equipment += int(person.MaxProtected)
				}
			}
		}
		require.Less(t, busy*10, hours*9, "%d jobs", jobs)
		require.Less(t, worn*10, equipment*9, "%d jobs", jobs)
	}
}
