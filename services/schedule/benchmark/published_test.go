package benchmark

import (
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/model"
)

// work is the minutes of all jobs, each by its shortest way.
func work(p *model.Problem) int64 {
	var sum int64
	for _, job := range p.Jobs {
		shortest := job.Ways[0].Duration
		for _, way := range job.Ways {
			shortest = min(shortest, way.Duration)
		}
		sum += int64(shortest)
	}
	return sum
}

func TestEveryPublishedProblemIsWellFormed(t *testing.T) {
	seen := map[string]bool{}
	for _, instance := range Published() {
		require.NoError(t, instance.Problem.Validate(), instance.Name)
		require.NotEmpty(t, instance.Source, instance.Name)
		require.False(t, seen[instance.Name], instance.Name)
		seen[instance.Name] = true
	}
	require.Len(t, seen, 3+20+6+10+2+5)
}

func TestANameThatNobodyPublishedPanics(t *testing.T) {
	require.Panics(t, func() { Named("ft07") })
}

// The sizes are published; the minutes of work were added up from the tables, so that
// a figure that is changed by mistake is seen.
func TestPublishedTablesHaveTheirSizes(t *testing.T) {
	for _, test := range []struct {
		name           string
		jobs, stations int
		work           int64
	}{
		{"ft06", 36, 6, 197}, {"ft10", 100, 10, 5109}, {"ft20", 100, 5, 5109},
		{"la01", 50, 5, 2849}, {"la02", 50, 5, 2643}, {"la03", 50, 5, 2383}, {"la04", 50, 5, 2507}, {"la05", 50, 5, 2283},
		{"la06", 75, 5, 3992}, {"la07", 75, 5, 3745}, {"la08", 75, 5, 3825}, {"la09", 75, 5, 4263}, {"la10", 75, 5, 4020},
		{"la11", 100, 5, 5351}, {"la12", 100, 5, 4676}, {"la13", 100, 5, 5186}, {"la14", 100, 5, 5346}, {"la15", 100, 5, 5445},
		{"la16", 100, 10, 5351}, {"la17", 100, 10, 4676}, {"la18", 100, 10, 5186}, {"la19", 100, 10, 5346}, {"la20", 100, 10, 5445},
		{"Mk01", 55, 6, 0}, {"Mk02", 58, 6, 0}, {"Mk03", 150, 8, 0}, {"Mk04", 90, 8, 0}, {"Mk05", 106, 4, 0}, {"Mk08", 225, 10, 0},
		{"j301_1", 30, 0, 158}, {"UBO10 psp1", 10, 0, 66}, {"UBO10 psp2", 10, 0, 64},
		{"wt40 #1", 40, 1, 0}, {"wt40 #5", 40, 1, 0},
	} {
		p := Named(test.name).Problem
		require.Len(t, p.Jobs, test.jobs, test.name)
		require.Len(t, p.Stations, test.stations, test.name)
		if test.work > 0 {
			require.Equal(t, test.work, work(p), test.name)
		}
	}
}

// In Fisher and Thompson 1963 and Lawrence 1984 every job goes over every machine once.
func TestPublishedJobShopsVisitEveryMachineOnce(t *testing.T) {
	for _, shops := range [][]shop{
		fisherThompson, lawrence01To05, lawrence06To10, lawrence11To15, lawrence16To20,
	} {
		for _, s := range shops {
			for i, job := range s.jobs {
				visited := map[int32]bool{}
				for k := 0; k < len(job); k += 2 {
					visited[job[k]] = true
				}
				require.Len(t, visited, len(s.instance().Problem.Stations), "%s job %d", s.name, i+1)
			}
		}
	}
}

// ft20 is made of the numbers of ft10, and la16 to la20 of those of la11 to la15:
// the table of minutes is cut into other jobs.
func TestPublishedTwinsHaveTheSameWork(t *testing.T) {
	for _, twins := range [][2]string{
		{"ft10", "ft20"}, {"la11", "la16"}, {"la12", "la17"}, {"la13", "la18"}, {"la14", "la19"}, {"la15", "la20"},
	} {
		require.Equal(t, work(Named(twins[0]).Problem), work(Named(twins[1]).Problem), twins)
	}
}

func TestPublishedProjectsOnlyPointForward(t *testing.T) {
	for _, projects := range [][]project{kolischSprecher1To5, kolischSprecher6To10} {
		for _, p := range projects {
			require.Len(t, p.activities, 30, p.name)
			for i, act := range p.activities {
				for _, follower := range act.followers {
					require.Greater(t, int(follower), i+1, p.name)
				}
				for k, amount := range act.demands {
					require.LessOrEqual(t, amount, p.capacities[k], p.name)
				}
			}
		}
	}
}
