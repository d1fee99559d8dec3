package conflict

import (
	"fmt"
	"slices"
	"strings"

	"velamen/services/schedule/model"
)

// words writes sentences for a nursery manager.
type words struct {
	p     *model.Problem
	clock Clock
}

// duration writes minutes as people say them.
func duration(m model.Minute) string {
	const hour, day = 60, 24 * 60
	var parts []string
	if m >= 2*day {
		parts = append(parts, fmt.Sprintf("%d days", m/day))
		m %= day
	}
	if m >= hour {
		parts = append(parts, fmt.Sprintf("%d h", m/hour))
		m %= hour
	}
	if m > 0 || len(parts) == 0 {
		parts = append(parts, fmt.Sprintf("%d min", m))
	}
	return strings.Join(parts, " ")
}

// litres writes mL as litres without trailing zeros.
func litres(mL int64) string {
	whole := fmt.Sprintf("%d.%03d", mL/1000, mL%1000)
	return strings.TrimRight(strings.TrimRight(whole, "0"), ".") + " L"
}

// listed joins names with commas and a last "and"; of many it tells the first few.
func listed(names []string) string {
	const shown = 6
	if len(names) > shown {
		names = append(slices.Clone(names[:shown-1]), fmt.Sprintf("%d others", len(names)-shown+1))
	}
	switch len(names) {
	case 0:
		return "nobody"
	case 1:
		return names[0]
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}

func (w words) job(job int32) string {
	if name := w.p.Jobs[job].Name; name != "" {
		return name
	}
	return fmt.Sprintf("job %d", job)
}

func (w words) jobs(jobs []int32) string {
	var names []string
	for _, job := range jobs {
		names = append(names, w.job(job))
	}
	return listed(names)
}

func (w words) people(people []int32) string {
	var names []string
	for _, person := range people {
		names = append(names, w.p.People[person].Name)
	}
	return listed(names)
}

func (w words) spans(spans []model.Span) string {
	var texts []string
	for _, s := range spans {
		texts = append(texts, fmt.Sprintf("from %s to %s", w.clock(s.From), w.clock(s.To)))
	}
	return listed(texts)
}

// conflict says the whole conflict.
func (w words) conflict(c Conflict) string {
	var b strings.Builder
	names := w.jobs(c.Jobs)
	switch len(c.Jobs) {
	case 1:
		fmt.Fprintf(&b, "%s cannot be planned.", names)
	case 2:
		fmt.Fprintf(&b, "%s cannot both be planned.", names)
	default:
		fmt.Fprintf(&b, "%s cannot all be planned.", names)
	}
	for _, r := range c.Requirements {
		b.WriteString(" " + r.Text)
	}
	if over := circle(w.p, c); over > 0 {
		fmt.Fprintf(&b, " Going round, these intervals ask for %s more than there can be.", duration(over))
	}
	switch {
	case !c.Proven:
		b.WriteString(" It was not proven that they do not fit.")
	case !c.Minimal:
		b.WriteString(" Perhaps not all of this is part of the reason: that was not settled within the limit of the search.")
	}
	if c.Fix != nil {
		b.WriteString(" " + c.Fix.Text)
	} else if c.Proven {
		b.WriteString(" No single change was found that helps.")
	}
	return b.String()
}

// unanswered says that no reason was found.
func (w words) unanswered(jobs []int32, fit bool) string {
	if fit {
		return fmt.Sprintf("No single reason was found why %s cannot be planned. Without the other jobs there is a place for all of this, "+
			"so the others take it. Whether there is a plan with all of them was not settled.", w.jobs(jobs))
	}
	return fmt.Sprintf("No single reason was found why %s cannot be planned. "+
		"Whether there is a plan with all of this was not settled within the limit of the search.", w.jobs(jobs))
}

// requirement says what is asked for.
func (w words) requirement(r Requirement) string {
	switch r.Kind {
	case Travel:
		return "The way from site to site takes time."
	case Life:
		mix := w.p.Mixes[r.Mix]
		return fmt.Sprintf("%s may be used for %s after it is mixed.", mix.Name, duration(mix.Life))
	case Capacity:
		pool := w.p.Pools[r.Pool]
		return fmt.Sprintf("There are %d of %s.", pool.Capacity, pool.Name)
	case Horizon:
		return fmt.Sprintf("The plan ends at %s.", w.clock(w.p.Horizon))
	case Interval:
		return w.interval(w.p.Lags[r.Lag])
	case Protection, OnePerson, Shifts:
		return w.ofPerson(r.Kind, &w.p.People[r.Person])
	case Preparing, Tank, Hours, OneSprayer:
		return w.ofStation(r.Kind, &w.p.Stations[r.Station])
	case Engaged, Closed, Apart:
		return w.ofSpace(r.Kind, &w.p.Spaces[r.Space])
	default:
		return w.ofJob(r.Kind, r.Job)
	}
}

func (w words) ofPerson(kind Kind, person *model.Person) string {
	switch kind {
	case Protection:
		spent := ""
		if person.Worn > 0 {
			spent = fmt.Sprintf(", of which %s are spent on the first", duration(person.Worn))
		}
		if slices.ContainsFunc(w.p.Jobs, func(job model.Job) bool { return len(job.Hot) > 0 && !job.Protected }) {
			return fmt.Sprintf("%s may be in protective equipment or heat for %s a day%s.", person.Name, duration(person.MaxProtected), spent)
		}
		return fmt.Sprintf("%s may wear protective equipment for %s a day%s.", person.Name, duration(person.MaxProtected), spent)
	case OnePerson:
		return fmt.Sprintf("%s does one job at a time.", person.Name)
	}
	var longest model.Minute
	for _, shift := range person.Shifts {
		longest = max(longest, shift.To-shift.From)
	}
	switch len(person.Shifts) {
	case 0:
		return fmt.Sprintf("%s does not work in this time.", person.Name)
	case 1:
		return fmt.Sprintf("%s works %s.", person.Name, w.spans([]model.Span{person.Shifts[0].Span}))
	}
	return fmt.Sprintf("%s works in %d shifts, the longest of %s.", person.Name, len(person.Shifts), duration(longest))
}

func (w words) ofStation(kind Kind, station *model.Station) string {
	switch kind {
	case Preparing:
		return fmt.Sprintf("%s must be rinsed or filled before it is used.", station.Name)
	case Tank:
		return fmt.Sprintf("The tank of %s holds %s in steps of %s, and its smallest load is %s.",
			station.Name, litres(station.Tank), litres(station.Graduation), litres(station.SmallestLoad))
	case Hours:
		return fmt.Sprintf("%s can be used %s.", station.Name, w.spans(station.Open))
	default:
		return fmt.Sprintf("%s does one job at a time.", station.Name)
	}
}

func (w words) ofSpace(kind Kind, space *model.Space) string {
	switch kind {
	case Engaged:
		return fmt.Sprintf("%s must be open %s.", space.Name, w.spans(space.Engaged))
	case Closed:
		return fmt.Sprintf("Nobody may work in %s %s.", space.Name, w.spans(space.Closed))
	default:
		return fmt.Sprintf("Work that closes %s keeps other work out until it is open again.", space.Name)
	}
}

func (w words) ofJob(kind Kind, index int32) string {
	job, name := &w.p.Jobs[index], w.job(index)
	switch kind {
	case Permitted:
		if len(job.People) == 0 {
			return fmt.Sprintf("Nobody may do %s.", name)
		}
		return fmt.Sprintf("Only %s may do %s.", w.people(job.People), name)
	case Release:
		return fmt.Sprintf("%s cannot start before %s.", name, w.clock(job.Release))
	case Windows:
		return fmt.Sprintf("%s can be done only %s.", name, w.spans(job.Windows))
	case Deadline:
		if job.Deadline <= 0 {
			return fmt.Sprintf("%s had to end by %s, before the plan begins.", name, w.clock(job.Deadline))
		}
		return fmt.Sprintf("%s must end by %s.", name, w.clock(job.Deadline))
	case Pin:
		return w.pin(job, name)
	}
	least := shortest(job)
	for _, occupation := range job.Occupies {
		if occupation.Exclusive && occupation.Tail > 0 {
			return fmt.Sprintf("%s takes %s, and closes %s for another %s.",
				name, duration(least), w.p.Spaces[occupation.Space].Name, duration(occupation.Tail))
		}
	}
	return fmt.Sprintf("%s takes %s.", name, duration(least))
}

func (w words) pin(job *model.Job, name string) string {
	var parts []string
	if job.Pin.Start != model.None {
		parts = append(parts, "to start at "+w.clock(job.Pin.Start))
	}
	if job.Pin.Person != model.None {
		parts = append(parts, "to "+w.p.People[job.Pin.Person].Name)
	}
	if job.Pin.Way != model.None {
		if station := job.Ways[job.Pin.Way].Station; station != model.None {
			parts = append(parts, "to "+w.p.Stations[station].Name)
		} else {
			parts = append(parts, "to be done without a sprayer")
		}
	}
	if len(parts) == 0 {
		return fmt.Sprintf("%s is pinned into the plan.", name)
	}
	return fmt.Sprintf("%s is pinned %s.", name, listed(parts))
}

func (w words) interval(lag model.Lag) string {
	from, to := w.job(lag.From), w.job(lag.To)
	if lag.Least < 0 {
		return fmt.Sprintf("%s must %s no later than %s after %s %s.",
			from, verb(lag.FromEnd, false), duration(-lag.Least), to, verb(lag.ToEnd, true))
	}
	return fmt.Sprintf("%s must %s no earlier than %s after %s %s.",
		to, verb(lag.ToEnd, false), duration(lag.Least), from, verb(lag.FromEnd, true))
}

func verb(end, does bool) string {
	word := "start"
	if end {
		word = "end"
	}
	if does {
		return word + "s"
	}
	return word
}

// fix says what would help.
func (w words) fix(f Fix) string {
	by := duration(f.Minutes)
	switch f.Change {
	case DropPin:
		return fmt.Sprintf("It would help to drop the pin of %s.", w.job(f.Job))
	case LaterDeadline:
		return fmt.Sprintf("It would help if %s could end %s later, at %s.", w.job(f.Job), by, w.clock(w.p.Jobs[f.Job].Deadline+f.Minutes))
	case EarlierRelease:
		return fmt.Sprintf("It would help if %s could start %s earlier, at %s.", w.job(f.Job), by, w.clock(w.p.Jobs[f.Job].Release-f.Minutes))
	case WiderWindows:
		return fmt.Sprintf("It would help if the times of %s began %s earlier and ended as much later.", w.job(f.Job), by)
	case LooserInterval:
		lag := w.p.Lags[f.Lag]
		if lag.Least < 0 {
			return fmt.Sprintf("It would help if the longest interval between %s and %s were %s longer, where the label allows it.",
				w.job(lag.To), w.job(lag.From), by)
		}
		return fmt.Sprintf("It would help if the shortest interval between %s and %s were %s shorter, where the label allows it.",
			w.job(lag.From), w.job(lag.To), by)
	case LongerPlan:
		return fmt.Sprintf("It would help to plan %s further ahead.", by)
	case LongerShift:
		return fmt.Sprintf("It would help if %s worked %s longer.", w.p.People[f.Person].Name, by)
	default:
		return w.fixThing(f)
	}
}

// fixThing says which change of people, sprayers, places or pools would help.
func (w words) fixThing(f Fix) string {
	switch f.Change {
	case LongerHours:
		return fmt.Sprintf("It would help if %s could be used %s longer.", w.p.Stations[f.Station].Name, duration(f.Minutes))
	case Permit:
		return fmt.Sprintf("It would help if %s were allowed to do %s.", w.p.People[f.Person].Name, w.job(f.Job))
	case MoveEngagement:
		return fmt.Sprintf("It would help to move what keeps %s open.", w.p.Spaces[f.Space].Name)
	case SmallerLoad:
		station := w.p.Stations[f.Station]
		return fmt.Sprintf("It would help if %s could make a load of %s, or had a larger tank.",
			station.Name, litres(station.Tank/station.Graduation*station.Graduation))
	case MoreOfPool:
		return fmt.Sprintf("It would help to have %d more of %s.", f.Amount, w.p.Pools[f.Pool].Name)
	case OneMoreSprayer:
		return fmt.Sprintf("It would help to have one more sprayer like %s.", w.p.Stations[f.Station].Name)
	default:
		return fmt.Sprintf("It would help to have one more person who may do what %s may.", w.p.People[f.Person].Name)
	}
}
