package cli

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/quantity"
)

// plan draws a plan: what it is, its jobs by day and person, its tank loads, what is
// left out, what it costs, and how it differs from what people were told.
func (s *sheet) plan(plan *schedulev1.DayPlan, breakdown bool) {
	s.fact("Plan", shortName(plan.GetName()))
	s.fact("State", word(plan.GetState()))
	s.fact("Made because", plan.GetTrigger())
	s.fact("From", s.when(plan.GetStartTime()))
	s.fact("Until", s.when(plan.GetEndTime()))
	s.fact("Asked for", s.when(plan.GetCreateTime()))
	s.fact("Worked out", s.when(plan.GetSolveTime()))
	s.fact("Decided", s.when(plan.GetDecideTime()))
	s.fact("Decided by", shortName(plan.GetDecider()))
	s.fact("Told before", shortName(plan.GetBefore()))
	s.fact("Failure", plan.GetFailure())
	if plan.GetEngine() != "" {
		s.fact("Found by", fmt.Sprintf("search %s, seed %d, %d rounds", plan.GetEngine(), plan.GetSeed(), plan.GetRounds()))
	}
	s.fact("Hash of what was planned", plan.GetInputHash())
	s.fact("Hash of the plan", plan.GetPlanHash())
	s.fact("ETag", plan.GetEtag())
	if plan.GetState() == schedulev1.DayPlanState_DAY_PLAN_STATE_SOLVING || plan.GetState() == schedulev1.DayPlanState_DAY_PLAN_STATE_FAILED {
		return
	}
	numbers := s.days(plan.GetJobs())
	s.whys(plan.GetJobs(), numbers)
	s.tankLoads(plan.GetTankLoads(), numbers)
	s.leftOut(plan.GetUnplanned())
	if plan.GetUnplannedProven() {
		s.line("It is proven that no plan for these days has a place for all work.")
	}
	s.terms(plan.GetTerms(), plan.GetPoints(), plan.GetBound())
	if plan.GetBoundOfSameUnplanned() {
		s.line("The figures under NONE BELOW are for plans that leave out the same work.")
	}
	s.differences(plan)
	if breakdown {
		s.breakdowns(plan.GetBreakdowns())
	}
}

// localDay is the first moment of a day on the nursery's clock; zero when there is no
// zone.
func (s *sheet) localDay(moment *timestamppb.Timestamp) time.Time {
	if moment == nil || s.failed != nil {
		return time.Time{}
	}
	zone, err := s.app.nurseryZone(s.ctx)
	if err != nil {
		s.failed = err
		return time.Time{}
	}
	year, month, day := moment.AsTime().In(zone).Date()
	return time.Date(year, month, day, 0, 0, 0, 0, zone)
}

// clockOn writes a moment under the heading of a day: the time of day alone, with
// its offset on days when the clocks change; with the weekday on one of the six days
// that follow, and the whole date on any other.
func (s *sheet) clockOn(day time.Time, moment *timestamppb.Timestamp) string {
	if moment == nil || s.failed != nil {
		return ""
	}
	next := day.AddDate(0, 0, 1)
	local := moment.AsTime().In(day.Location())
	_, before := day.Zone()
	_, after := next.Zone()
	switch {
	case local.Before(day) || !local.Before(day.AddDate(0, 0, 7)):
		return local.Format("2006-01-02 15:04")
	case local.After(next):
		return local.Format("Mon 15:04")
	case local.Equal(next):
		return "24:00"
	case before != after:
		return local.Format("15:04 -07:00")
	}
	return local.Format("15:04")
}

// byDayAndPerson orders jobs as they are printed.
func (s *sheet) byDayAndPerson(jobs []*schedulev1.PlannedJob) []*schedulev1.PlannedJob {
	sorted := slices.Clone(jobs)
	slices.SortStableFunc(sorted, func(a, b *schedulev1.PlannedJob) int {
		if byDay := s.localDay(a.GetStartTime()).Compare(s.localDay(b.GetStartTime())); byDay != 0 {
			return byDay
		}
		return cmp.Or(cmp.Compare(a.GetPerson(), b.GetPerson()), a.GetStartTime().AsTime().Compare(b.GetStartTime().AsTime()))
	})
	return sorted
}

