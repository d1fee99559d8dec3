package exact

import "velamen/services/schedule/model"

// MostJobs is how many jobs a problem may have. The search keeps a choice for each
// pair that competes for a machine.
const MostJobs = 256

// Fits says whether a problem is of the plain kind that Solve reads. A problem that
// does not fit may still be a good one; other packages plan it.
func Fits(p *model.Problem) bool {
	if len(p.Jobs) > MostJobs || len(p.Travel) > 0 {
		return false
	}
	for j := range p.Jobs {
		if !plainJob(p, &p.Jobs[j]) {
			return false
		}
	}
	return true
}

func plainJob(p *model.Problem, job *model.Job) bool {
	switch {
	case len(job.Ways) != 1, job.Mix != model.None, len(job.Windows) > 1:
		return false
	case job.Told != nil && job.Told.Weight > 0:
		return false
	case job.Pin != nil && !plainPin(job):
		return false
	case job.Manned && !plainPerson(p, job):
		return false
	}
	if s := job.Ways[0].Station; s != model.None && !covers(p.Stations[s].Open, p.Horizon) {
		return false
	}
	for _, o := range job.Occupies {
		if !plainSpace(&p.Spaces[o.Space], o.Exclusive) {
			return false
		}
	}
	// Whether no time at all overlaps other work is not asked.
	needsNothing := job.Ways[0].Station == model.None && !job.Manned && len(job.Occupies) == 0
	return job.Ways[0].Duration > 0 || needsNothing
}

// plainSpace says whether a space is there for all the time and costs nothing
// while it is closed.
func plainSpace(space *model.Space, exclusive bool) bool {
	if len(space.Closed) > 0 {
		return false
	}
	return !exclusive || len(space.Engaged) == 0 && (space.ClosedWeight == 0 || len(space.Working) == 0)
}

// plainPin says whether a pin leaves the only way and the only person.
func plainPin(job *model.Job) bool {
	if job.Pin.Way != model.None && job.Pin.Way != 0 {
		return false
	}
	if job.Pin.Person == model.None {
		return true
	}
	return job.Manned && len(job.People) == 1 && job.Pin.Person == job.People[0]
}

// plainPerson says whether one person does the job, in one shift for all the time,
// without overtime that costs.
func plainPerson(p *model.Problem, job *model.Job) bool {
	if len(job.People) != 1 {
		return false
	}
	who := &p.People[job.People[0]]
	limited := who.MaxProtected > 0 && (job.Protected || len(job.Hot) > 0)
	if limited || len(who.Shifts) != 1 {
		return false
	}
	s := who.Shifts[0]
	return s.From <= 0 && s.To >= p.Horizon && (p.Weights.Overtime == 0 || s.Overtime >= p.Horizon)
}

// covers says whether spans leave all the time: none of them, or one that does.
func covers(spans []model.Span, horizon model.Minute) bool {
	return len(spans) == 0 || len(spans) == 1 && spans[0].From <= 0 && spans[0].To >= horizon
}
