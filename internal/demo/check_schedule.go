package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
)

const (
	// planSeconds is how long a plan of the story is worked out at most.
	planSeconds = 5
	// mostTold is how many jobs of a plan are told one by one.
	mostTold = 6
)

// daysPlanned plays the plan of the days ahead: it is worked out and accepted, a
// worker confirms a job of it, a sprayer breaks, and the new plan moves little.
func (s *story) daysPlanned(ctx context.Context) error {
	program, err := s.anotherCase(ctx)
	if err != nil {
		return err
	}
	plan, err := s.makePlan(ctx, "asks for a plan of the days ahead")
	if err != nil {
		return err
	}
	s.tellPlan(plan)
	if err := s.acceptPlan(ctx, plan); err != nil {
		return err
	}
	if err := s.doAssigned(ctx, stepOf(program, "disinfect")); err != nil {
		return err
	}
	if err := s.supposed(ctx); err != nil {
		return err
	}
	return s.sprayerBreaks(ctx, plan)
}

// anotherCase opens a case and isolates its lot, so that there is work that can be
// done now however often the story was played.
func (s *story) anotherCase(ctx context.Context) (*treatmentv1.Program, error) {
	lot, err := s.freeLot(ctx)
	if err != nil {
		return nil, err
	}
	inspection, err := s.inspect(ctx, lot.GetName(), leastPlants, 2, s.Clock.Now())
	if err != nil {
		return nil, err
	}
	diagnosis, err := s.confirmDiagnosis(ctx, inspection, s.Clock.Now())
	if err != nil {
		return nil, err
	}
	program, err := s.begin(ctx, lot.GetName(), diagnosis, nil)
	if err != nil {
		return nil, err
	}
	s.tell("%s is found on %s, and %s begins.", storyDisorder, lot.GetName(), program.GetName())
	return program, s.setApart(ctx, lot, program)
}

// makePlan asks for a plan and waits until it is worked out.
func (s *story) makePlan(ctx context.Context, why string) (*schedulev1.DayPlan, error) {
	asked, err := s.schedule.CreateDayPlan(s.asManager(ctx), &schedulev1.CreateDayPlanRequest{Parent: s.parent(), SolveSeconds: planSeconds, RequestId: anew()})
	if err != nil {
		return nil, err
	}
	last, err := s.awaitPlan(ctx, asked.GetName())
	if err != nil {
		return nil, err
	}
	plan, err := s.schedule.GetDayPlan(s.asManager(ctx), &schedulev1.GetDayPlanRequest{Name: asked.GetName()})
	if err != nil {
		return nil, err
	}
	if plan.GetState() != schedulev1.DayPlanState_DAY_PLAN_STATE_PROPOSED {
		return nil, fmt.Errorf("%s should be proposed, not %s: %s", plan.GetName(), plan.GetState(), plan.GetFailure())
	}
	if len(plan.GetJobs()) == 0 || plan.GetCaution() == "" {
		return nil, fmt.Errorf("%s must plan something and carry a caution", plan.GetName())
	}
	s.tell("%s %s. After %d rounds of the search %d jobs are planned and %d left out, for %s points. No plan of them costs less than %s, which is a gap of %s.",
		s.manager().DisplayName, why, plan.GetRounds(), len(plan.GetJobs()), len(plan.GetUnplanned()), wholePoints(plan.GetPoints()), wholePoints(plan.GetBound()), gapOf(last))
	return plan, nil
}

// awaitPlan watches a plan and returns how far it came.
func (s *story) awaitPlan(ctx context.Context, name string) (*schedulev1.WatchDayPlanResponse, error) {
	ctx, cancel := context.WithTimeoutCause(ctx, patience, fmt.Errorf("waited %s in vain until %s is worked out", patience, name))
	defer cancel()
	stream, err := s.schedule.WatchDayPlan(s.asManager(ctx), &schedulev1.WatchDayPlanRequest{Name: name})
	if err != nil {
		return nil, err
	}
	var last *schedulev1.WatchDayPlanResponse
	for {
		progress, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return last, nil
		}
		if err != nil {
			return nil, errors.Join(err, context.Cause(ctx))
		}
		last = progress
	}
}

// wholePoints cuts points to whole ones: a person needs no millionths.
func wholePoints(points string) string {
	whole, _, _ := strings.Cut(points, ".")
	return orUnknown(whole)
}

// gapOf says how far a plan can be from the best.
func gapOf(progress *schedulev1.WatchDayPlanResponse) string {
	if progress.GetGap() == "" || progress.GetGap() == "unknown" {
		return "unknown size"
	}
	return progress.GetGap() + " %"
}

func orUnknown(figure string) string {
	if figure == "" {
		return "unknown"
	}
	return figure
}

