package bruteforce

import "velamen/services/schedule/model"

// own is what a job costs whatever is placed after it.
func (t *tree) own(l *leaf) model.Score {
	var s model.Score
	job := l.job
	for m := job.Due; m < l.end; m++ {
		s.Terms[model.Late] += job.LateWeight
	}
	for m := job.Release; m < l.start; m++ {
		s.Terms[model.Waiting] += job.WaitWeight
	}
	if l.rinse != (model.Rinse{}) {
		s.Terms[model.Rinsing] = t.p.Weights.Rinse + l.rinse.Volume*t.p.Weights.RinseVolume
	}
	if l.place.Person != model.None {
		for m := l.begin; m < l.end; m++ {
			for _, shift := range t.p.People[l.place.Person].Shifts {
				if m >= shift.Overtime && m < shift.To {
					s.Terms[model.Overtime] += t.p.Weights.Overtime
				}
			}
		}
	}
	if told := job.Told; told != nil {
		moved := l.start-told.Start > told.Tolerance || told.Start-l.start > told.Tolerance
		if moved || (told.Person != model.None && told.Person != l.place.Person) || (told.Way != model.None && told.Way != l.place.Way) {
			s.Terms[model.Change] = told.Weight
		}
	}
	return s
}

// evaluate is the score of a whole plan, without the weights left out.
func (t *tree) evaluate() model.Score {
	var s model.Score
	var last model.Minute
	placed := make([]bool, len(t.p.Jobs))
	for i := range t.leaves {
		own := t.own(&t.leaves[i])
		for term := range own.Terms {
			s.Terms[term] += own.Terms[term]
		}
		last = max(last, t.leaves[i].end)
		placed[t.leaves[i].index] = true
	}
	for i := range t.p.Jobs {
		if told := t.p.Jobs[i].Told; told != nil && !placed[i] {
			s.Terms[model.Change] += told.Weight
		}
	}
	s.Terms[model.Finish] = int64(last) * t.p.Weights.Finish
	for space := range t.p.Spaces {
		s.Terms[model.Closed] += t.closed(int32(space)) * t.p.Spaces[space].ClosedWeight
	}
	for station := range t.p.Stations {
		s.Terms[model.Leftover] += t.leftover(int32(station)) * t.p.Weights.Leftover
	}
	return s
}

// closed counts the working minutes in which a space is closed, minute by minute.
func (t *tree) closed(space int32) int64 {
	var minutes int64
	for _, working := range t.p.Spaces[space].Working {
		for m := working.From; m < working.To; m++ {
			if t.closedAt(space, m) {
				minutes++
			}
		}
	}
	return minutes
}

func (t *tree) closedAt(space int32, m model.Minute) bool {
	for i := range t.leaves {
		for _, o := range t.leaves[i].job.Occupies {
			if o.Space == space && o.Exclusive && m >= t.leaves[i].start && m < t.leaves[i].end+o.Tail {
				return true
			}
		}
	}
	return false
}

// leftover adds up what is left of the runs of a sprayer.
func (t *tree) leftover(station int32) int64 {
	var left, run int64
	s := &t.p.Stations[station]
	for i := range t.leaves {
		l := &t.leaves[i]
		if l.station != station || l.job.Mix == model.None || s.Tank == 0 {
			continue
		}
		if l.place.NewLoad {
			left += fill(s, run) - run
			run = 0
		}
		run += l.job.Volume
	}
	if s.Tank == 0 {
		return 0
	}
	return left + fill(s, run) - run
}

// fill is the least that loads can add up to and that is no less than used, mL; -1
// when no load can be made. It tries every total from used on, and for each every
// number of equal or unequal loads.
func fill(s *model.Station, used int64) int64 {
	for total := used; total <= used+2*s.Tank; total++ {
		if splits(s, total) {
			return total
		}
	}
	return -1
}

// splits tells whether a total is a sum of loads, by taking loads away from it.
func splits(s *model.Station, total int64) bool {
	if total == 0 {
		return true
	}
	for load := max(s.SmallestLoad, 1); load <= min(s.Tank, total); load++ {
		if load%s.Graduation == 0 && splits(s, total-load) {
			return true
		}
	}
	return false
}