// days draws the jobs, a table for each day, and returns the number that each job got.
func (s *sheet) days(jobs []*schedulev1.PlannedJob) map[string]int {
	numbers := map[string]int{}
	day := time.Time{}
	for _, job := range s.byDayAndPerson(jobs) {
		if on := s.localDay(job.GetStartTime()); len(numbers) == 0 || !on.Equal(day) {
			day = on
			s.line("")
			s.line("%s", day.Format("Monday 2006-01-02"))
			s.row("NO", "WHO", "PREPARE", "START", "END", "HOUSES", "WHAT", "PRODUCT", "MIX", "SPRAYER", "CLOSED UNTIL")
		}
		numbers[job.GetJob()] = len(numbers) + 1
		prepare := job.GetPrepareTime()
		if prepare.AsTime().Equal(job.GetStartTime().AsTime()) {
			prepare = nil
		}
		what := job.GetTitle()
		if job.GetPinned() {
			what += " (pinned)"
		}
		s.row(numbers[job.GetJob()], cmp.Or(shortName(job.GetPerson()), "nobody"), s.clockOn(day, prepare), s.clockOn(day, job.GetStartTime()), s.clockOn(day, job.GetEndTime()),
			shortNames(job.GetHouses()), what, shortName(job.GetProduct()), amount(job.GetMixVolume()), shortName(job.GetSprayer()),
			s.clockOn(day, job.GetClosedUntilTime()))
	}
	if len(jobs) == 0 {
		s.line("")
		s.line("No job is planned.")
	}
	return numbers
}

// whys draws why each job stands where it does, under its number.
func (s *sheet) whys(jobs []*schedulev1.PlannedJob, numbers map[string]int) {
	if len(jobs) == 0 {
		return
	}
	s.line("")
	s.row("NO", "JOB", "DUE", "RE-ENTRY AFTER", "WHY THERE")
	for _, job := range s.byDayAndPerson(jobs) {
		reentry := amount(job.GetRestrictedEntryInterval())
		if job.GetProduct() != "" {
			reentry = reentryAfter(job.GetRestrictedEntryInterval())
		}
		s.row(numbers[job.GetJob()], shortName(job.GetJob()), s.when(job.GetDueTime()), reentry, job.GetReason())
	}
}

func (s *sheet) tankLoads(loads []*schedulev1.TankLoad, numbers map[string]int) {
	if len(loads) == 0 {
		return
	}
	s.line("")
	s.row("LOAD", "SPRAYER", "PRODUCT", "NEEDED", "MADE", "FILLINGS", "LEFT OVER", "RINSE BEFORE", "USE BY", "FOR NO")
	for _, load := range loads {
		rinse := minutes(load.GetRinseMinutes())
		if water := amount(load.GetRinseVolume()); rinse != "" && water != "" {
			rinse += ", " + water
		}
		of := make([]string, len(load.GetJobs()))
		for i, job := range load.GetJobs() {
			of[i] = shortName(job)
			if number := numbers[job]; number > 0 {
				of[i] = fmt.Sprint(number)
			}
		}
		s.row(load.GetNumber(), shortName(load.GetSprayer()), shortName(load.GetProduct()), amount(load.GetNeeded()), amount(load.GetMade()), load.GetFillings(),
			amount(load.GetLeftOver()), rinse, s.when(load.GetUseByTime()), strings.Join(of, ", "))
	}
	for _, load := range loads {
		if mostlyWaste(load) {
			s.line("Of load %d more is thrown away (%s) than is needed (%s): the smallest load of %s is too much for it.",
				load.GetNumber(), amount(load.GetLeftOver()), amount(load.GetNeeded()), shortName(load.GetSprayer()))
		}
	}
}

// mostlyWaste reports whether more of a load is left over than is needed.
func mostlyWaste(load *schedulev1.TankLoad) bool {
	left, err := quantity.FromContract(load.GetLeftOver())
	if err != nil {
		return false // a load of which nothing is left over
	}
	needed, err := quantity.FromContract(load.GetNeeded())
	if err != nil {
		return false // the volume of a bath is not known
	}
	order, err := left.Compare(needed)
	return err == nil && order > 0
}

