package schedule

import (
	"fmt"
	"slices"
	"strings"
	"time"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/services/identity"
)

// asItIs is what the nursery without any supposition is called beside scenarios.
const asItIs = "as it is"

// supposed returns the input as a scenario supposes it; the input itself is left as it
// is. It refuses people and sprayers that do not exist. field is where the scenario
// stands in the request.
func (in Input) supposed(field string, scenario *schedulev1.Scenario) (Input, error) {
	in.People, in.Sprayers = slices.Clone(in.People), slices.Clone(in.Sprayers)
	if scenario.GetWeights() != nil {
		in.Settings.Weights = weightsFromContract(scenario.GetWeights())
	}
	if scenario.GetWithoutPins() {
		in.Pins = nil
	}
	for i := range in.People {
		in.People[i].WorkPattern = in.People[i].longer(int(scenario.GetLongerShiftMinutes()))
	}
	// Who is away stays the pattern for more people.
	for i, name := range scenario.GetExtraPeopleLike() {
		person, err := in.personAt(fmt.Sprintf("%s.extra_people_like[%d]", field, i), name)
		if err != nil {
			return Input{}, err
		}
		in.People = append(in.People, in.People[person].another(i+1))
	}
	for i, name := range scenario.GetExtraSprayersLike() {
		sprayer, err := in.sprayerAt(fmt.Sprintf("%s.extra_sprayers_like[%d]", field, i), name)
		if err != nil {
			return Input{}, err
		}
		in.Sprayers = append(in.Sprayers, in.Sprayers[sprayer].another(i+1))
	}
	for i, name := range scenario.GetAbsentPeople() {
		person, err := in.personAt(fmt.Sprintf("%s.absent_people[%d]", field, i), name)
		if err != nil {
			return Input{}, err
		}
		in.People[person].Shifts = nil
	}
	for i, name := range scenario.GetBrokenSprayers() {
		sprayer, err := in.sprayerAt(fmt.Sprintf("%s.broken_sprayers[%d]", field, i), name)
		if err != nil {
			return Input{}, err
		}
		in.Sprayers[sprayer].OutOfService = true
	}
	return in, nil
}

// personAt returns the place of a person in the input by their name.
func (in Input) personAt(field, name string) (int, error) {
	i := slices.IndexFunc(in.People, func(a Applicator) bool {
		return resource.Of("nurseries", in.Nursery.ID, "people", a.Person.ID) == name
	})
	if i < 0 {
		return 0, fault.Field(field, "there is no person %q", name).With("person", name)
	}
	return i, nil
}

// sprayerAt returns the place of a sprayer in the input by its name.
func (in Input) sprayerAt(field, name string) (int, error) {
	i := slices.IndexFunc(in.Sprayers, func(s Sprayer) bool { return sprayerName(in.Nursery.ID, s.ID) == name })
	if i < 0 {
		return 0, fault.Field(field, "there is no sprayer %q", name).With("sprayer", name)
	}
	return i, nil
}

// another returns somebody who can do the same in the same hours.
func (a Applicator) another(number int) Applicator {
	a.Person = identity.Person{
		ID: fmt.Sprintf("%s-extra-%d", a.Person.ID, number), DisplayName: fmt.Sprintf("another like %s (%d)", a.Person.DisplayName, number),
		Role: a.Person.Role, Certificates: a.Person.Certificates,
	}
	return a
}

// another returns a sprayer with which the same can be done, in service.
func (s Sprayer) another(number int) Sprayer {
	s.ID, s.DisplayName = fmt.Sprintf("%s-extra-%d", s.ID, number), fmt.Sprintf("another like %s (%d)", s.DisplayName, number)
	s.OutOfService = false
	return s
}

// longer returns the pattern with every shift longer by some minutes, until midnight or
// the next shift of the day at most. Overtime comes after that, as late as before.
func (w WorkPattern) longer(minutes int) WorkPattern {
	if minutes == 0 {
		return w
	}
	shifts := slices.Clone(w.Shifts)
	for i := range shifts {
		shift := &shifts[i]
		_, end := shift.minutes()
		latest := 24 * 60
		for _, other := range w.Shifts {
			if start, _ := other.minutes(); other.Weekday == shift.Weekday && start >= end {
				latest = min(latest, start)
			}
		}
		shift.End = clockAt(min(end+minutes, latest))
		if shift.OvertimeEnd <= shift.End {
			shift.OvertimeEnd = ""
		}
	}
	w.Shifts = shifts
	return w
}

// clockAt writes minutes since midnight as HH:MM, 24:00 for the end of the day.
func clockAt(minutes int) string { return fmt.Sprintf("%02d:%02d", minutes/60, minutes%60) }

// moved counts the jobs that both plans have and that do not stand at the same time with
// the same person and sprayer.
func moved(before, after *schedulev1.DayPlan) int32 {
	stood := map[string]*schedulev1.PlannedJob{}
	for _, job := range before.GetJobs() {
		stood[job.GetJob()] = job
	}
	var count int32
	for _, job := range after.GetJobs() {
		was, planned := stood[job.GetJob()]
		if !planned {
			continue
		}
		same := was.GetStartTime().AsTime().Equal(job.GetStartTime().AsTime()) &&
			was.GetPerson() == job.GetPerson() && was.GetSprayer() == job.GetSprayer()
		if !same {
			count++
		}
	}
	return count
}

// shorten writes a plan as one line beside others.
func shorten(title string, day *schedulev1.DayPlan, rounds int) *schedulev1.ScenarioResult {
	result := &schedulev1.ScenarioResult{
		Title: title, Planned: int32(len(day.GetJobs())), Terms: day.GetTerms(), Points: day.GetPoints(), Bound: day.GetBound(), Rounds: int32(rounds),
	}
	for _, left := range day.GetUnplanned() {
		result.LeftOut = append(result.LeftOut, fmt.Sprintf("%s (%s)", left.GetTitle(), shortJob(left.GetJob())))
	}
	return result
}

// shortJob names a job as people type it: a step by its program and itself, a house by
// its id.
func shortJob(job string) string {
	program, step, isStep := strings.Cut(job, "/steps/")
	if isStep {
		return lastPart(program) + "/" + step
	}
	return lastPart(job)
}

// scenarioTime is how long each scenario is searched when nobody says. Design value.
const scenarioTime = 5 * time.Second
