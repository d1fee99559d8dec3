package conflict

import "velamen/services/schedule/model"

// reason leaves out of jobs that do not fit, and of what is asked of them, all that
// can be left out while they still do not fit.
func (e *explainer) reason(jobs []int32) Conflict {
	found := jobs
	answer := e.ask(jobs, nil, stepsFor(len(jobs)))
	c := Conflict{Proven: answer == impossible, Minimal: true}
	for i := 0; i < len(jobs) && len(jobs) > 1; {
		rest := without(jobs, i)
		answer := e.ask(rest, nil, stepsFor(len(rest)))
		if answer == impossible {
			jobs = rest
			continue
		}
		c.Minimal = c.Minimal && answer == fits
		i++
	}
	c.Jobs = jobs
	var given []Requirement
	for _, r := range requirements(e.p, jobs) {
		answer := e.ask(jobs, append(given[:len(given):len(given)], r), stepsFor(len(jobs)))
		if answer == impossible {
			given = append(given, r)
			continue
		}
		c.Minimal = c.Minimal && answer == fits
		c.Requirements = append(c.Requirements, r)
	}
	for _, job := range jobs {
		c.Requirements = append(c.Requirements, ofJob(Done, job))
	}
	w := words{p: e.p, clock: e.clock}
	for i := range c.Requirements {
		c.Requirements[i].Text = w.requirement(c.Requirements[i])
	}
	// What helps the jobs that were found together helps more than the fewest of them.
	if c.Fix = e.fix(c, found); c.Fix == nil {
		c.Fix = e.fix(c, jobs)
	}
	c.Text = w.conflict(c)
	return c
}

// unanswered is what can be said when no reason was found for jobs; fit tells that
// they and what they need fit when there is nothing else.
func (e *explainer) unanswered(jobs []int32, fit bool) Conflict {
	return Conflict{Jobs: jobs, Text: words{p: e.p, clock: e.clock}.unanswered(jobs, fit)}
}

// circle returns by how many minutes the intervals of a reason ask for more than can
// be, going round; 0 when they form no circle on their own. A job that can be done
// in several ways may be in a circle for each: then they make no single sum.
func circle(p *model.Problem, c Conflict) model.Minute {
	for _, r := range c.Requirements {
		if r.Kind != Interval && r.Kind != Done {
			return 0
		}
	}
	q := newQuestion(p, c.Jobs, nil)
	s := &searcher{q: q, options: q.options()}
	var sum model.Minute
	n := s.root()
	index := indexOf(c.Jobs, len(p.Jobs))
	out, in := make([]int, len(c.Jobs)), make([]int, len(c.Jobs))
	for _, r := range c.Requirements {
		if r.Kind == Interval {
			lag := p.Lags[r.Lag]
			lag.From, lag.To = int32(index(lag.From)), int32(index(lag.To))
			out[lag.From]++
			in[lag.To]++
			sum += s.length(n, lag)
		}
	}
	for i := range out {
		if out[i] != 1 || in[i] != 1 {
			return 0
		}
	}
	return sum
}
