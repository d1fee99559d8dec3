package checker

import (
	"velamen/services/schedule/model"
)

// score counts what is left out and each term of what is placed.
func (c *check) score() model.Score {
	var score model.Score
	for i := range c.p.Jobs {
		job := &c.p.Jobs[i]
		if !c.placed[i] {
			score.Skipped += job.SkipWeight
		}
		if job.Told != nil && c.placed[i] == (c.work[i] != nil) && c.changed(int32(i)) {
			score.Terms[model.Change] += job.Told.Weight
		}
	}
	var last model.Minute
	for _, w := range c.works {
		last = max(last, w.end)
		score.Terms[model.Late] += w.job.LateWeight * int64(max(w.end-w.job.Due, 0))
		score.Terms[model.Waiting] += w.job.WaitWeight * int64(max(w.start-w.job.Release, 0))
		if w.rinse.Minutes > 0 || w.rinse.Volume > 0 {
			score.Terms[model.Rinsing] += c.p.Weights.Rinse + c.p.Weights.RinseVolume*w.rinse.Volume
		}
		if w.place.Person != model.None {
			for _, shift := range c.p.People[w.place.Person].Shifts {
				overtime := shared(w.begin, w.end, model.Span{From: shift.Overtime, To: shift.To})
				score.Terms[model.Overtime] += c.p.Weights.Overtime * int64(overtime)
			}
		}
	}
	score.Terms[model.Finish] = c.p.Weights.Finish * int64(last)
	score.Terms[model.Closed] = c.closedCost()
	score.Terms[model.Leftover] = c.p.Weights.Leftover * c.leftover()
	return score
}

// changed tells whether a job is not as people were told.
func (c *check) changed(job int32) bool {
	told, w := c.p.Jobs[job].Told, c.work[job]
	if w == nil {
		return true
	}
	return w.start < told.Start-told.Tolerance || w.start > told.Start+told.Tolerance ||
		(told.Person != model.None && w.place.Person != told.Person) ||
		(told.Way != model.None && w.place.Way != told.Way)
}

// closedCost counts the working minutes in which each space is closed, once where
// closures overlap.
func (c *check) closedCost() int64 {
	var cost int64
	for s, in := range c.stays() {
		space := &c.p.Spaces[s]
		var closed []model.Span
		for _, stay := range in {
			if !stay.exclusive {
				continue
			}
			if n := len(closed); n > 0 && stay.from <= closed[n-1].To {
				closed[n-1].To = max(closed[n-1].To, stay.to)
				continue
			}
			closed = append(closed, model.Span{From: stay.from, To: stay.to})
		}
		for _, span := range closed {
			for _, working := range space.Working {
				cost += space.ClosedWeight * int64(shared(span.From, span.To, working))
			}
		}
	}
	return cost
}

// leftover is the mL of all runs that are mixed and not used.
func (c *check) leftover() int64 {
	var left int64
	for s, works := range c.onStation {
		station := &c.p.Stations[s]
		if station.Tank == 0 {
			continue
		}
		var run int64
		for _, w := range works {
			if w.job.Mix == model.None {
				continue
			}
			if w.place.NewLoad {
				left += made(station, run) - run
				run = 0
			}
			run += w.job.Volume
		}
		left += made(station, run) - run
	}
	return left
}

// smallestFill and largestFill are the least and the most that one load may hold, mL,
// in whole graduations.
func smallestFill(s *model.Station) int64 {
	return (s.SmallestLoad + s.Graduation - 1) / s.Graduation * s.Graduation
}

func largestFill(s *model.Station) int64 {
	return s.Tank / s.Graduation * s.Graduation
}

// fills tells whether a load of some size can be filled and measured.
func fills(s *model.Station) bool {
	return largestFill(s) > 0 && smallestFill(s) <= largestFill(s)
}

// made is the least, mL, that some number of loads can add up to and that covers what
// is used. With n loads every whole graduation from n smallest to n largest fills can
// be made. Where no load can be filled it is what is used: R12 tells of that.
func made(s *model.Station, used int64) int64 {
	if used == 0 || !fills(s) {
		return used
	}
	smallest, largest := smallestFill(s), largestFill(s)
	loads := (used + largest - 1) / largest
	total := (used + s.Graduation - 1) / s.Graduation * s.Graduation
	return max(total, loads*smallest)
}
