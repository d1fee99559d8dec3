package bruteforce

import (
	"cmp"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/checker"
	"velamen/services/schedule/model"
)

// judge puts a given plan through the rules of the oracle, in the order of starts.
func judge(p *model.Problem, plan model.Plan) (model.Score, bool) {
	t := &tree{p: p}
	s := subset{jobs: make([]bool, len(plan))}
	order := []int32{}
	for i := range plan {
		if s.jobs[i] = plan[i].Placed; plan[i].Placed {
			order = append(order, int32(i))
		} else {
			s.skipped += p.Jobs[i].SkipWeight
		}
	}
	slices.SortStableFunc(order, func(a, b int32) int { return cmp.Compare(plan[a].Start, plan[b].Start) })
	kept := s.allowed(p)
	for _, i := range order {
		job, place := &p.Jobs[i], plan[i]
		way := job.Ways[place.Way]
		l := leaf{index: i, job: job, place: place, station: way.Station, start: place.Start, end: place.Start + way.Duration}
		kept = kept && (place.Person != model.None) == job.Manned && (!job.Manned || slices.Contains(job.People, place.Person))
		kept = kept && t.load(&l) && t.timely(&l) && t.manned(&l) && t.pooled(&l)
		for k := range t.leaves {
			kept = kept && t.together(&t.leaves[k], &l)
		}
		t.leaves = append(t.leaves, l)
	}
	if !kept {
		return model.Score{}, false
	}
	score := t.evaluate()
	score.Skipped = s.skipped
	return score, true
}

// shaken is the plan with one to three parts changed at random.
func shaken(g *generator, p *model.Problem, plan model.Plan) model.Plan {
	plan = slices.Clone(plan)
	for range g.between(1, 3) {
		i := g.IntN(len(plan))
		switch g.IntN(6) {
		case 0:
			plan[i].NewLoad = !plan[i].NewLoad
		case 1:
			plan[i].Way = int32(g.IntN(len(p.Jobs[i].Ways)))
		case 2:
			plan[i].Person = g.index(2)
		case 3:
			plan[i].Placed = !plan[i].Placed
		default:
			plan[i].Start += g.minutes(-2, 2)
		}
	}
	return plan
}

func TestTheOracleAndTheCheckerAgreeOnPlansGoodAndBad(t *testing.T) {
	kept := 0
	for seed := range uint64(300) {
		p := Random(seed, 5)
		_, plan, ok := Best(p)
		if !ok {
			continue
		}
		g := &generator{rand.New(rand.NewPCG(seed, 21))}
		for range 60 {
			other := shaken(g, p, plan)
			score, fine := judge(p, other)
			checked, violations := checker.Check(p, other)
			require.Equal(t, fine, len(violations) == 0, "seed %d: %v %v", seed, other, violations)
			if fine {
				kept++
				require.Equal(t, score, checked, "seed %d: %v", seed, other)
				plan = other
			}
		}
	}
	require.Greater(t, kept, 1000)
}

// Together the problems of the first seeds must hold everything that a problem can
// have, or the oracle is silent on it.
func TestRandomProblemsHaveEverythingThatAProblemCanHave(t *testing.T) {
	missing := map[string]bool{}
	seen := func(what string, yes bool) {
		if _, known := missing[what]; !known || yes {
			missing[what] = !yes
		}
	}
	for seed := range uint64(200) {
		p := Random(seed, 5)
		seen("travel", len(p.Travel) > 0)
		for _, person := range p.People {
			seen("two shifts", len(person.Shifts) > 1)
			seen("overtime", person.Shifts[0].Overtime < person.Shifts[0].To)
			seen("protected limit", person.MaxProtected > 0)
			seen("protected limit partly used up", person.Worn > 0)
		}
		for _, station := range p.Stations {
			seen("no tank", station.Tank == 0)
			seen("tank", station.Tank > 0)
			seen("smallest load", station.SmallestLoad > 1)
			seen("graduation", station.Graduation > 1)
			seen("mixing", station.MixMinutes > 0)
			seen("hours of a sprayer", len(station.Open) > 0)
			seen("held mix", station.Holds != model.None)
		}
		for _, space := range p.Spaces {
			seen("engaged", len(space.Engaged) > 0)
			seen("closed", len(space.Closed) > 0)
			seen("closed weight", space.ClosedWeight > 0)
		}
		for _, lag := range p.Lags {
			seen("shortest interval", lag.Least > 0)
			seen("longest interval", lag.Least < 0)
		}
		for i := range p.Jobs {
			job := &p.Jobs[i]
			seen("two ways", len(job.Ways) > 1)
			seen("windows", len(job.Windows) > 0)
			seen("demands", len(job.Demands) > 0)
			seen("needs", len(job.Needs) > 0)
			seen("told", job.Told != nil)
			seen("pin", job.Pin != nil)
			seen("protected", job.Protected)
			seen("heat", len(job.Hot) > 0)
			for _, o := range job.Occupies {
				seen("exclusive", o.Exclusive)
				seen("tail", o.Tail > 0)
				seen("closure", o.Closure != model.None)
			}
		}
	}
	for what, is := range missing {
		require.False(t, is, what)
	}
}
