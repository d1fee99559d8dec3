package conflict

import "velamen/services/schedule/model"

// next is the first start of a job at or after from that keeps all that does not
// depend on other jobs; ok is false when there is none. prep is how long before its
// start its sprayer and person are taken.
func (q *question) next(index int32, o option, from, prep model.Minute) (start model.Minute, ok bool) {
	job := &q.p.Jobs[index]
	latest := min(job.Deadline, q.p.Horizon) - o.duration
	start = max(from, job.Release, prep)
	if job.Pin != nil && job.Pin.Start != model.None {
		start = max(start, job.Pin.Start)
		latest = min(latest, job.Pin.Start)
	}
	for start <= latest {
		before := start
		if start, ok = inSpans(start, 0, o.duration, job.Windows, true); !ok {
			return 0, false
		}
		if o.station != model.None {
			if start, ok = inSpans(start, prep, o.duration, q.p.Stations[o.station].Open, true); !ok {
				return 0, false
			}
		}
		if start, ok = q.inShift(start, prep, o); !ok {
			return 0, false
		}
		start = q.pastClosed(job, start, o.duration)
		if start == before {
			return start, true
		}
	}
	return 0, false
}

// inSpans is the first start from which [start - prep, start + duration) lies in one
// of the spans. always tells that no spans stand for always.
func inSpans(start, prep, duration model.Minute, spans []model.Span, always bool) (model.Minute, bool) {
	if len(spans) == 0 {
		return start, always
	}
	for _, span := range spans {
		if at := max(start, span.From+prep); at+duration <= span.To {
			return at, true
		}
	}
	return 0, false
}

// inShift is the first start at which a shift of the person holds the job.
func (q *question) inShift(start, prep model.Minute, o option) (model.Minute, bool) {
	if o.person == model.None {
		return start, true
	}
	for _, shift := range q.p.People[o.person].Shifts {
		if at := max(start, shift.From+prep); at+o.duration <= shift.To {
			return at, true
		}
	}
	return 0, false
}

// pastClosed moves a start behind what is closed or must be open; that is one move of
// several when spans follow each other closely.
func (q *question) pastClosed(job *model.Job, start, duration model.Minute) model.Minute {
	for _, o := range job.Occupies {
		for _, span := range q.p.Spaces[o.Space].Closed {
			if meet(start, start+duration, span.From, span.To) {
				start = span.To
			}
		}
		if !o.Exclusive {
			continue
		}
		for _, span := range q.p.Spaces[o.Space].Engaged {
			if meet(start, start+duration+o.Tail, span.From, span.To) {
				start = span.To
			}
		}
	}
	return start
}

// meet tells whether two spans have a minute in common.
func meet(aFrom, aTo, bFrom, bTo model.Minute) bool {
	return max(aFrom, bFrom) < min(aTo, bTo)
}

// earliest is the first start of a job at or after from, with the option that it has
// or with the best of all.
func (s *searcher) earliest(n *node, job int, from model.Minute) (model.Minute, bool) {
	if k := n.option[job]; k != undecided {
		return s.q.next(int32(job), s.options[job][k], from, s.prep(n, job))
	}
	var best model.Minute
	found := false
	for _, o := range s.options[job] {
		start, ok := s.q.next(int32(job), o, from, s.q.leastPrep(int32(job), o))
		if ok && (!found || start < best) {
			best, found = start, true
		}
	}
	return best, found
}

// duration of a job: that of its option, or the shortest, or the longest.
func (s *searcher) duration(n *node, job int, longest bool) model.Minute {
	if k := n.option[job]; k != undecided {
		return s.options[job][k].duration
	}
	result := s.options[job][0].duration
	for _, o := range s.options[job] {
		if longest {
			result = max(result, o.duration)
		} else {
			result = min(result, o.duration)
		}
	}
	return result
}

