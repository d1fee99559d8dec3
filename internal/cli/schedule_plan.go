package cli

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	schedulev1 "velamen/gen/velamen/schedule/v1"
)

// longestSolve is the longest that the contract lets a plan be worked out.
const longestSolve = 10 * time.Minute

// newest is what may be typed for a plan: the newest that is proposed or accepted.
const newest = "newest"

func (a *app) planMake() *cobra.Command {
	request := &schedulev1.CreateDayPlanRequest{}
	var noWait, breakdown bool
	var cmd *cobra.Command
	cmd = a.command(text{
		use: "plan", short: "Work out a plan of the next days",
		long: `Asks for a plan of the next days and says how far it has come, until it is worked out:
the best plan so far, what no plan can cost less than, and how far the two are apart.
Then it prints the plan. It is a proposal; velamen schedule accept makes assignments of
it. Managers and owners only. ` + Caution,
		example: `  velamen schedule plan
  velamen schedule plan --days 3 --solve-seconds 60 --breakdown
  velamen schedule plan --no-wait`,
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		plan, err := call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.CreateDayPlan, request)
		if err != nil {
			return err
		}
		if noWait {
			return a.showPlan(ctx, plan, breakdown)
		}
		a.progress("Working out plan %s.", shortName(plan.GetName()))
		watching, cancel := context.WithTimeout(cmd.Context(), longestSolve+a.flags.timeout)
		defer cancel()
		if err := a.watchPlan(watching, plan.GetName()); err != nil {
			return err
		}
		if plan, err = a.readPlan(watching, plan.GetName()); err != nil {
			return err
		}
		return a.showPlan(watching, plan, breakdown)
	})
	flags := cmd.Flags()
	flags.Int32Var(&request.HorizonDays, "days", 0, "days to plan (default: as the settings say)")
	flags.Int32Var(&request.SolveSeconds, "solve-seconds", 0, "longest time to work it out (default: as the settings say)")
	flags.Int64Var(&request.Seed, "seed", 0, "seed of the search; the same seed repeats a plan (default 1)")
	flags.BoolVar(&noWait, "no-wait", false, "do not wait until it is worked out; velamen schedule show prints it later")
	breakdownFlag(cmd, &breakdown)
	return cmd
}

func breakdownFlag(cmd *cobra.Command, breakdown *bool) {
	cmd.Flags().BoolVar(breakdown, "breakdown", false, "also show what each day, house and person costs")
}

// progress tells on standard error what goes on; with --json nothing but an error
// stands there.
func (a *app) progress(format string, args ...any) {
	if !a.flags.json {
		_, _ = fmt.Fprintf(a.Err, format+"\n", args...)
	}
}

// watchPlan tells how far a plan has come, until it is worked out.
func (a *app) watchPlan(ctx context.Context, name string) error {
	stream, err := call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.WatchDayPlan,
		&schedulev1.WatchDayPlanRequest{Name: name})
	if err != nil {
		return err
	}
	for before := ""; ; {
		progress, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if line := progressLine(progress); line != before {
			a.progress("  %s", line)
			before = line
		}
	}
}

func progressLine(progress *schedulev1.WatchDayPlanResponse) string {
	if progress.GetPoints() == "" {
		return "no plan yet"
	}
	line := fmt.Sprintf("%d rounds: %d jobs planned, %d left out, %s points", progress.GetRounds(), progress.GetPlanned(), progress.GetUnplanned(), shownPoints(progress.GetPoints()))
	if progress.GetBound() != "" {
		line += ", none below " + shownPoints(progress.GetBound())
		if progress.GetBoundOfSameUnplanned() {
			line += " with the same work left out"
		}
	}
	switch progress.GetGap() {
	case "":
		return line
	case "unknown":
		return line + ", gap unknown"
	}
	return line + ", gap " + progress.GetGap() + " %"
}

func (a *app) readPlan(ctx context.Context, name string) (*schedulev1.DayPlan, error) {
	return call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.GetDayPlan,
		&schedulev1.GetDayPlanRequest{Name: name})
}

// planName names the plan that was typed; "newest" is looked up.
func (a *app) planName(ctx context.Context, typed string) (string, error) {
	if typed != newest {
		return a.name("PLAN", typed, "dayPlans")
	}
	parent, err := a.parent()
	if err != nil {
		return "", err
	}
	plans, err := call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.ListDayPlans, &schedulev1.ListDayPlansRequest{
		Parent: parent, PageSize: 1,
		States: []schedulev1.DayPlanState{schedulev1.DayPlanState_DAY_PLAN_STATE_PROPOSED, schedulev1.DayPlanState_DAY_PLAN_STATE_ACCEPTED},
	})
	if err != nil {
		return "", err
	}
	if len(plans.GetDayPlans()) == 0 {
		return "", outcomeError{exitRefused, errors.New("no plan is proposed or accepted; velamen schedule plan makes one")}
	}
	return plans.GetDayPlans()[0].GetName(), nil
}

