package cli

import (
	"cmp"
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	schedulev1 "velamen/gen/velamen/schedule/v1"
)

func (a *app) jobExplain() *cobra.Command {
	return a.command(text{
		use: "explain PLAN JOB", short: "Say why a job stands where it does, or what keeps it out",
		long: `Says what holds a job at its time in a plan; or, when it is left out, which
requirements cannot all be met and the cheapest single change that would let it in.
PLAN may be "newest"; JOB is PROGRAM/STEP, or a HOUSE for its routine inspection. ` + Caution,
		example: "  velamen schedule explain newest p-1/contact-1\n  velamen schedule explain newest h1",
	}, func(ctx context.Context, args []string) (err error) {
		request := &schedulev1.ExplainJobRequest{}
		if request.Name, err = a.planName(ctx, args[0]); err != nil {
			return err
		}
		if request.Job, err = a.jobName("JOB", args[1]); err != nil {
			return err
		}
		explained, err := call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.ExplainJob, request)
		if err != nil {
			return err
		}
		return a.showWithItsCaution(ctx, explained, func(s *sheet) { s.explained(explained) })
	})
}

func (s *sheet) explained(explained *schedulev1.ExplainJobResponse) {
	if job := explained.GetPlanned(); job != nil {
		s.plannedJob(job)
		s.line("")
		for _, reason := range explained.GetReasons() {
			s.line("%s", printable(reason))
		}
	}
	if job := explained.GetUnplanned(); job != nil {
		s.line("Left out:")
		s.unplanned(job)
	}
	s.conflicts(explained.GetConflicts())
}

// plannedJob draws one job with its place.
func (s *sheet) plannedJob(job *schedulev1.PlannedJob) {
	s.fact("Job", shortName(job.GetJob()))
	s.fact("What", job.GetTitle())
	s.fact("Houses", shortNames(job.GetHouses()))
	s.fact("Lots", shortNames(job.GetLots()))
	s.fact("Plants", job.GetPlants())
	s.fact("Who", shortName(job.GetPerson()))
	s.fact("Sprayer", shortName(job.GetSprayer()))
	s.fact("Product", shortName(job.GetProduct()))
	s.fact("Mix", amount(job.GetMixVolume()))
	s.fact("Preparing begins", s.when(job.GetPrepareTime()))
	s.fact("Start", s.when(job.GetStartTime()))
	s.fact("End", s.when(job.GetEndTime()))
	if job.GetProduct() != "" {
		s.fact("Re-entry after", reentryAfter(job.GetRestrictedEntryInterval()))
	}
	s.fact("Closed until", s.when(job.GetClosedUntilTime()))
	s.fact("Due", s.when(job.GetDueTime()))
	s.fact("Overdue", s.when(job.GetOverdueTime()))
	if job.GetPinned() {
		s.fact("Pinned", yes(true))
	}
	s.fact("Cost", costs(job.GetTerms()))
}

// conflicts draws what cannot all be met.
func (s *sheet) conflicts(conflicts []*schedulev1.Conflict) {
	for _, conflict := range conflicts {
		s.line("")
		if len(conflict.GetRequirements()) == 0 {
			s.line("%s", printable(conflict.GetMessage()))
			continue
		}
		heading := "These cannot all be met"
		if !conflict.GetProven() {
			heading = "It was not found how to meet these all (which does not prove that they cannot be)"
		}
		s.line("%s:", heading)
		for _, requirement := range conflict.GetRequirements() {
			s.line("  %s", printable(requirement))
		}
		s.line("%s", printable(cmp.Or(conflict.GetFix(), "No single change was found that would let it in.")))
	}
}

func (a *app) jobSlots() *cobra.Command {
	request := &schedulev1.FindSlotsRequest{}
	cmd := a.command(text{
		use: "slots PLAN JOB", short: "Say where a job would fit into a plan",
		long: `Says where a job would fit into a plan without moving others, the cheapest place
first, and by how much the plan gets dearer. PLAN may be "newest"; JOB is PROGRAM/STEP,
or a HOUSE for its routine inspection. The exit code is 3 when there is no place. ` + Caution,
		example: "  velamen schedule slots newest p-1/contact-1\n  velamen schedule slots newest h1 --limit 3",
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.planName(ctx, args[0]); err != nil {
			return err
		}
		if request.Job, err = a.jobName("JOB", args[1]); err != nil {
			return err
		}
		found, err := call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.FindSlots, request)
		if err != nil {
			return err
		}
		if err := a.showWithItsCaution(ctx, found, func(s *sheet) { s.slots(found) }); err != nil {
			return err
		}
		if len(found.GetSlots()) == 0 {
			return outcomeError{exitRefused, errors.New("there is no place for this job in the plan")}
		}
		return nil
	})
	cmd.Flags().Int32Var(&request.Limit, "limit", 0, "show at most this many (default 10)")
	return cmd
}