// propagate raises the starts to the least that the node allows; false when there
// are none. What it raises starts by is all of the form "not before", so that the
// least starts keep every one of these rules.
func (s *searcher) propagate(n *node) bool {
	for i := range n.start {
		start, ok := s.earliest(n, i, max(n.start[i], n.floor[i]))
		if !ok {
			return false
		}
		n.start[i] = start
	}
	for pass := 0; ; pass++ {
		moved := false
		for i := range n.start {
			from := s.pushed(n, i)
			if from <= n.start[i] && pass > 0 {
				continue
			}
			start, ok := s.earliest(n, i, max(from, n.start[i]))
			if !ok {
				return false
			}
			moved = moved || start > n.start[i]
			n.start[i] = start
		}
		if !moved {
			return true
		}
		if pass == len(n.start) && s.circle(n) {
			return false
		}
	}
}

// pushed is the earliest start that the other jobs leave to a job.
func (s *searcher) pushed(n *node, job int) model.Minute {
	var from model.Minute
	for _, lag := range s.q.p.Lags {
		if int(lag.To) == job {
			from = max(from, n.start[lag.From]+s.length(n, lag))
		}
	}
	for before := range n.first {
		if n.first[before][job] {
			from = max(from, s.after(n, before, job))
		}
	}
	return max(from, s.stillFresh(n, job))
}

// length is the least time from start to start that a lag asks for.
func (s *searcher) length(n *node, lag model.Lag) model.Minute {
	least := lag.Least
	if lag.FromEnd {
		least += s.duration(n, int(lag.From), false)
	}
	if lag.ToEnd {
		least -= s.duration(n, int(lag.To), true)
	}
	return least
}

// after is the earliest start of job when before comes first.
func (s *searcher) after(n *node, before, job int) model.Minute {
	end := n.start[before] + s.duration(n, before, false)
	from := end
	if n.option[before] == undecided || n.option[job] == undecided {
		return from
	}
	a, b := s.options[before][n.option[before]], s.options[job][n.option[job]]
	if s.sameSprayer(a, b) || s.samePerson(a, b) {
		from = max(from, end+s.prep(n, job)+s.travel(n, before, job), end+s.between(n, before, job))
	}
	if tail, apart := s.q.apart(before, job); apart {
		from = max(from, end+tail)
	}
	return from
}

func (s *searcher) sameSprayer(a, b option) bool {
	return a.station != model.None && a.station == b.station && !s.q.manySprayers[a.station]
}

func (s *searcher) samePerson(a, b option) bool {
	return a.person != model.None && a.person == b.person && !s.q.manyPeople[a.person]
}

// apart tells whether two jobs keep each other out of a space, and how long it stays
// closed after the first.
func (q *question) apart(first, second int) (tail model.Minute, apart bool) {
	for _, x := range q.p.Jobs[first].Occupies {
		for _, y := range q.p.Jobs[second].Occupies {
			shares := x.Closure != model.None && x.Closure == y.Closure
			if x.Space == y.Space && (x.Exclusive || y.Exclusive) && !shares {
				tail, apart = max(tail, x.Tail), true
			}
		}
	}
	return tail, apart
}

// circle tells whether intervals and decided orders drive each other on without end.
// Without it a circle that asks for one minute too much would be walked to the end of
// the plan in steps of that minute.
func (s *searcher) circle(n *node) bool {
	late := make([]model.Minute, len(n.start))
	for range late {
		moved := false
		for i := range late {
			for _, lag := range s.q.p.Lags {
				if int(lag.To) == i && late[lag.From]+s.length(n, lag) > late[i] {
					late[i] = late[lag.From] + s.length(n, lag)
					moved = true
				}
			}
			for before := range n.first {
				if length := s.after(n, before, i) - n.start[before]; n.first[before][i] && late[before]+length > late[i] {
					late[i] = late[before] + length
					moved = true
				}
			}
		}
		if !moved {
			return false
		}
	}
	return true
}
