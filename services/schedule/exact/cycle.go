package exact

import (
	"slices"

	"velamen/services/schedule/model"
)

// PositiveCycle returns lags that lead from a job back to it and together ask it to
// start after it starts, in the order in which they lead; nil when there are none.
// A job that can be done in several ways counts with what is easiest for the lags,
// so that no choice of ways helps.
func PositiveCycle(p *model.Problem) []model.Lag {
	start := make([]int64, len(p.Jobs))
	came := make([]int, len(p.Jobs))
	for j := range came {
		came[j] = model.None
	}
	moved := model.None
	for range len(p.Jobs) + 1 {
		moved = model.None
		for l, lag := range p.Lags {
			if at := start[lag.From] + gap(p, lag); at > start[lag.To] {
				start[lag.To], came[lag.To] = at, l
				moved = int(lag.To)
			}
		}
		if moved == model.None {
			return nil
		}
	}
	// Going back once for each job ends inside a cycle.
	j := int32(moved)
	for range p.Jobs {
		j = p.Lags[came[j]].From
	}
	var cycle []model.Lag
	for at := j; ; {
		lag := p.Lags[came[at]]
		cycle = append(cycle, lag)
		if at = lag.From; at == j {
			break
		}
	}
	slices.Reverse(cycle)
	return cycle
}

// gap is the least time from the start of the one job to the start of the other
// that a lag asks for, whatever ways are chosen, minutes.
func gap(p *model.Problem, lag model.Lag) int64 {
	least := int64(lag.Least)
	if lag.FromEnd {
		shortest := p.Jobs[lag.From].Ways[0].Duration
		for _, w := range p.Jobs[lag.From].Ways {
			shortest = min(shortest, w.Duration)
		}
		least += int64(shortest)
	}
	if lag.ToEnd {
		longest := p.Jobs[lag.To].Ways[0].Duration
		for _, w := range p.Jobs[lag.To].Ways {
			longest = max(longest, w.Duration)
		}
		least -= int64(longest)
	}
	return least
}