func (s *sheet) slots(found *schedulev1.FindSlotsResponse) {
	if !s.none(len(found.GetSlots()), "places for it") {
		s.row("START", "END", "WHO", "SPRAYER", "JOINS A LOAD", "POINTS MORE", "OF THESE")
		for _, slot := range found.GetSlots() {
			s.row(s.when(slot.GetStartTime()), s.when(slot.GetEndTime()), shortName(slot.GetPerson()), shortName(slot.GetSprayer()), yes(slot.GetJoinsLoad()),
				shownPoints(slot.GetPoints()), costs(slot.GetTerms()))
		}
	}
	s.conflicts(found.GetConflicts())
}

func (a *app) jobPin() *cobra.Command {
	var start string
	pin := &schedulev1.Pin{}
	cmd := a.command(text{
		use: "pin JOB", short: "Fix the time, person or sprayer of a job for all plans to come",
		long: `Fixes the start, the person or the sprayer of a job for all plans to come; what is not
given stays free. A pin that the job had is replaced. JOB is PROGRAM/STEP, or a HOUSE
for its routine inspection. Managers and owners only.`,
		example: `  velamen schedule pin p-1/contact-1 --start "2026-03-09 07:30" --note "the grower wants to be there"
  velamen schedule pin h1 --person wandile`,
	}, func(ctx context.Context, args []string) (err error) {
		request := &schedulev1.PinJobRequest{Pin: pin}
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if pin.Job, err = a.jobName("JOB", args[0]); err != nil {
			return err
		}
		if pin.StartTime, err = a.moment(ctx, "--start", start); err != nil {
			return err
		}
		if pin.Person, err = a.optionalName("--person", pin.GetPerson(), "people"); err != nil {
			return err
		}
		if pin.Sprayer, err = a.optionalName("--sprayer", pin.GetSprayer(), "sprayers"); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		pinned, err := call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.PinJob, request)
		if err != nil {
			return err
		}
		return a.show(ctx, pinned, func(s *sheet) { s.pin(pinned) })
	})
	flags := cmd.Flags()
	flags.StringVar(&start, "start", "", `start of the work, as in "2026-03-09 07:30"`)
	flags.StringVar(&pin.Person, "person", "", "who does it")
	flags.StringVar(&pin.Sprayer, "sprayer", "", "the sprayer")
	flags.StringVar(&pin.Note, "note", "", "why")
	cmd.MarkFlagsOneRequired("start", "person", "sprayer")
	return cmd
}

func (s *sheet) pin(pin *schedulev1.Pin) {
	s.fact("Job", shortName(pin.GetJob()))
	s.fact("Start", s.when(pin.GetStartTime()))
	s.fact("Person", shortName(pin.GetPerson()))
	s.fact("Sprayer", shortName(pin.GetSprayer()))
	s.fact("Note", pin.GetNote())
	s.fact("Pinned by", shortName(pin.GetPinner()))
	s.fact("Pinned at", s.when(pin.GetCreateTime()))
}

func (a *app) jobUnpin() *cobra.Command {
	return a.command(text{
		use: "unpin JOB", short: "End a pin",
		long:    "Ends the pin of a job; the next plan may place it elsewhere. Managers and owners only.",
		example: "  velamen schedule unpin p-1/contact-1",
	}, func(ctx context.Context, args []string) (err error) {
		request := &schedulev1.UnpinJobRequest{}
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.Job, err = a.jobName("JOB", args[0]); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		ended, err := call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.UnpinJob, request)
		if err != nil {
			return err
		}
		return a.show(ctx, ended, func(s *sheet) { s.line("%s is free again.", shortName(ended.GetJob())) })
	})
}

