package bound

import (
	"slices"

	"velamen/services/schedule/model"
)

// supply is how much of something there is minute by minute.
type supply struct {
	// from are the minutes at which the rate changes, ascending; before the first
	// there is none.
	from []model.Minute
	// rate holds from each of them on, sum is what there was before it.
	rate, sum []int64
}

// newSupply adds up spans of one each.
func newSupply(spans []model.Span) supply {
	type edge struct {
		at   model.Minute
		step int64
	}
	var edges []edge
	for _, s := range spans {
		if s.From < s.To {
			edges = append(edges, edge{s.From, 1}, edge{s.To, -1})
		}
	}
	slices.SortFunc(edges, func(a, b edge) int { return int(a.at) - int(b.at) })
	var out supply
	var rate, sum int64
	for i, e := range edges {
		if i > 0 {
			sum += rate * int64(e.at-edges[i-1].at)
		}
		rate += e.step
		if last := len(out.from) - 1; last >= 0 && out.from[last] == e.at {
			out.rate[last] = rate
			continue
		}
		out.from, out.rate, out.sum = append(out.from, e.at), append(out.rate, rate), append(out.sum, sum)
	}
	return out
}

// steady is a supply of the same rate from minute 0 on.
func steady(rate int64) supply {
	return supply{from: []model.Minute{0}, rate: []int64{rate}, sum: []int64{0}}
}

// before returns what there is before minute t.
func (s *supply) before(t model.Minute) int64 {
	i, found := slices.BinarySearch(s.from, t)
	if found {
		return s.sum[i]
	}
	if i == 0 {
		return 0
	}
	return s.sum[i-1] + s.rate[i-1]*int64(t-s.from[i-1])
}

// enough returns the first minute before which there is amount, and false when
// there never is.
func (s *supply) enough(amount int64) (model.Minute, bool) {
	i, _ := slices.BinarySearch(s.sum, amount)
	if i == 0 {
		return 0, amount <= 0
	}
	i--
	if s.rate[i] == 0 {
		return 0, false
	}
	return s.from[i] + model.Minute((amount-s.sum[i]+s.rate[i]-1)/s.rate[i]), true
}

// stationSupply is when the stations of a set can be used.
func (n *network) stationSupply(set []int32) supply {
	var open []model.Span
	for _, s := range set {
		if spans := n.problem.Stations[s].Open; len(spans) > 0 {
			open = append(open, starts(slices.Clone(spans)).tidy()...)
		} else {
			open = append(open, model.Span{From: 0, To: far})
		}
	}
	return newSupply(open)
}

// peopleSupply is when the people of a set work.
func (n *network) peopleSupply(set []int32) supply {
	var shifts []model.Span
	for _, person := range set {
		var hours starts
		for _, s := range n.problem.People[person].Shifts {
			hours = append(hours, s.Span)
		}
		shifts = append(shifts, hours.tidy()...)
	}
	return newSupply(shifts)
}

// overtimeSupply is when the people of a set work overtime.
func (n *network) overtimeSupply(set []int32) supply {
	var hours []model.Span
	for _, person := range set {
		var own starts
		for _, s := range n.problem.People[person].Shifts {
			own = append(own, model.Span{From: max(s.From, s.Overtime), To: s.To})
		}
		hours = append(hours, own.tidy()...)
	}
	return newSupply(hours)
}
