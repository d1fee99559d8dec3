package bruteforce_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/bruteforce"
	"velamen/services/schedule/checker"
	"velamen/services/schedule/model"
)

// each runs a test on tiny problems of three to five jobs.
func each(t *testing.T, problems uint64, test func(t *testing.T, p *model.Problem)) {
	for seed := range problems {
		size := 3 + int(seed%3)
		t.Run(fmt.Sprintf("seed %d, %d jobs", seed, size), func(t *testing.T) {
			test(t, bruteforce.Random(seed, size))
		})
	}
}

func TestTheBestOfAllPlansKeepsTheRulesAndCostsWhatTheCheckerSays(t *testing.T) {
	planned := 0
	each(t, 400, func(t *testing.T, p *model.Problem) {
		require.NoError(t, p.Validate())
		score, plan, ok := bruteforce.Best(p)
		if !ok {
			require.True(t, pinned(p), "only a pin can leave no plan")
			return
		}
		planned++
		checked, violations := checker.Check(p, plan)
		require.Empty(t, violations)
		require.Equal(t, checked, score)
	})
	require.Greater(t, planned, 300)
}

func pinned(p *model.Problem) bool {
	for i := range p.Jobs {
		if p.Jobs[i].Pin != nil {
			return true
		}
	}
	return false
}

func TestTheSameSeedGivesTheSameProblem(t *testing.T) {
	require.Equal(t, bruteforce.Random(7, 5).Hash(), bruteforce.Random(7, 5).Hash())
	require.NotEqual(t, bruteforce.Random(7, 5).Hash(), bruteforce.Random(8, 5).Hash())
}

// Worked by hand: with one person the short job goes first, 2 + (2 + 4) minutes until
// both ends; the other order waits 4 + (4 + 2).
func TestTheShortJobGoesFirstWhenBothAreDueAtOnce(t *testing.T) {
	job := func(minutes model.Minute) model.Job {
		return model.Job{
			Site: model.None, Mix: model.None, Ways: []model.Way{{Station: model.None, Duration: minutes}},
			Manned: true, People: []int32{0}, Deadline: 10, LateWeight: 1, SkipWeight: 1,
		}
	}
	p := &model.Problem{
		Horizon: 10, Days: []model.Minute{0}, Jobs: []model.Job{job(4), job(2)},
		People: []model.Person{{Shifts: []model.Shift{{Span: model.Span{From: 0, To: 10}, Overtime: 10}}}},
	}
	score, plan, ok := bruteforce.Best(p)
	require.True(t, ok)
	require.Equal(t, int64(8), score.Terms[model.Late])
	require.Equal(t, model.Minute(2), plan[0].Start)
}

func TestMoreToWorkWithNeverCostsMore(t *testing.T) {
	for _, c := range []struct {
		name string
		more func(*model.Problem)
	}{
		{"a person more", func(p *model.Problem) {
			p.People = append(p.People, model.Person{Shifts: p.People[0].Shifts})
			for i := range p.Jobs {
				if p.Jobs[i].Manned {
					p.Jobs[i].People = append(p.Jobs[i].People, 2)
				}
			}
		}},
		{"a sprayer more", func(p *model.Problem) {
			p.Stations = append(p.Stations, p.Stations[0])
			for i := range p.Jobs {
				for _, way := range p.Jobs[i].Ways {
					if way.Station == 0 {
						p.Jobs[i].Ways = append(p.Jobs[i].Ways, model.Way{Station: 2, Duration: way.Duration})
					}
				}
			}
		}},
		{"a larger pool", func(p *model.Problem) { p.Pools[0].Capacity++ }},
		{"any window", func(p *model.Problem) {
			for i := range p.Jobs {
				p.Jobs[i].Windows = nil
			}
		}},
		{"a later deadline", func(p *model.Problem) {
			for i := range p.Jobs {
				p.Jobs[i].Deadline += 2
			}
		}},
		{"no limit of protective equipment", func(p *model.Problem) {
			for i := range p.People {
				p.People[i].MaxProtected, p.People[i].Worn = 0, 0
			}
		}},
		{"nobody comes from work in protective equipment", func(p *model.Problem) { p.People[0].Worn, p.People[1].Worn = 0, 0 }},
		{"no heat", func(p *model.Problem) {
			for i := range p.Jobs {
				p.Jobs[i].Hot = nil
			}
		}},
		{"a longer life of the mixes", func(p *model.Problem) { p.Mixes[0].Life += 3; p.Mixes[1].Life += 3 }},
		{"a sprayer that is always open", func(p *model.Problem) { p.Stations[0].Open, p.Stations[1].Open = nil, nil }},
		{"no interval", func(p *model.Problem) { p.Lags = nil }},
	} {
		t.Run(c.name, func(t *testing.T) {
			better := 0
			for seed := range uint64(60) {
				before, _, ok := bruteforce.Best(bruteforce.Random(seed, 4))
				more := bruteforce.Random(seed, 4)
				c.more(more)
				require.NoError(t, more.Validate())
				after, _, still := bruteforce.Best(more)
				if !ok {
					continue
				}
				require.True(t, still, "seed %d", seed)
				require.LessOrEqual(t, after.Compare(before), 0, "seed %d", seed)
				if after.Compare(before) < 0 {
					better++
				}
			}
			require.Positive(t, better, "no problem tells whether it matters")
		})
	}
}
