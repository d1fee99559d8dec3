package schedule

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/resource"
)

// Topics of what the planner of a nursery must learn.
const (
	// TopicPlanAsked says that a plan waits to be worked out; its subject is the
	// plan's name.
	TopicPlanAsked = "schedule.plan_asked"
	// TopicPlanDecided says that a plan was accepted or rejected; its subject is the
	// plan's name.
	TopicPlanDecided = "schedule.plan_decided"
	// TopicConditionsChanged says that something on which plans depend changed; its
	// subject is the nursery's name.
	TopicConditionsChanged = "schedule.conditions_changed"
	// TopicSettingsChanged says that the time of the daily plan may have changed; its
	// subject is the nursery's name.
	TopicSettingsChanged = "schedule.settings_changed"
)

// Topics lists what this service writes to the outbox.
func Topics() []string {
	return []string{TopicPlanAsked, TopicPlanDecided, TopicConditionsChanged, TopicSettingsChanged}
}

// PlanAsked says that a plan waits to be worked out.
type PlanAsked struct {
	// Plan is the plan's id.
	Plan string `json:"plan"`
}

// PlanDecided says that somebody accepted or rejected a plan.
type PlanDecided struct {
	// Plan is the plan's id.
	Plan string `json:"plan"`
	// Accepted is false when it was rejected.
	Accepted bool `json:"accepted"`
}

// ConditionsChanged says that something on which plans depend changed.
type ConditionsChanged struct {
	// Reason says what, as people read it, for example "sprayer Knapsack is out of
	// service".
	Reason string `json:"reason"`
	// At is when it was written, UTC.
	At time.Time `json:"at"`
}

// conditionsChanged tells the planner in a transaction that a plan may no longer be
// good. Where the settings ask for it, a new plan is made from the reason. Reason
// is what people read as the cause of that plan.
func (s *Service) conditionsChanged(ctx context.Context, tx pgx.Tx, nursery, reason string) error {
	return s.outbox.Write(ctx, tx, TopicConditionsChanged, nursery, resource.Of("nurseries", nursery),
		ConditionsChanged{Reason: reason, At: s.db.Now()})
}

// settingsChanged tells in a transaction that the daily plan may be made at another
// time.
func (s *Service) settingsChanged(ctx context.Context, tx pgx.Tx, nursery string) error {
	return s.outbox.Write(ctx, tx, TopicSettingsChanged, nursery, resource.Of("nurseries", nursery), struct{}{})
}
