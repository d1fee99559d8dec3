package schedule

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	enumspb "go.temporal.io/api/enums/v1"
	"go.temporal.io/api/serviceerror"
	"go.temporal.io/sdk/client"
	"go.temporal.io/sdk/temporal"

	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/services/diagnosis"
	"velamen/services/identity"
	"velamen/services/stock"
	"velamen/services/treatment"
)

// relayTimeout bounds one delivery to Temporal; after it the outbox tries again.
const relayTimeout = 20 * time.Second

// Relay returns the consumer that tells the planners which plans wait, what was
// decided and what changed, and keeps the times of the daily plans. An event may
// reach a planner twice, after a crash; the second one changes nothing.
func Relay(c client.Client, db *postgres.DB) postgres.Consumer {
	r := relay{client: c, db: db}
	return postgres.Consumer{
		Name: "planners",
		Topics: append(Topics(),
			treatment.TopicProgramStarted, treatment.TopicProgramAdvanced, treatment.TopicApplicationConfirmed, treatment.TopicClosuresChanged,
			diagnosis.TopicClimateImported,
			stock.TopicRestrict, stock.TopicUnrestrict),
		Send: r.send,
	}
}

type relay struct {
	client client.Client
	db     *postgres.DB
}

func (r relay) send(ctx context.Context, event postgres.Event) error {
	ctx, cancel := context.WithTimeout(ctx, relayTimeout)
	defer cancel()
	switch event.Topic {
	case TopicPlanAsked:
		return read(event, func(asked PlanAsked) error { return askPlanner(ctx, r.client, event.Nursery, asked.Plan) })
	case TopicPlanDecided:
		return read(event, func(decided PlanDecided) error { return r.decided(ctx, event.Nursery, decided) })
	case TopicConditionsChanged:
		return read(event, func(changed ConditionsChanged) error { return r.changed(ctx, event.Nursery, changed) })
	case TopicSettingsChanged:
		return keepDailyPlan(ctx, r.client, r.db, event.Nursery)
	case treatment.TopicProgramStarted:
		return read(event, func(started treatment.ProgramStarted) error {
			return r.advanced(ctx, event.Nursery, started.Program, treatment.Event{Kind: treatment.EventStarted})
		})
	case treatment.TopicProgramAdvanced:
		return read(event, func(advanced treatment.ProgramAdvanced) error {
			return r.advanced(ctx, event.Nursery, advanced.Program, advanced.Event)
		})
	case treatment.TopicApplicationConfirmed:
		return read(event, func(applied treatment.ApplicationConfirmed) error { return r.applied(ctx, event.Nursery, applied) })
	case treatment.TopicClosuresChanged:
		return r.closuresChanged(ctx, event.Nursery)
	case stock.TopicRestrict, stock.TopicUnrestrict:
		return r.changed(ctx, event.Nursery, ConditionsChanged{Reason: "what an authority orders for lots changed", At: r.db.Now()})
	case diagnosis.TopicClimateImported:
		return read(event, func(imported diagnosis.ClimateImported) error { return r.imported(ctx, event.Nursery, imported) })
	default:
		return fmt.Errorf("unknown topic %q", event.Topic)
	}
}

// read hands the payload of an event on.
func read[P any](event postgres.Event, hand func(P) error) error {
	var payload P
	if err := json.Unmarshal(event.Payload, &payload); err != nil {
		return fmt.Errorf("payload of %s: %w", event.Topic, err)
	}
	return hand(payload)
}

// plannerOptions are those with which a planner is started, or found running.
func plannerOptions(nursery string) client.StartWorkflowOptions {
	return client.StartWorkflowOptions{
		ID:                       PlannerID(nursery),
		TaskQueue:                TaskQueue,
		WorkflowIDConflictPolicy: enumspb.WORKFLOW_ID_CONFLICT_POLICY_USE_EXISTING,
		WorkflowIDReusePolicy:    enumspb.WORKFLOW_ID_REUSE_POLICY_ALLOW_DUPLICATE,
	}
}

// signal tells the planner of a nursery something, and starts it when it does not run.
func signal(ctx context.Context, c client.Client, nursery, name string, message any) error {
	_, err := c.SignalWithStartWorkflow(ctx, PlannerID(nursery), name, message, plannerOptions(nursery), PlannerType, PlannerInput{Nursery: nursery})
	return err
}

func askPlanner(ctx context.Context, c client.Client, nursery, plan string) error {
	return signal(ctx, c, nursery, signalPlan, PlanAsked{Plan: plan})
}

// decided tells the planner of a decision. Its plan is the update's id, so that a
// second delivery is recognised.
func (r relay) decided(ctx context.Context, nursery string, decided PlanDecided) error {
	start := r.client.NewWithStartWorkflowOperation(plannerOptions(nursery), PlannerType, PlannerInput{Nursery: nursery})
	handle, err := r.client.UpdateWithStartWorkflow(ctx, client.UpdateWithStartWorkflowOptions{
		StartWorkflowOperation: start,
		UpdateOptions: client.UpdateWorkflowOptions{
			UpdateID: "decided-" + decided.Plan, WorkflowID: PlannerID(nursery), UpdateName: updateDecided,
			Args: []any{decided}, WaitForStage: client.WorkflowUpdateStageCompleted,
		},
	})
	if err != nil {
		return err
	}
	var accepted string
	return handle.Get(ctx, &accepted)
}