func (a *app) planShow() *cobra.Command {
	var breakdown bool
	cmd := a.command(text{
		use: "show [PLAN]", short: "Show a plan",
		long: `Shows a plan by day and person, its tank loads, what is left out and why, what it costs
by term, and how it differs from what people were told. Without PLAN, or with "newest",
it is the newest plan that is proposed or accepted. ` + Caution,
		example: `  velamen schedule show
  velamen schedule show 0199b1f2-0000-7000-8000-000000000001 --breakdown`,
	}, func(ctx context.Context, args []string) error {
		typed := newest
		if len(args) > 0 {
			typed = args[0]
		}
		name, err := a.planName(ctx, typed)
		if err != nil {
			return err
		}
		plan, err := a.readPlan(ctx, name)
		if err != nil {
			return err
		}
		return a.showPlan(ctx, plan, breakdown)
	})
	breakdownFlag(cmd, &breakdown)
	return cmd
}

// showPlan prints a plan; one that could not be worked out ends the command as a
// failure.
func (a *app) showPlan(ctx context.Context, plan *schedulev1.DayPlan, breakdown bool) error {
	if err := a.showWithItsCaution(ctx, plan, func(s *sheet) { s.plan(plan, breakdown) }); err != nil {
		return err
	}
	if plan.GetState() == schedulev1.DayPlanState_DAY_PLAN_STATE_FAILED {
		return outcomeError{exitFailed, fmt.Errorf("the plan could not be worked out: %s", cmp.Or(plan.GetFailure(), "the server does not say why"))}
	}
	return nil
}

func (a *app) planList() *cobra.Command {
	var limit int
	request := &schedulev1.ListDayPlansRequest{}
	cmd := a.command(text{
		use: "plans", short: "List the plans, newest first",
		long:    "Lists the plans, newest first, those that were put aside too. " + Caution,
		example: "  velamen schedule plans\n  velamen schedule plans --state proposed,accepted",
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		plans, err := gather(limit, func(size int32, token string) (*schedulev1.ListDayPlansResponse, error) {
			request.PageSize, request.PageToken = size, token
			return call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.ListDayPlans, request)
		})
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, plans, func(s *sheet) {
			if s.none(len(plans.GetDayPlans()), "such plans") {
				return
			}
			s.row("PLAN", "STATE", "FROM", "UNTIL", "POINTS", "NONE BELOW", "WHY IT WAS MADE")
			for _, plan := range plans.GetDayPlans() {
				s.row(shortName(plan.GetName()), word(plan.GetState()), s.when(plan.GetStartTime()), s.when(plan.GetEndTime()), shownPoints(plan.GetPoints()), shownPoints(plan.GetBound()),
					plan.GetTrigger())
			}
			s.more(plans.GetNextPageToken())
		})
	})
	enumsFlag(cmd.Flags(), &request.States, "state", "only plans in this state")
	limitFlag(cmd, &limit)
	return cmd
}

func (a *app) planAccept() *cobra.Command {
	request := &schedulev1.AcceptDayPlanRequest{}
	by := &byHand{}
	cmd := a.command(text{
		use: "accept PLAN", short: "Make assignments of a proposed plan",
		long: `Makes the jobs of a proposed plan the assignments of the people in it, with changes by
hand where they are given. It is refused when the plan no longer fits what is known by
now, or when a change breaks a rule; the refusal names the rule. Managers and owners
only. ` + Caution,
		example: `  velamen schedule accept 0199b1f2-0000-7000-8000-000000000001
  velamen schedule accept 0199b1f2-0000-7000-8000-000000000001 --move "p-1/contact-1=2026-03-09 07:30" --person p-1/contact-1=wandile`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.name("PLAN", args[0], "dayPlans"); err != nil {
			return err
		}
		if request.Edits, err = by.edits(ctx, a); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		plan, err := call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.AcceptDayPlan, request)
		if err != nil {
			return err
		}
		return a.showPlan(ctx, plan, false)
	})
	by.flags(cmd)
	etagFlag(cmd, &request.Etag)
	return cmd
}

