package schedule

import (
	"context"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/status"

	schedulev1 "velamen/gen/velamen/schedule/v1"
)

func (n nursery) exec(t *testing.T, sql string, args ...any) {
	t.Helper()
	require.NoError(t, n.db.InTx(context.Background(), func(tx pgx.Tx) error {
		_, err := tx.Exec(context.Background(), sql, args...)
		return err
	}))
}

// handlerIn returns the spray of a plan and the id of who is to do it.
func handlerIn(t *testing.T, plan *schedulev1.DayPlan) (*schedulev1.PlannedJob, string) {
	t.Helper()
	for _, job := range plan.GetJobs() {
		if job.GetProduct() != "" {
			return job, lastPart(job.GetPerson())
		}
	}
	require.Fail(t, "no spray is planned")
	return nil, ""
}

func TestAPlanIsNotAcceptedWhoseHandlerIsNoLongerTrainedAndTheNextTakesAnother(t *testing.T) {
	n := planningNursery(t, 2)
	n.exec(t, `UPDATE identity.nursery SET jurisdiction = 'US'`)
	n.exec(t, `UPDATE products.product SET jurisdiction = 'US'`)
	for _, person := range []string{"wandile", "mira"} {
		n.exec(t, `INSERT INTO identity.qualification (nursery, person, id, kind, date, end_date, description, provider, recorder, create_time)
			VALUES ('test', $1, $1, 'HANDLER_TRAINING', '2026-01-05', '2027-01-04', 'a course', 'a trainer', 'olwen', now())`, person)
	}
	plan := n.proposal(t)
	spray, first := handlerIn(t, plan)
	n.exec(t, `UPDATE identity.qualification SET void_reason = 'it was another', voider = 'olwen', void_time = now() WHERE person = $1`, first)
	_, err := n.accept(plan)
	require.Error(t, err)
	require.Contains(t, status.Convert(err).Message()+" "+strings.Join(violated(err), " "), spray.GetTitle())
	require.Empty(t, n.assignments(t, &schedulev1.ListAssignmentsRequest{}))

	_, second := handlerIn(t, n.proposal(t))
	require.NotEqual(t, first, second, "the other is trained")
}
