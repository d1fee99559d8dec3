package search

import (
	"slices"

	"velamen/services/schedule/model"
)

// Evaluate returns what a plan costs that keeps the rules. Of one that does not, each
// placement counts as it stands; one with a way that can never be counts as left out.
func Evaluate(p *model.Problem, plan model.Plan) model.Score {
	t := compile(p)
	s := newState(t)
	s.fill(spotsOf(t, plan))
	return s.score()
}

// spotsOf reads a plan. What has a way or a person that can never be is left out.
func spotsOf(t *tables, plan model.Plan) []spot {
	at := make([]spot, len(t.jobs))
	for j := range at {
		at[j] = nowhere
		if j >= len(plan) || !plan[j].Placed {
			continue
		}
		place := plan[j]
		w := slices.IndexFunc(t.jobs[j].ways, func(o option) bool { return o.index == place.Way })
		if w < 0 || place.Person < model.None || int(place.Person) >= len(t.p.People) {
			continue
		}
		o := &t.jobs[j].ways[w]
		at[j] = spot{
			start: place.Start, end: place.Start + o.duration, way: int32(w), person: place.Person,
			station: o.station, fresh: place.NewLoad, placed: true,
		}
	}
	return at
}