func (a *app) pinList() *cobra.Command {
	var limit int
	cmd := a.command(text{
		use: "pins", short: "List the pins", long: "Lists what is fixed for all plans to come, by job.",
		example: "  velamen schedule pins",
	}, func(ctx context.Context, _ []string) error {
		parent, err := a.parent()
		if err != nil {
			return err
		}
		pins, err := gather(limit, func(size int32, token string) (*schedulev1.ListPinsResponse, error) {
			return call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.ListPins,
				&schedulev1.ListPinsRequest{Parent: parent, PageSize: size, PageToken: token})
		})
		if err != nil {
			return err
		}
		return a.show(ctx, pins, func(s *sheet) {
			if s.none(len(pins.GetPins()), "pins") {
				return
			}
			s.row("JOB", "START", "PERSON", "SPRAYER", "NOTE", "PINNED BY", "PINNED AT")
			for _, pin := range pins.GetPins() {
				s.row(shortName(pin.GetJob()), s.when(pin.GetStartTime()), shortName(pin.GetPerson()), shortName(pin.GetSprayer()), pin.GetNote(),
					shortName(pin.GetPinner()), s.when(pin.GetCreateTime()))
			}
			s.more(pins.GetNextPageToken())
		})
	})
	limitFlag(cmd, &limit)
	return cmd
}

func (a *app) assignmentList() *cobra.Command {
	var limit int
	var from, to string
	var all bool
	request := &schedulev1.ListAssignmentsRequest{}
	cmd := a.command(text{
		use: "assignments", short: "List what people are to do",
		long: `Lists what people are to do, by start. Work that is done or was taken away is listed
with --all or --state. ` + Caution,
		example: `  velamen schedule assignments --person wandile
  velamen schedule assignments --from "2026-03-02 00:00" --to "2026-03-03 00:00" --all`,
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.Person, err = a.optionalName("--person", request.GetPerson(), "people"); err != nil {
			return err
		}
		if request.StartTime, err = a.moment(ctx, "--from", from); err != nil {
			return err
		}
		if request.EndTime, err = a.moment(ctx, "--to", to); err != nil {
			return err
		}
		if len(request.GetStates()) == 0 && !all {
			request.States = []schedulev1.AssignmentState{schedulev1.AssignmentState_ASSIGNMENT_STATE_ASSIGNED}
		}
		assignments, err := gather(limit, func(size int32, token string) (*schedulev1.ListAssignmentsResponse, error) {
			request.PageSize, request.PageToken = size, token
			return call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.ListAssignments, request)
		})
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, assignments, func(s *sheet) { s.assignments(assignments) })
	})
	flags := cmd.Flags()
	flags.StringVar(&request.Person, "person", "", "only those of this person")
	flags.StringVar(&from, "from", "", `only those that end after this, as in "2026-03-02 00:00"`)
	flags.StringVar(&to, "to", "", "only those that begin before this")
	enumsFlag(flags, &request.States, "state", "only those in this state")
	flags.BoolVar(&all, "all", false, "those that are done or were taken away too")
	cmd.MarkFlagsMutuallyExclusive("state", "all")
	limitFlag(cmd, &limit)
	return cmd
}

func (s *sheet) assignments(assignments *schedulev1.ListAssignmentsResponse) {
	if s.none(len(assignments.GetAssignments()), "such assignments") {
		return
	}
	for i, assignment := range assignments.GetAssignments() {
		if i > 0 {
			s.line("")
		}
		job := assignment.GetJob()
		s.fact("Job", shortName(job.GetJob()))
		s.fact("What", job.GetTitle())
		s.fact("State", assignmentState(s, assignment))
		s.fact("Who", shortName(job.GetPerson()))
		s.fact("When", fmt.Sprintf("%s to %s", s.when(job.GetStartTime()), s.when(job.GetEndTime())))
		s.fact("Preparing begins", s.when(job.GetPrepareTime()))
		s.fact("Houses", shortNames(job.GetHouses()))
		s.fact("Lots", shortNames(job.GetLots()))
		s.fact("Sprayer", shortName(job.GetSprayer()))
		s.fact("Product", shortName(job.GetProduct()))
		s.fact("Mix", amount(job.GetMixVolume()))
		if job.GetProduct() != "" {
			s.fact("Re-entry after", reentryAfter(job.GetRestrictedEntryInterval()))
		}
		s.fact("Closed until", s.when(job.GetClosedUntilTime()))
		s.fact("Assignment", shortName(assignment.GetName()))
		s.fact("Plan", shortName(assignment.GetDayPlan()))
	}
	s.more(assignments.GetNextPageToken())
}

func assignmentState(s *sheet, assignment *schedulev1.Assignment) string {
	if done := s.when(assignment.GetDoneTime()); done != "" {
		return word(assignment.GetState()) + " " + done
	}
	return word(assignment.GetState())
}
