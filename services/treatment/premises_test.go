package treatment_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	productsv1 "velamen/gen/velamen/products/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/services/treatment"
	"velamen/services/treatment/entry"
)

// applyOutside records that something was applied outside of the steps of programs, for an
// hour's work that ended at a moment.
func (n *nursery) applyOutside(method productsv1.Method, end time.Time, lot string, treatments []*treatmentv1.HouseTreatment) *treatmentv1.Application {
	n.t.Helper()
	recorded, err := n.treatment.RecordBreach(asManager(), &treatmentv1.RecordBreachRequest{
		Parent: "nurseries/test", RequestId: id(), Note: "not planned", EndTime: timestamppb.New(end),
		Application: &treatmentv1.ProposedApplication{
			Method: method, Disorder: "phyllosticta-leaf-spot", Lots: []string{lot}, StartTime: timestamppb.New(end.Add(-time.Hour)),
			Treatments: treatments,
		},
	})
	require.NoError(n.t, err)
	return recorded
}

func (n *nursery) premises(at time.Time) treatment.Premises {
	n.t.Helper()
	premises, err := treatment.ReadPremises(context.Background(), n.db.DB, "test", at)
	require.NoError(n.t, err)
	return premises
}

func TestAHouseStaysClosedUntilTheIntervalOfWhatWasAppliedIsOver(t *testing.T) {
	n, c := openNursery(t)
	lot := n.newLot()
	end := c.now
	n.applyOutside(productsv1.Method_METHOD_BATH, end, lot, applied("thio", "10"))

	during := n.premises(end.Add(11*time.Hour)).At("h1", end.Add(11*time.Hour))
	require.False(t, during.Open())
	var reasons []entry.Reason
	for _, closure := range during.Closures {
		reasons = append(reasons, closure.Reason)
	}
	require.Contains(t, reasons, entry.IntervalRuns)
	for _, closure := range n.premises(end.Add(12*time.Hour)).At("h1", end.Add(12*time.Hour)).Closures {
		require.NotEqual(t, entry.IntervalRuns, closure.Reason)
	}
}
