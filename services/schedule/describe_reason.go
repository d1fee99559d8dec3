package schedule

import (
	"fmt"
	"slices"
	"strings"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/services/schedule/model"
)

// change says how a job differs from what people were told, and why it stands here or
// why it moved.
func (l *layout) change(j int32) (schedulev1.Change, string) {
	c := l.c
	told, was := c.told[c.jobs[j]]
	if !was {
		reason := l.holds(j)[0]
		if len(c.told) == 0 {
			return schedulev1.Change_CHANGE_UNSPECIFIED, reason
		}
		return schedulev1.Change_CHANGE_NEW, reason
	}
	at := &l.stands[j]
	sprayer := ""
	if at.station != model.None {
		sprayer = c.sprayers[at.station].ID
	}
	person := ""
	if l.plan[j].Person != model.None {
		person = c.crew[l.plan[j].Person].Person.ID
	}
	shift := c.at(at.start).Sub(told.Start).Abs()
	switch {
	case shift > toldTolerance:
		return schedulev1.Change_CHANGE_TIME, l.whyMoved(j, told)
	case person != told.Person || sprayer != told.Sprayer:
		return schedulev1.Change_CHANGE_PERSON_OR_SPRAYER, l.whyMoved(j, told)
	default:
		return schedulev1.Change_CHANGE_NONE, l.holds(j)[0]
	}
}

// whyMoved says why a job is not as it was told.
func (l *layout) whyMoved(j int32, told Told) string {
	c, job, start := l.c, &l.c.problem.Jobs[j], l.c.minute(told.Start)
	was := fmt.Sprintf("It was told for %s to %s.", c.local(start), c.personTitle(told.Person))
	person, known := c.people[told.Person]
	switch {
	case start < 0:
		return was + " That time has passed."
	case !known || !slices.Contains(job.People, person):
		return was + " " + c.personTitle(told.Person) + " cannot do it in these days."
	case !c.worksAt(person, start):
		return was + " " + c.personTitle(told.Person) + " does not work then."
	case told.Sprayer != "" && c.wayWith(j, told.Sprayer) == model.None:
		return was + " " + c.sprayerTitle(told.Sprayer) + " cannot be used for it now."
	case start < job.Release && c.drafts[j].because != "":
		return was + " " + c.drafts[j].because
	case !c.freeAt(j, start):
		return was + " " + c.housesOf(&c.drafts[j]) + " is not free for it then."
	case l.strainedThen(j, person, told):
		return was + fmt.Sprintf(" %s would be in protective equipment or heat for too long that day.", c.personTitle(told.Person))
	case job.Pin != nil:
		return was + " It is pinned since."
	default:
		return was + " So the whole plan costs less."
	}
}

func (c *compiled) worksAt(person int32, m model.Minute) bool {
	return slices.ContainsFunc(c.problem.People[person].Shifts, func(s model.Shift) bool { return s.From <= m && m < s.To })
}

// freeAt reports whether the hours, the closures and the engagements of its places let
// a job begin at a minute, whatever other jobs do.
func (c *compiled) freeAt(j int32, m model.Minute) bool {
	job := &c.problem.Jobs[j]
	in := func(spans []model.Span) bool {
		return slices.ContainsFunc(spans, func(s model.Span) bool { return s.From <= m && m < s.To })
	}
	if len(job.Windows) > 0 && !in(job.Windows) {
		return false
	}
	for _, occupation := range job.Occupies {
		space := &c.problem.Spaces[occupation.Space]
		if in(space.Closed) || (occupation.Exclusive && in(space.Engaged)) {
			return false
		}
	}
	return true
}

// holds says what keeps a job from standing earlier, each as a sentence; there is at
// least one.
func (l *layout) holds(j int32) []string {
	var reasons []string
	for _, part := range []func(int32) string{
		l.heldByPin, l.heldByLoad, l.heldByEarlier, l.heldByRelease, l.heldByLead, l.heldByPerson, l.heldByShift, l.heldBySprayer, l.heldByPlace,
		l.heldByHeat,
	} {
		if reason := part(j); reason != "" {
			reasons = append(reasons, reason)
		}
	}
	if len(reasons) == 0 {
		reasons = append(reasons, "Here it costs least, together with everything else in the plan.")
	}
	return reasons
}

func (l *layout) heldByPin(j int32) string {
	if pin := l.c.problem.Jobs[j].Pin; pin == nil || pin.Start == model.None {
		return ""
	}
	return "It is pinned to this time."
}

func (l *layout) heldByLoad(j int32) string {
	number := l.stands[j].load
	if number == 0 || l.plan[j].NewLoad {
		return ""
	}
	return fmt.Sprintf("It shares tank load %d with %q, so that less is mixed.", number, l.c.problem.Jobs[l.loads[number-1].jobs[0]].Name)
}

func (l *layout) heldByEarlier(j int32) string {
	for _, lag := range l.c.problem.Lags {
		if lag.To == j && l.stands[lag.From].placed && l.stands[lag.From].end+lag.Least == l.stands[j].start {
			if lag.Least == 0 {
				return fmt.Sprintf("It follows %q.", l.c.problem.Jobs[lag.From].Name)
			}
			return fmt.Sprintf("It may not be done before %s: %q has to be so long ago.", l.c.local(l.stands[j].start), l.c.problem.Jobs[lag.From].Name)
		}
	}
	return ""
}

