package schedule

import (
	"context"

	"velamen/internal/postgres"
	"velamen/services/schedule/model"
	"velamen/services/treatment"
)

// holdToRules holds every application of a plan to the rules of labels, law and
// resistance: at its planned start, by who is planned to apply it, after what was
// applied to its lots and what the plan applies to them before. It returns what the
// rules refuse, by start.
func holdToRules(ctx context.Context, r postgres.Reader, c *compiled, plan model.Plan) ([]ruleBreak, error) {
	applications := c.applications(plan)
	if len(applications) == 0 {
		return nil, nil
	}
	refused, err := treatment.CheckPlanned(ctx, r, c.input.Nursery.ID, c.input.Now, applications)
	if err != nil {
		return nil, err
	}
	return c.breaksOf(refused), nil
}