func (s *sheet) leftOut(jobs []*schedulev1.UnplannedJob) {
	if len(jobs) == 0 {
		return
	}
	s.line("")
	s.line("Left out: %d", len(jobs))
	for _, job := range jobs {
		s.unplanned(job)
	}
}

// unplanned draws a job that is left out: why, and what would let it in.
func (s *sheet) unplanned(job *schedulev1.UnplannedJob) {
	line := fmt.Sprintf("  %s: %s", shortName(job.GetJob()), printable(job.GetTitle()))
	if len(job.GetHouses()) > 0 {
		line += " (" + shortNames(job.GetHouses()) + ")"
	}
	if due := s.when(job.GetDueTime()); due != "" {
		line += ", due " + due
	}
	s.line("%s", line)
	for _, reason := range job.GetReasons() {
		s.line("    %s", printable(reason))
	}
	if job.GetFix() != "" {
		s.line("    %s", printable(job.GetFix()))
	}
}

// terms draws what a plan costs, with what no plan can go below where it is known.
func (s *sheet) terms(terms []*schedulev1.PlanTerm, points, bound string) {
	s.line("")
	s.row("COST", "POINTS", "NONE BELOW", "BY")
	for _, term := range terms {
		s.row(term.GetTerm(), shownPoints(term.GetPoints()), shownPoints(term.GetBound()), term.GetBoundBy())
	}
	s.row("in all", shownPoints(points), shownPoints(bound), "")
}

// shownPlaces is how many places of points a person is shown; JSON has them all.
const shownPlaces = 2

// shownPoints cuts points after two places. They are cut and not rounded, so that a
// bound never looks higher than it is.
func shownPoints(points string) string {
	whole, places, _ := strings.Cut(points, ".")
	places = strings.TrimRight(places[:min(shownPlaces, len(places))], "0")
	if places == "" {
		return whole
	}
	return whole + "." + places
}

// changeWords say how a job differs from what people were told.
var changeWords = map[schedulev1.Change]string{
	schedulev1.Change_CHANGE_NEW:               "new",
	schedulev1.Change_CHANGE_TIME:              "another time",
	schedulev1.Change_CHANGE_PERSON_OR_SPRAYER: "another person or sprayer",
	schedulev1.Change_CHANGE_REMOVED:           "taken out",
}

// differences draws what changes for people who were told an earlier plan.
func (s *sheet) differences(plan *schedulev1.DayPlan) {
	if plan.GetBefore() == "" {
		return
	}
	kept := 0
	var changed []*schedulev1.PlannedJob
	for _, job := range plan.GetJobs() {
		switch job.GetChange() {
		case schedulev1.Change_CHANGE_NONE:
			kept++
		case schedulev1.Change_CHANGE_UNSPECIFIED:
		default:
			changed = append(changed, job)
		}
	}
	s.line("")
	s.line("Against what people were told: %d as before, %d changed, %d taken out.", kept, len(changed), len(plan.GetRemoved()))
	if len(changed)+len(plan.GetRemoved()) == 0 {
		return
	}
	s.row("JOB", "CHANGE", "WHO", "START", "WHY")
	for _, job := range s.byDayAndPerson(changed) {
		s.row(shortName(job.GetJob()), changeWords[job.GetChange()], shortName(job.GetPerson()), s.when(job.GetStartTime()), job.GetReason())
	}
	for _, job := range plan.GetRemoved() {
		s.row(shortName(job.GetJob()), changeWords[schedulev1.Change_CHANGE_REMOVED], shortName(job.GetPerson()), s.when(job.GetStartTime()), job.GetReason())
	}
}

func (s *sheet) breakdowns(parts []*schedulev1.Breakdown) {
	if len(parts) == 0 {
		return
	}
	s.line("")
	s.row("BY", "OF", "JOBS", "COST")
	for _, part := range parts {
		s.row(part.GetBy(), shortName(part.GetOf()), part.GetJobs(), costs(part.GetTerms()))
	}
}

// costs writes terms in one line.
func costs(terms []*schedulev1.PlanTerm) string {
	texts := make([]string, len(terms))
	for i, term := range terms {
		texts[i] = term.GetTerm() + " " + shownPoints(term.GetPoints())
	}
	return strings.Join(texts, ", ")
}
