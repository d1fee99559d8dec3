package treatment_test

import (
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	productsv1 "velamen/gen/velamen/products/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/services/identity"
	"velamen/services/treatment"
)

func (n *nursery) planned(now, until time.Time, applicators ...identity.Person) map[string]treatment.PlannedStep {
	n.t.Helper()
	byName := map[string]treatment.PlannedStep{}
	require.NoError(n.t, n.db.InSnapshot(n.t.Context(), func(tx pgx.Tx) error {
		steps, err := treatment.ReadPlannedSteps(n.t.Context(), tx, "test", now, until, applicators)
		for _, step := range steps {
			byName[step.Name] = step
		}
		return err
	}))
	return byName
}

func (n *nursery) checkPlanned(now time.Time, planned ...treatment.PlannedApplication) []treatment.PlannedRefusal {
	n.t.Helper()
	var refused []treatment.PlannedRefusal
	require.NoError(n.t, n.db.InSnapshot(n.t.Context(), func(tx pgx.Tx) error {
		var err error
		refused, err = treatment.CheckPlanned(n.t.Context(), tx, "test", now, planned)
		return err
	}))
	return refused
}

func TestEachStepOfAChainIsPlannedWithTheProductThatIsProposedForIt(t *testing.T) {
	n, c := openNursery(t)
	program := n.pruned(c)
	steps := n.planned(c.now, c.now.Add(20*24*time.Hour))
	systemic, contact := steps[program+"/steps/systemic-1"], steps[program+"/steps/contact-1"]
	require.Equal(t, "thio", systemic.Product.Product.ID)
	require.Equal(t, "thio, 2 g/L", systemic.Product.Mix)
	require.Equal(t, "12 h", systemic.Product.RestrictedEntryInterval.String())
	require.True(t, systemic.Product.Protected)
	require.Equal(t, "manc", contact.Product.Product.ID)
	require.Equal(t, []treatment.PlannedAfter{{Step: systemic.Name, Min: 288 * time.Hour, Due: 336 * time.Hour, Max: 432 * time.Hour}}, contact.After)
	require.Len(t, systemic.Lots, 1)
	require.Positive(t, systemic.Risk)
}

func TestARestrictedProductIsPlannedOnlyWhereSomebodyIsCertified(t *testing.T) {
	n, c := openNursery(t)
	for _, product := range []string{"thio", "tebu"} {
		_, err := n.products.UpdateProduct(asManager(), &productsv1.UpdateProductRequest{
			Product: &productsv1.Product{Name: name("products/" + product), RestrictedUse: true}, RequestId: id(),
		})
		require.NoError(t, err)
	}
	program := n.pruned(c)
	step := program + "/steps/systemic-1"
	refused := n.planned(c.now, c.now.Add(24*time.Hour))[step]
	require.Nil(t, refused.Product)
	require.Contains(t, refused.Refused, "thio is for certified applicators only")
	certified := identity.Person{ID: "x", Certificates: []identity.Certificate{{ExpireDate: "2099-12-31"}}}
	require.Equal(t, "thio", n.planned(c.now, c.now.Add(24*time.Hour), certified)[step].Product.Product.ID)
	require.Len(t, n.checkPlanned(c.now, treatment.PlannedApplication{
		Step: step, Product: name("products/thio"), Start: c.now, End: c.now.Add(time.Hour), Applicator: identity.Person{ID: "x", DisplayName: "Xola"},
	}), 1, "by somebody without one it is refused")
}

func TestPlannedApplicationsAreHeldToThoseBeforeThem(t *testing.T) {
	n, c := openNursery(t)
	n.relabel("thio", productsv1.LabelFact_LABEL_FACT_MIN_INTERVAL, func(d *productsv1.LabelDirection) { d.MinIntervalDays = 14 })
	program := n.pruned(c)
	first := treatment.PlannedApplication{
		Step: program + "/steps/systemic-1", Product: name("products/thio"), Start: c.now.Add(time.Hour), End: c.now.Add(2 * time.Hour),
	}
	require.Empty(t, n.checkPlanned(c.now, first))
	second := n.pruned(c)
	other := treatment.PlannedApplication{Step: second + "/steps/systemic-1", Product: first.Product, Start: first.Start, End: first.End}
	require.Empty(t, n.checkPlanned(c.now, first, other), "other lots are not concerned")
	again := first
	again.Start, again.End = first.Start.Add(72*time.Hour), first.End.Add(72*time.Hour)
	refused := n.checkPlanned(c.now, again, first)
	require.Len(t, refused, 1, "the later one is refused, whatever their order")
	require.Contains(t, refused[0].Text, "14 days")
	require.False(t, refused[0].Until.Before(first.End.AddDate(0, 0, 14)), "the label is not the only one to ask for a rest")
}

