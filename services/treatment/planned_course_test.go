package treatment

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/quantity"
	"velamen/services/products"
	"velamen/services/treatment/proposal"
	"velamen/services/treatment/rules"
)

func comingIDs(found []coming) []string {
	var ids []string
	for _, c := range found {
		ids = append(ids, c.step.ID())
	}
	return ids
}

func TestAChainIsComingAsFarAsItsIntervalsReachTheDaysPlanned(t *testing.T) {
	c := begin(t, "leaf-spots")
	require.Equal(t, []string{"isolate-1", "disinfect-1", "prune-1", "systemic-1"}, comingIDs(comings(c.plan, c.state, at(0), at(288))),
		"the contact spray may begin 288 h after the systemic one, when the days planned are over")
	found := comings(c.plan, c.state, at(0), at(289))
	require.Equal(t, []string{"isolate-1", "disinfect-1", "prune-1", "systemic-1", "contact-1"}, comingIDs(found))
	contact := found[4]
	require.Equal(t, []comingAfter{{"systemic-1", Interval{Key: "systemic", Min: 288 * time.Hour, Due: 336 * time.Hour, Max: 432 * time.Hour}}}, contact.after)
	require.Equal(t, at(288), contact.earliest)
	require.True(t, contact.open.IsZero(), "nothing before it is done")
}

func TestAComingStepKnowsWhatIsDoneAlready(t *testing.T) {
	c := begin(t, "leaf-spots")
	c.confirm("isolate-1", 1, OutcomeDone)
	c.confirm("disinfect-1", 2, OutcomeDone)
	c.confirm("prune-1", 3, OutcomeDone)
	c.confirm("systemic-1", 4, OutcomeDone)
	found := comings(c.plan, c.state, at(5), at(10_000))
	require.Equal(t, []string{"contact-1", "inspection-1"}, comingIDs(found), "a release is a manager's")
	inspection := found[1]
	require.Equal(t, "contact-1", inspection.after[0].step)
	require.Len(t, inspection.after, 1)
	require.Equal(t, at(4+672), inspection.open, "from the systemic spray, which is done")
	require.Equal(t, at(4+672), inspection.earliest)
}

func TestWhatFollowsASecondCleanLookIsNotComingBeforeTheFirst(t *testing.T) {
	c := begin(t, "leaf-spots")
	for i, step := range c.plan.Steps {
		if step.Key == "release" {
			c.plan.Steps[i].Kind = discard // somebody's work, so that only the looks keep it away
			c.state.Steps[i].Kind = discard
		}
	}
	for hour, step := range []string{"isolate-1", "disinfect-1", "prune-1", "systemic-1"} {
		c.confirm(step, hour+1, OutcomeDone)
	}
	c.confirm("contact-1", 300, OutcomeDone)
	require.Equal(t, []string{"inspection-1"}, comingIDs(comings(c.plan, c.state, at(700), at(10_000))))
	c.confirm("inspection-1", 701, OutcomeClean)
	require.Equal(t, []string{"inspection-1", "release-1"}, comingIDs(comings(c.plan, c.state, at(702), at(10_000))))
}

func TestAPausedProgramHasNothingComing(t *testing.T) {
	c := begin(t, "leaf-spots")
	require.NoError(t, c.try(Event{Kind: EventPaused, At: at(1)}))
	require.Empty(t, comings(c.plan, c.state, at(2), at(1000)))
}

func TestAProgramThatIsGivenUpDiscards(t *testing.T) {
	c := begin(t, "leaf-spots")
	require.NoError(t, c.try(Event{Kind: EventGaveUp, At: at(1)}))
	require.Equal(t, []string{"discard-1"}, comingIDs(comings(c.plan, c.state, at(2), at(1000))))
}

func TestHowFastADisorderSpreadsIsItsRisk(t *testing.T) {
	require.Equal(t, 10, riskOf("bacterial-soft-rot"))
	require.Equal(t, 5, riskOf("nobody knows it"))
}

func TestTwoStepsDoNotCountOnTheSameRest(t *testing.T) {
	stocked := []proposal.Stocked{{
		Product: products.Product{ID: "x"},
		Store: rules.Store{Counted: true, Containers: []rules.Container{
			{ID: "opened", Remaining: quantity.Must("30", quantity.Gram)}, {ID: "full", Remaining: quantity.Must("1", quantity.Kilogram)},
		}},
	}}
	left := takenOut(stocked, "x", quantity.Must("50", quantity.Gram))[0].Store.Containers
	require.Equal(t, "0 g", left[0].Remaining.String())
	require.Equal(t, "0.98 kg", left[1].Remaining.String())
	require.Equal(t, "30 g", stocked[0].Store.Containers[0].Remaining.String(), "what was read stays as it is")
}

func TestMixesAreToldApartByTheirStrength(t *testing.T) {
	mix := func(rate, amount, volume string, unit quantity.Unit) string {
		line := rules.Line{Product: products.Product{ID: "x"}, Amount: quantity.Must(amount, quantity.Gram)}
		return mixOf(proposal.Option{Product: line.Product, Filled: proposal.Filled{
			Rate: quantity.Must(rate, unit), Amount: line.Amount, MixVolume: quantity.Must(volume, quantity.Litre),
			Application: rules.Application{Treatments: []rules.Treatment{{MixVolume: quantity.Must(volume, quantity.Litre), Lines: []rules.Line{line}}}},
		}})
	}
	require.Equal(t, mix("2", "20", "10", quantity.GramPerLitre), mix("2", "7", "3.5", quantity.GramPerLitre), "as much in each litre")
	require.NotEqual(t, mix("2", "20", "10", quantity.GramPerLitre), mix("1", "10", "10", quantity.GramPerLitre))
	require.NotEqual(t, mix("10", "20", "10", quantity.GramPerM2), mix("10", "20", "5", quantity.GramPerM2), "an area says nothing of the strength")
}

func TestAPlannedApplicationCountsAsOneThatWasMade(t *testing.T) {
	product := products.Product{ID: "x", DisplayName: "X", Contents: []products.Content{
		{ActiveIngredient: "tebuconazole", Amount: quantity.Must("500", "g/kg")},
	}}
	application := rules.Application{
		Start: day0, Method: productsv1.Method_METHOD_SPRAY, Lots: []rules.Lot{{ID: "l", House: "h"}},
		Treatments: []rules.Treatment{{House: "h", Area: quantity.Must("10", quantity.SquareMetre), Lines: []rules.Line{{Product: product, Amount: quantity.Must("20", quantity.Gram)}}}},
	}
	history := rules.History{"l": {{ID: "before", End: day0.Add(-time.Hour)}, {ID: "after", End: day0.Add(48 * time.Hour)}}}
	require.NoError(t, addPast(history, "planned", application, day0.Add(time.Hour)))
	require.Equal(t, []string{"before", "planned", "after"}, []string{history["l"][0].ID, history["l"][1].ID, history["l"][2].ID}, "by their ends")
	active := history["l"][1].Products[0].Actives[0]
	require.Equal(t, "tebuconazole", active.ID)
	require.Equal(t, "3", active.Group)
	require.Equal(t, "1", active.PerArea.RatString(), "20 g at 500 g/kg on 10 m2")
}