// tellPlan tells the first jobs of a plan, what is left out, and what it costs.
func (s *story) tellPlan(plan *schedulev1.DayPlan) {
	for _, job := range plan.GetJobs()[:min(mostTold, len(plan.GetJobs()))] {
		s.tell("  %s", s.jobLine(job))
	}
	if more := len(plan.GetJobs()) - mostTold; more > 0 {
		s.tell("  … and %d more.", more)
	}
	for _, load := range plan.GetTankLoads() {
		if len(load.GetJobs()) > 1 {
			s.tell("  Tank load %d in %s serves %d jobs: %s made, %s left over.", load.GetNumber(), load.GetSprayer(), len(load.GetJobs()), written(load.GetMade()), written(load.GetLeftOver()))
		}
	}
	for _, job := range plan.GetUnplanned() {
		s.tell("  Left out: %s (%s): %s %s", job.GetTitle(), job.GetJob(), strings.Join(job.GetReasons(), " "), job.GetFix())
	}
	var costs []string
	for _, term := range plan.GetTerms() {
		costs = append(costs, fmt.Sprintf("%s %s (none below %s)", term.GetTerm(), wholePoints(term.GetPoints()), wholePoints(term.GetBound())))
	}
	s.tell("  Points: %s.", strings.Join(costs, ", "))
	s.tell("  %s", plan.GetCaution())
}

// jobLine writes a planned job in one line.
func (s *story) jobLine(job *schedulev1.PlannedJob) string {
	line := s.local(job.GetStartTime().AsTime()) + " to " + job.GetEndTime().AsTime().In(s.zone).Format("15:04") + ": "
	if job.GetPerson() != "" {
		line += job.GetPerson() + ", "
	}
	line += job.GetTitle() + " in " + strings.Join(job.GetHouses(), " and ")
	if job.GetSprayer() != "" {
		line += " with " + job.GetSprayer()
	}
	if job.GetMixVolume() != nil {
		line += fmt.Sprintf(", %s of mix, load %d", written(job.GetMixVolume()), job.GetTankLoad())
	}
	if job.GetClosedUntilTime() != nil {
		line += "; closed until " + s.local(job.GetClosedUntilTime().AsTime())
	}
	return line
}

func (s *story) acceptPlan(ctx context.Context, plan *schedulev1.DayPlan) error {
	accept := &schedulev1.AcceptDayPlanRequest{Name: plan.GetName(), Etag: plan.GetEtag(), RequestId: anew()}
	_, err := s.schedule.AcceptDayPlan(s.asWorker(ctx), accept)
	if err := s.refused(s.worker.DisplayName, "accept a plan", err, fault.PermissionDenied); err != nil {
		return err
	}
	if _, err := s.schedule.AcceptDayPlan(s.asManager(ctx), accept); err != nil {
		return err
	}
	assigned, err := s.assignments(ctx, schedulev1.AssignmentState_ASSIGNMENT_STATE_ASSIGNED)
	if err != nil {
		return err
	}
	for _, job := range plan.GetJobs() {
		if assigned[job.GetJob()].GetDayPlan() != plan.GetName() && job.GetChange() != schedulev1.Change_CHANGE_NONE {
			return fmt.Errorf("%s plans %s, and nobody is told to do it", plan.GetName(), job.GetJob())
		}
	}
	s.tell("%s accepts it; %d jobs are assigned.", s.manager().DisplayName, len(assigned))
	return nil
}

// assignments returns the assignments in a state by job.
func (s *story) assignments(ctx context.Context, state schedulev1.AssignmentState) (map[string]*schedulev1.Assignment, error) {
	listed, err := s.schedule.ListAssignments(s.asWorker(ctx), &schedulev1.ListAssignmentsRequest{
		Parent: s.parent(), PageSize: largestPage, States: []schedulev1.AssignmentState{state},
	})
	if err != nil {
		return nil, err
	}
	byJob := map[string]*schedulev1.Assignment{}
	for _, assignment := range listed.GetAssignments() {
		byJob[assignment.GetJob().GetJob()] = assignment
	}
	return byJob, nil
}

// doAssigned has the person who was told to do a step confirm it, and waits until
// their assignment is done.
func (s *story) doAssigned(ctx context.Context, step string) error {
	assigned, err := s.assignments(ctx, schedulev1.AssignmentState_ASSIGNMENT_STATE_ASSIGNED)
	if err != nil {
		return err
	}
	told := assigned[step]
	if told == nil {
		return fmt.Errorf("%s can be done now, and nobody is told to do it", step)
	}
	worker := strings.TrimPrefix(told.GetJob().GetPerson(), s.name("people")+"/")
	now := timestamppb.New(s.Clock.Now())
	_, err = s.treatment.ConfirmStep(s.as(ctx, worker), &treatmentv1.ConfirmStepRequest{
		Name: step, RequestId: anew(), Confirmation: &treatmentv1.Confirmation{StartTime: now, EndTime: now, Disinfectant: disinfectant},
	})
	if err != nil {
		return err
	}
	err = eventually(ctx, told.GetName()+" is done", func() (bool, error) {
		done, err := s.assignments(ctx, schedulev1.AssignmentState_ASSIGNMENT_STATE_DONE)
		return done[step] != nil, err
	})
	if err != nil {
		return err
	}
	s.tell("%s was to do it %s and confirms %s now; the assignment is done.", told.GetJob().GetPerson(), s.local(told.GetJob().GetStartTime().AsTime()), step)
	return nil
}