func TestAPlannedApplicationOfAStepThatIsDoneIsRefused(t *testing.T) {
	n, c := openNursery(t)
	program := n.start("phyllosticta-leaf-spot", "leaf-spots").GetName()
	refused := n.checkPlanned(c.now, treatment.PlannedApplication{
		Step: program + "/steps/isolate-1", Product: name("products/thio"), Start: c.now, End: c.now.Add(time.Hour),
	})
	require.Equal(t, "It is no longer a step that waits, or its product is not there any more.", refused[0].Text)
}

func TestEntryIsRestrictedUntilTheIntervalOfWhatWasAppliedIsOver(t *testing.T) {
	n, c := openNursery(t)
	program := n.pruned(c)
	end := c.now.Add(time.Hour)
	c.now = end
	_, err := n.confirm(program, "systemic-1", did("systemic", end))
	require.NoError(t, err)
	read := func(now time.Time) []treatment.ClosedPlace {
		premises, err := treatment.ReadPremises(t.Context(), n.db.DB, "test", now)
		require.NoError(t, err)
		return premises.ClosedPlaces(now)
	}
	last := read(end.Add(12*time.Hour - time.Second))
	require.NotEmpty(t, last)
	require.Equal(t, treatment.ClosedPlace{House: "h1", Start: end.Add(-time.Hour), End: end.Add(12 * time.Hour)}, last[len(last)-1])
	for _, place := range read(end.Add(12 * time.Hour)) {
		require.NotEqual(t, end.Add(12*time.Hour), place.End, "the interval is over; only the air may still close it")
	}
}

func TestARoutineInspectionLeavesToAStepWhatAStepLooksAt(t *testing.T) {
	n, c := openNursery(t)
	lot := n.newLot()
	days := []string{c.now.Format(time.DateOnly), c.now.AddDate(0, 0, 1).Format(time.DateOnly)}
	found, err := treatment.ReadRoutineInspections(t.Context(), n.db.DB, "test", days, c.now)
	require.NoError(t, err)
	require.Len(t, found, 2)
	require.Equal(t, found[0], found[1], "tomorrow it still was not looked at")
	due := found[0]
	require.Len(t, due, 1)
	require.Equal(t, "h1", due[0].House)
	require.Equal(t, lot, name("lots/"+due[0].Lots[0].Lot.ID))
	require.Equal(t, "No inspection of it is on record.", due[0].Reason)
	plan := n.toInspect(&treatmentv1.ProposeInspectionsRequest{})
	require.Equal(t, plan.GetInspections()[0].GetPlantsToInspect(), due[0].Lots[0].Plants)
}

func TestAListingOfStepsGoesOnFromAnyOfThem(t *testing.T) {
	n, c := openNursery(t)
	for range 2 {
		n.start("phyllosticta-leaf-spot", "leaf-spots")
		c.now = c.now.Add(18 * time.Hour)
	}
	list := func(size int32, token string) *treatmentv1.ListStepsResponse {
		response, err := n.treatment.ListSteps(asWorker(), &treatmentv1.ListStepsRequest{Parent: name("programs/-"), PageSize: size, PageToken: token})
		require.NoError(t, err)
		return response
	}
	var whole, paged []string
	for _, step := range list(1000, "").GetSteps() {
		whole = append(whole, step.GetName())
	}
	for token := ""; ; {
		page := list(3, token)
		for _, step := range page.GetSteps() {
			paged = append(paged, step.GetName())
		}
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	require.Equal(t, whole, paged)
	require.Len(t, whole, 14, "two programs of seven steps, of which two are due and the others wait")

	open, err := treatment.ReadOpenSteps(t.Context(), n.db.DB, "test", c.now, c.now, "", 10)
	require.NoError(t, err)
	require.Len(t, open, 2, "the first is overdue")
	for i := range open {
		rest, err := treatment.ReadOpenSteps(t.Context(), n.db.DB, "test", c.now, c.now, open[i].Cursor, 10)
		require.NoError(t, err)
		require.Len(t, rest, 1-i)
	}
	for _, cursor := range []string{"0/never/p/x", "2/2026-03-02T08:00:00.000000/p/x", "nonsense"} {
		_, err := treatment.ReadOpenSteps(t.Context(), n.db.DB, "test", c.now, c.now, cursor, 10)
		require.Error(t, err, cursor)
	}
}