func (a *app) planReject() *cobra.Command {
	request := &schedulev1.RejectDayPlanRequest{}
	cmd := a.command(text{
		use: "reject PLAN", short: "Put a proposed plan aside",
		long:    "Puts a proposed plan aside; what people were told before stays. Managers and owners only.",
		example: `  velamen schedule reject 0199b1f2-0000-7000-8000-000000000001 --note "the lorry comes on Tuesday"`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.name("PLAN", args[0], "dayPlans"); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		plan, err := call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.RejectDayPlan, request)
		if err != nil {
			return err
		}
		return a.showWithItsCaution(ctx, plan, func(s *sheet) { s.line("Plan %s is %s.", shortName(plan.GetName()), word(plan.GetState())) })
	})
	cmd.Flags().StringVar(&request.Note, "note", "", "why")
	return cmd
}

func (a *app) planCheck() *cobra.Command {
	request := &schedulev1.CheckDayPlanRequest{}
	by := &byHand{}
	cmd := a.command(text{
		use: "check PLAN", short: "Hold a plan, with changes by hand, to every rule",
		long: `Holds a plan, with changes by hand, to every rule and says what it costs. It searches
for nothing better and keeps nothing. PLAN may be "newest". The exit code is 3 when a
rule is broken. ` + Caution,
		example: `  velamen schedule check newest
  velamen schedule check newest --move "p-1/contact-1=2026-03-09 07:30" --person p-1/contact-1=wandile --remove h1`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.planName(ctx, args[0]); err != nil {
			return err
		}
		if request.Edits, err = by.edits(ctx, a); err != nil {
			return err
		}
		checked, err := call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.CheckDayPlan, request)
		if err != nil {
			return err
		}
		if err := a.showWithItsCaution(ctx, checked, func(s *sheet) {
			if !s.none(len(checked.GetViolations()), "broken rules") {
				s.row("RULE", "JOBS", "WHAT IS WRONG")
				for _, violation := range checked.GetViolations() {
					s.row(violation.GetRule(), shortNames(violation.GetJobs()), violation.GetMessage())
				}
			}
			s.terms(checked.GetTerms(), checked.GetPoints(), "")
		}); err != nil {
			return err
		}
		if broken := len(checked.GetViolations()); broken > 0 {
			return outcomeError{exitRefused, fmt.Errorf("rules that this plan breaks: %d", broken)}
		}
		return nil
	})
	by.flags(cmd)
	return cmd
}

// byHand is what flags change in a plan, in the order in which they were given.
type byHand struct{ changes []handChange }

// handChange is one change: of the start, the person or the sprayer of a job, or its
// taking out.
type handChange struct{ flag, job, to string }

func (b *byHand) flags(cmd *cobra.Command) {
	for _, flag := range []struct{ name, kind, usage string }{
		{"move", "job=time", `start a job at another time, as in "p-1/contact-1=2026-03-09 07:30"`},
		{"person", "job=person", "give a job to another person, as in p-1/contact-1=wandile"},
		{"sprayer", "job=sprayer", "do a job with another sprayer, as in p-1/contact-1=tank-1"},
	} {
		eachFlag(cmd.Flags(), &b.changes, func(typed string) (handChange, error) {
			job, to, found := cutName(typed)
			if !found || to == "" {
				return handChange{}, fmt.Errorf("%q: it must be %s", typed, strings.ToUpper(flag.kind))
			}
			return handChange{flag.name, job, to}, nil
		}, flag.kind, flag.name, flag.usage)
	}
	eachFlag(cmd.Flags(), &b.changes, func(typed string) (handChange, error) {
		return handChange{"remove", typed, ""}, nil
	}, "job", "remove", "take a job out of the plan")
}

// edits puts the changes of each job together.
func (b *byHand) edits(ctx context.Context, a *app) ([]*schedulev1.PlanEdit, error) {
	var edits []*schedulev1.PlanEdit
	of := map[string]*schedulev1.PlanEdit{}
	for _, change := range b.changes {
		job, err := a.jobName("--"+change.flag, change.job)
		if err != nil {
			return nil, err
		}
		edit := of[job]
		if edit == nil {
			edit = &schedulev1.PlanEdit{Job: job}
			edits, of[job] = append(edits, edit), edit
		}
		switch change.flag {
		case "move":
			edit.StartTime, err = a.moment(ctx, "--move", change.to)
		case "person":
			edit.Person, err = a.name("--person", change.to, "people")
		case "sprayer":
			edit.Sprayer, err = a.name("--sprayer", change.to, "sprayers")
		default:
			edit.Remove = true
		}
		if err != nil {
			return nil, err
		}
	}
	return edits, nil
}

// jobName names a job: PROGRAM/STEP for a step, HOUSE for its routine inspection.
func (a *app) jobName(what, typed string) (string, error) {
	name, err := a.name(what, typed, "programs", "steps")
	var usage usageError
	if err == nil || !errors.As(err, &usage) {
		return name, err
	}
	if name, err := a.name(what, typed, "houses"); err == nil {
		return name, nil
	}
	return "", usagef("%w (or HOUSE for its routine inspection)", err)
}