// supposed compares the plan with one without the worker of the story.
func (s *story) supposed(ctx context.Context) error {
	compared, err := s.schedule.CompareScenarios(s.asManager(ctx), &schedulev1.CompareScenariosRequest{
		Parent: s.parent(), SolveSeconds: 1,
		Scenarios: []*schedulev1.Scenario{{Title: "without " + s.worker.DisplayName, AbsentPeople: []string{s.person(s.worker.ID)}}},
	})
	if err != nil {
		return err
	}
	s.tell("What if?")
	for _, result := range compared.GetResults() {
		s.tell("  %s: %d jobs planned, %d left out, %s points, %d jobs elsewhere.", result.GetTitle(), result.GetPlanned(), len(result.GetLeftOut()), wholePoints(result.GetPoints()), result.GetMoved())
	}
	return nil
}

// sprayerBreaks takes the sprayer with the most work out of service and has a new
// plan made. What has nothing to do with it should stay as people were told.
func (s *story) sprayerBreaks(ctx context.Context, told *schedulev1.DayPlan) error {
	broken := busiest(told.GetJobs())
	if broken == "" {
		return errors.New("no job of the plan has a sprayer")
	}
	if err := s.outOfService(ctx, broken, true); err != nil {
		return err
	}
	plan, err := s.makePlan(ctx, fmt.Sprintf("hears that %s is broken and asks for another plan", broken))
	if err != nil {
		return err
	}
	if err := s.tellChanges(told, plan, broken); err != nil {
		return err
	}
	_, err = s.schedule.RejectDayPlan(s.asManager(ctx), &schedulev1.RejectDayPlanRequest{Name: plan.GetName(), Note: "It is mended.", RequestId: anew()})
	if err != nil {
		return err
	}
	s.tell("%s is mended, and %s puts that plan aside; what people were told stays.", broken, s.manager().DisplayName)
	return s.outOfService(ctx, broken, false)
}

// busiest is the sprayer with the most jobs, the first by name of equals.
func busiest(jobs []*schedulev1.PlannedJob) string {
	count := map[string]int{}
	var sprayers []string
	for _, job := range jobs {
		if sprayer := job.GetSprayer(); sprayer != "" {
			count[sprayer]++
			sprayers = append(sprayers, sprayer)
		}
	}
	slices.Sort(sprayers)
	best := ""
	for _, sprayer := range sprayers {
		if count[sprayer] > count[best] {
			best = sprayer
		}
	}
	return best
}

func (s *story) outOfService(ctx context.Context, sprayer string, out bool) error {
	_, err := s.schedule.UpdateSprayer(s.asManager(ctx), &schedulev1.UpdateSprayerRequest{
		Sprayer: &schedulev1.Sprayer{Name: sprayer, OutOfService: out}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"out_of_service"}}, RequestId: anew(),
	})
	return err
}

// tellChanges tells how a plan differs from what people were told, and holds it to
// move less than half of the work that the broken sprayer was not needed for.
func (s *story) tellChanges(told, plan *schedulev1.DayPlan, broken string) error {
	needed := map[string]bool{}
	for _, job := range told.GetJobs() {
		needed[job.GetJob()] = job.GetSprayer() == broken
	}
	kept, moved := 0, 0
	for _, job := range slices.Concat(plan.GetJobs(), plan.GetRemoved()) {
		if job.GetSprayer() == broken && job.GetChange() != schedulev1.Change_CHANGE_REMOVED {
			return fmt.Errorf("%s is planned with %s, which is broken", job.GetJob(), broken)
		}
		switch {
		case job.GetChange() == schedulev1.Change_CHANGE_NONE:
			kept++
		case job.GetChange() == schedulev1.Change_CHANGE_UNSPECIFIED, job.GetChange() == schedulev1.Change_CHANGE_NEW:
		default:
			s.tell("  Changed: %s (%s). %s", s.jobLine(job), job.GetJob(), job.GetReason())
			if !needed[job.GetJob()] {
				moved++
			}
		}
	}
	s.tell("  %d jobs stay as people were told; of those that did not need it, %d move.", kept, moved)
	if moved > kept {
		return fmt.Errorf("one broken sprayer moves %d other jobs and leaves %d", moved, kept)
	}
	return nil
}