func (l *layout) heldByRelease(j int32) string {
	if l.heldByEarlier(j) != "" {
		return ""
	}
	if l.stands[j].start != l.c.drafts[j].release {
		if l.stands[j].begin == 0 {
			return "It is begun at once."
		}
		return ""
	}
	if l.c.drafts[j].because == "" {
		return "It is done at once."
	}
	return l.c.drafts[j].because
}

func (l *layout) heldByLead(j int32) string {
	if from := l.c.drafts[j].lead; from > 0 && l.stands[j].start == from {
		return l.c.sayLead(from)
	}
	return ""
}

func (l *layout) heldByPerson(j int32) string {
	person := l.plan[j].Person
	if person == model.None {
		return ""
	}
	for _, other := range l.order {
		if other == j || l.plan[other].Person != person || l.stands[other].end > l.stands[j].begin {
			continue
		}
		way := model.Minute(0)
		if travel, a, b := l.c.problem.Travel, l.c.problem.Jobs[other].Site, l.c.problem.Jobs[j].Site; len(travel) > 0 {
			way = travel[a][b]
		}
		if l.stands[other].end+way == l.stands[j].begin {
			return fmt.Sprintf("%s comes to it from %q.", l.c.crew[person].Person.DisplayName, l.c.problem.Jobs[other].Name)
		}
	}
	return ""
}

func (l *layout) heldByShift(j int32) string {
	person := l.plan[j].Person
	if person == model.None {
		return ""
	}
	for _, shift := range l.c.problem.People[person].Shifts {
		if shift.From == l.stands[j].begin && shift.From > 0 {
			return fmt.Sprintf("%s begins work then.", l.c.crew[person].Person.DisplayName)
		}
	}
	return ""
}

func (l *layout) heldBySprayer(j int32) string {
	station := l.stands[j].station
	if station == model.None {
		return ""
	}
	for _, other := range l.order {
		if other != j && l.stands[other].station == station && l.stands[other].end == l.stands[j].begin {
			return fmt.Sprintf("%s is taken by %q until then.", l.c.sprayers[station].DisplayName, l.c.problem.Jobs[other].Name)
		}
	}
	return ""
}

// heldByPlace finds what in its houses ends when it begins.
func (l *layout) heldByPlace(j int32) string {
	job, start := &l.c.problem.Jobs[j], l.stands[j].start
	for _, window := range job.Windows {
		if window.From == start && start > l.c.drafts[j].lead {
			return fmt.Sprintf("The hours for it in %s begin then.", l.c.housesOf(&l.c.drafts[j]))
		}
	}
	for _, occupation := range job.Occupies {
		space := &l.c.problem.Spaces[occupation.Space]
		for _, closed := range space.Closed {
			if closed.To == start {
				return space.Name + " is closed until then by what was applied before."
			}
		}
		for _, engaged := range space.Engaged {
			if occupation.Exclusive && engaged.To == start {
				return space.Name + " is taken until then, by the calendar of the house."
			}
		}
		if other := l.endsAt(j, occupation.Space, start); other != "" {
			return fmt.Sprintf("%s is closed until then by %q.", space.Name, other)
		}
	}
	return ""
}

// endsAt returns the job whose stay in a space ends at a minute; empty when none does.
func (l *layout) endsAt(j, space int32, m model.Minute) string {
	for _, other := range l.order {
		for _, occupation := range l.c.problem.Jobs[other].Occupies {
			if other != j && occupation.Space == space && occupation.Exclusive && l.stands[other].end+occupation.Tail == m {
				return l.c.problem.Jobs[other].Name
			}
		}
	}
	return ""
}

// whyLeftOut says what keeps a job out, as far as that can be told from the job alone;
// there is at least one sentence.
func (l *layout) whyLeftOut(j int32) []string {
	job := &l.c.problem.Jobs[j]
	for _, need := range job.Needs {
		if !l.stands[need].placed {
			return []string{fmt.Sprintf("It waits for %q, which is left out.", l.c.problem.Jobs[need].Name)}
		}
	}
	shortest := job.Ways[0].Duration
	for _, way := range job.Ways {
		shortest = min(shortest, way.Duration)
	}
	var reasons []string
	if longest := l.c.longestShift(job.People); longest < shortest {
		reasons = append(reasons, fmt.Sprintf("It takes %s, and nobody who may do it has a shift of more than %s.", hoursAndMinutes(shortest), hoursAndMinutes(longest)))
	}
	if longest := longestOf(job.Windows); len(job.Windows) > 0 && longest < shortest {
		reasons = append(reasons, fmt.Sprintf("It takes %s, and the hours for it in %s are at most %s long.",
			hoursAndMinutes(shortest), l.c.housesOf(&l.c.drafts[j]), hoursAndMinutes(longest)))
	}
	if len(reasons) == 0 {
		reasons = append(reasons, "Its people, sprayers and houses left it no place beside work that counts for more. Explain it to see what stands in its way.")
	}
	return reasons
}

func (c *compiled) longestShift(people []int32) model.Minute {
	var longest model.Minute
	for _, person := range people {
		for _, shift := range c.problem.People[person].Shifts {
			longest = max(longest, shift.To-shift.From)
		}
	}
	return longest
}

func longestOf(spans []model.Span) model.Minute {
	var longest model.Minute
	for _, span := range spans {
		longest = max(longest, span.To-span.From)
	}
	return longest
}

// hoursAndMinutes writes a length as people say it.
func hoursAndMinutes(m model.Minute) string {
	var parts []string
	if m >= 60 {
		parts = append(parts, counted(int(m/60), "hour"))
	}
	if m%60 != 0 || m == 0 {
		parts = append(parts, counted(int(m%60), "minute"))
	}
	return strings.Join(parts, " ")
}
