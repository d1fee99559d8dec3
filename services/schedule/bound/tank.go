package bound

import (
	"slices"

	"velamen/services/schedule/model"
)

// rinses bounds what rinsing costs. Each mix that a job must have is the first of
// its kind once on some sprayer, after another mix or after what the sprayer held.
// What a sprayer held helps one mix, so the largest savings from it count once for
// each sprayer.
func rinses(n *network, left []bool) int64 {
	if n.problem.Weights.Rinse == 0 && n.problem.Weights.RinseVolume == 0 {
		return 0
	}
	q := leastPreps(n.problem, left)
	best := make([]entry, len(n.problem.Mixes))
	for j, counts := range n.counts {
		if mix := n.problem.Jobs[j].Mix; counts && mix != model.None {
			if e := n.entryOf(int32(j), mix, q); e.dearer(best[mix]) {
				best[mix] = e
			}
		}
	}
	var sum int64
	var savings []int64
	for _, e := range best {
		sum += e.after
		savings = append(savings, max(0, e.after-e.held))
	}
	slices.Sort(savings)
	slices.Reverse(savings)
	for i := range min(len(savings), len(n.problem.Stations)) {
		sum -= savings[i]
	}
	return sum
}

// entry is the least cost at which a mix comes first into some sprayer of a job:
// after another mix, or after what the sprayer held.
type entry struct{ after, held int64 }

func (e entry) dearer(other entry) bool {
	a, b := min(e.after, e.held), min(other.after, other.held)
	return a > b || a == b && e.after > other.after
}

func (n *network) entryOf(j, mix int32, q preps) entry {
	const unknown = int64(1) << 62
	e := entry{after: unknown, held: unknown}
	for _, w := range n.ways[j] {
		if w.station == model.None || n.problem.Stations[w.station].Rinses == model.None {
			return entry{}
		}
		s := &n.problem.Stations[w.station]
		table := n.problem.Rinses[s.Rinses]
		e.held = min(e.held, n.rinseCost(table[s.Holds+1][mix]))
		for before, users := range q.users[w.station] {
			if users > 0 && int32(before) != mix {
				e.after = min(e.after, n.rinseCost(table[before+1][mix]))
			}
		}
	}
	if e.after == unknown {
		e.after = e.held
	}
	return e
}

func (n *network) rinseCost(r model.Rinse) int64 {
	if r.Minutes == 0 && r.Volume == 0 {
		return 0
	}
	return n.problem.Weights.Rinse + n.problem.Weights.RinseVolume*r.Volume
}

// leftovers bounds what is made and not used. Jobs of one mix that cannot share a
// load with others, directly or through a third, are counted apart.
func leftovers(n *network, left []bool) int64 {
	if n.problem.Weights.Leftover == 0 {
		return 0
	}
	byMix := make([][]int32, len(n.problem.Mixes))
	open := make([]bool, len(n.problem.Mixes))
	for j := range n.problem.Jobs {
		switch mix := n.problem.Jobs[j].Mix; {
		case mix == model.None || left[j]:
		case n.counts[j]:
			byMix[mix] = append(byMix[mix], int32(j))
		default:
			// A job that may be there or not may use up what others leave.
			open[mix] = true
		}
	}
	var sum int64
	for mix, jobs := range byMix {
		if open[mix] {
			continue
		}
		for _, group := range n.sharing(jobs) {
			sum += n.leftOf(group)
		}
	}
	return sum * n.problem.Weights.Leftover
}

// sharing splits jobs of one mix into groups of which no two share a load.
func (n *network) sharing(jobs []int32) [][]int32 {
	var groups [][]int32
	open := slices.Clone(jobs)
	for len(open) > 0 {
		group := []int32{open[0]}
		open = open[1:]
		for i := 0; i < len(group); i++ {
			rest := open[:0]
			for _, j := range open {
				if n.canShare(group[i], j) {
					group = append(group, j)
				} else {
					rest = append(rest, j)
				}
			}
			open = rest
		}
		groups = append(groups, group)
	}
	return groups
}

// canShare says whether two jobs of one mix may be of one load: on one sprayer,
// and both within the life of the mix (R12).
func (n *network) canShare(a, b int32) bool {
	life := n.problem.Mixes[n.problem.Jobs[a].Mix].Life
	fa, fb := n.frames[a], n.frames[b]
	if life == 0 || n.shortest(a)+n.shortest(b) > life ||
		max(fa.endLow, fb.endLow)-min(fa.startHigh, fb.startHigh) > life {
		return false
	}
	for _, w := range n.ways[a] {
		if w.station == model.None {
			continue
		}
		for _, v := range n.ways[b] {
			if v.station == w.station {
				return true
			}
		}
	}
	return false
}

// leftOf returns the least that a group of jobs leaves over, mL: any number of
// loads, each of the finest graduation, the smallest load and the largest tank that
// the group can have.
func (n *network) leftOf(group []int32) int64 {
	var volume int64
	var fills []fill
	for _, j := range group {
		volume += n.problem.Jobs[j].Volume
		for _, w := range n.ways[j] {
			if w.station == model.None || n.problem.Stations[w.station].Tank == 0 {
				return 0
			}
			s := &n.problem.Stations[w.station]
			step := max(1, s.Graduation)
			one := fill{step: step, least: (s.SmallestLoad + step - 1) / step * step, most: s.Tank / step * step}
			if one.least > one.most || one.most == 0 {
				return 0
			}
			fills = append(fills, one)
		}
	}
	if len(group) == 1 {
		left := fills[0].left(volume)
		for _, f := range fills[1:] {
			left = min(left, f.left(volume))
		}
		return left
	}
	all := fills[0]
	for _, f := range fills[1:] {
		all = fill{step: divisor(all.step, f.step), least: min(all.least, f.least), most: max(all.most, f.most)}
	}
	return all.left(volume)
}

// fill is how a tank can be filled, mL.
type fill struct{ step, least, most int64 }

// left returns the least total of loads that reaches volume, less volume. Fewer
// loads than the largest allow do not reach it, and more only make the least total
// larger.
func (f fill) left(volume int64) int64 {
	if volume == 0 {
		return 0
	}
	loads := (volume + f.most - 1) / f.most
	return max((volume+f.step-1)/f.step*f.step, loads*f.least) - volume
}

func divisor(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}