// advanced tells the planner of what happened to a program, where that can make a
// plan worse.
func (r relay) advanced(ctx context.Context, nursery, program string, event treatment.Event) error {
	var told *assignment
	if event.Kind == treatment.EventStepConfirmed {
		var err error
		if told, err = toldLast(ctx, r.db, nursery, stepPrefix(nursery, program)+event.Step); err != nil {
			return err
		}
	}
	reason := courseReason(program, event, told)
	if reason == "" {
		return nil
	}
	return r.changed(ctx, nursery, ConditionsChanged{Reason: reason, At: r.db.Now()})
}

// imported tells the planner of new climate readings.
func (r relay) imported(ctx context.Context, nursery string, imported diagnosis.ClimateImported) error {
	house, err := stock.ReadHouse(ctx, r.db, nursery, imported.House)
	if err != nil {
		return err
	}
	return r.changed(ctx, nursery, ConditionsChanged{Reason: "new climate readings of " + house.DisplayName, At: imported.At})
}

// changed tells the planner of a change, where the nursery wants new plans for
// changes and has a plan that could have become worse.
func (r relay) changed(ctx context.Context, nursery string, changed ConditionsChanged) error {
	settings, err := readSettings(ctx, r.db, nursery)
	if err != nil || !settings.ReplanOnEvents {
		return err
	}
	matter, err := plansMatter(ctx, r.db, nursery)
	if err != nil || !matter {
		return err
	}
	return signal(ctx, r.client, nursery, signalChanged, changed)
}

// AskLost asks for every plan again that waits to be worked out: Temporal's state may
// have been lost or restored from an older backup. It returns how many there are.
func AskLost(ctx context.Context, db *postgres.DB, c client.Client) (int, error) {
	waiting, err := readSolving(ctx, db)
	if err != nil {
		return 0, err
	}
	for i, w := range waiting {
		if err := askPlanner(ctx, c, w.nursery, w.id); err != nil {
			return i, fmt.Errorf("ask for %s again: %w", planName(w.nursery, w.id), err)
		}
	}
	return len(waiting), nil
}

// KeepDailyPlans sees to it that the plan of every nursery is made at its time of the
// day. It returns how many nurseries it looked at.
func KeepDailyPlans(ctx context.Context, db *postgres.DB, c client.Client) (int, error) {
	ids, err := identity.ReadNurseryIDs(ctx, db)
	if err != nil {
		return 0, err
	}
	for i, id := range ids {
		if err := keepDailyPlan(ctx, c, db, id); err != nil {
			return i, fmt.Errorf("keep the daily plan of %s: %w", resource.Of("nurseries", id), err)
		}
	}
	return len(ids), nil
}

// dailyCatchUp is how late a daily plan may still be made, after a time in which the
// server did not run. Design value.
const dailyCatchUp = 2 * time.Hour

// keepDailyPlan gives a nursery's daily plan its time, however often it is asked.
// Without a time the plan rests.
func keepDailyPlan(ctx context.Context, c client.Client, db *postgres.DB, nurseryID string) error {
	nursery, err := identity.ReadNursery(ctx, db, nurseryID)
	if err != nil {
		return err
	}
	settings, err := readSettings(ctx, db, nurseryID)
	if err != nil {
		return err
	}
	daily, rests, err := dailyPlan(nursery, settings.PlanTime)
	if err != nil {
		return err
	}
	handle := c.ScheduleClient().GetHandle(ctx, daily.ID)
	if _, err := handle.Describe(ctx); err == nil {
		return handle.Update(ctx, client.ScheduleUpdateOptions{
			DoUpdate: func(input client.ScheduleUpdateInput) (*client.ScheduleUpdate, error) {
				schedule := input.Description.Schedule
				schedule.Spec, schedule.Action, schedule.State.Paused = &daily.Spec, daily.Action, rests
				schedule.Policy.Overlap, schedule.Policy.CatchupWindow = daily.Overlap, daily.CatchupWindow
				return &client.ScheduleUpdate{Schedule: &schedule}, nil
			},
		})
	} else if absent := (*serviceerror.NotFound)(nil); !errors.As(err, &absent) {
		return err
	}
	if rests {
		return nil
	}
	_, err = c.ScheduleClient().Create(ctx, daily)
	if errors.Is(err, temporal.ErrScheduleAlreadyRunning) {
		return nil // somebody else made it in this moment, from the same settings
	}
	return err
}

// dailyPlan returns how a nursery's daily plan is kept, and whether it rests.
func dailyPlan(nursery identity.Nursery, planTime string) (daily client.ScheduleOptions, rests bool, err error) {
	rests = planTime == ""
	at := time.Time{}
	if !rests {
		if at, err = time.Parse(timeOfDay, planTime); err != nil {
			return daily, rests, fmt.Errorf("time of the daily plan: %w", err)
		}
	}
	return client.ScheduleOptions{
		ID: "plan-" + nursery.ID,
		Spec: client.ScheduleSpec{
			Calendars:    []client.ScheduleCalendarSpec{{Hour: []client.ScheduleRange{{Start: at.Hour()}}, Minute: []client.ScheduleRange{{Start: at.Minute()}}}},
			TimeZoneName: nursery.Zone.String(),
		},
		Action: &client.ScheduleWorkflowAction{
			ID: "daily/" + nursery.ID, Workflow: DailyPlanType, TaskQueue: TaskQueue, Args: []any{nursery.ID},
		},
		Overlap:       enumspb.SCHEDULE_OVERLAP_POLICY_SKIP,
		CatchupWindow: dailyCatchUp,
		Paused:        rests,
	}, rests, nil
}
