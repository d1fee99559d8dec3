package schedule

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	productsv1 "velamen/gen/velamen/products/v1"
	schedulev1 "velamen/gen/velamen/schedule/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/quantity"
	"velamen/services/schedule/model"
	"velamen/services/stock"
	"velamen/services/treatment"
)

// toldSpray has a plan accepted and returns the spray in it.
func (n nursery) toldSpray(t *testing.T) *schedulev1.PlannedJob {
	t.Helper()
	_, err := n.accept(n.proposal(t))
	require.NoError(t, err)
	for _, assignment := range n.assignments(t, &schedulev1.ListAssignmentsRequest{}) {
		if assignment.GetJob().GetProduct() != "" {
			return assignment.GetJob()
		}
	}
	require.Fail(t, "nobody was told to spray")
	return nil
}

// nobodyIn requires that nobody works in the only house before a moment.
func nobodyIn(t *testing.T, c *compiled, until time.Time) {
	t.Helper()
	require.Equal(t, []model.Span{{From: 0, To: c.minuteUp(until)}}, c.problem.Spaces[0].Closed)
}

func TestASprayThatShouldBeDoneClosesItsHouseThoughNobodyConfirmedIt(t *testing.T) {
	n := planningNursery(t, 0)
	n.start(t, "sick", 50, untilSystemic()...)
	spray := n.toldSpray(t)
	n.clock.now = spray.GetEndTime().AsTime().Add(5 * time.Minute)
	nobodyIn(t, n.compiledNow(t, 3), spray.GetClosedUntilTime().AsTime())

	again := n.proposal(t)
	for _, job := range again.GetJobs() {
		require.False(t, job.GetStartTime().AsTime().Before(spray.GetClosedUntilTime().AsTime()), job.GetTitle())
	}
	_, err := n.accept(again)
	require.NoError(t, err)
	n.clock.now = n.clock.now.Add(time.Hour)
	nobodyIn(t, n.compiledNow(t, 3), spray.GetClosedUntilTime().AsTime())
}

func TestOnlyWhatIsWithdrawnBeforeItBeginsWasNotBegun(t *testing.T) {
	db := planDatabase(t)
	row := solved(t, db, toldJob("early", "mira", begin, time.Hour), toldJob("late", "mira", begin.Add(2*time.Hour), time.Hour))
	inTx(t, db, func(tx pgx.Tx) error {
		return tell(t.Context(), tx, "test", assignmentsOf("test", row.id, row.body.GetJobs()), nil, begin.Add(-time.Hour))
	})
	inTx(t, db, func(tx pgx.Tx) error { return tell(t.Context(), tx, "test", nil, nil, begin.Add(time.Hour)) })
	begun, err := readBegun(t.Context(), db, "test", begin.Add(4*time.Hour))
	require.NoError(t, err)
	require.Len(t, begun, 1)
	require.Equal(t, "early", begun[0].job.GetJob())
}

func TestASprayOfAPausedProgramKeepsItsHouseAndItsPerson(t *testing.T) {
	n := planningNursery(t, 0)
	n.start(t, "sick", 50, untilSystemic()...)
	spray := n.toldSpray(t)
	n.clock.now = spray.GetStartTime().AsTime()
	_, err := n.treatment.PauseProgram(n.manager, &treatmentv1.PauseProgramRequest{
		Name: "nurseries/test/programs/p-1", Note: "the owner decides", RequestId: uuid.NewString(),
	})
	require.NoError(t, err)
	c := n.compiledNow(t, 3)
	require.NotContains(t, c.workAt, spray.GetJob())
	nobodyIn(t, c, spray.GetClosedUntilTime().AsTime())
	person := c.people[lastPart(spray.GetPerson())]
	require.Equal(t, c.minuteUp(spray.GetEndTime().AsTime()), c.problem.People[person].Shifts[0].From)
}

func TestASprayBesideAHouseKeepsEverybodyOutWhileItLasts(t *testing.T) {
	in := smallNursery(t)
	told, err := toldEntry(&schedulev1.PlannedJob{
		Kind: "SPRAY", StartTime: timestamppb.New(sixOClock), EndTime: timestamppb.New(sixOClock.Add(time.Hour)),
		ClosedUntilTime: timestamppb.New(sixOClock.Add(13 * time.Hour)), Lots: []string{"nurseries/n/lots/l"},
		Houses: []string{"nurseries/n/houses/h1", "nurseries/n/houses/gone"},
	}, nil)
	require.NoError(t, err)
	in.closeTold(told, nil)
	require.Equal(t, []Closure{{Start: sixOClock, End: sixOClock.Add(13 * time.Hour)}}, in.Houses[0].Closed)
	require.Equal(t, []Closure{{Start: sixOClock, End: sixOClock.Add(time.Hour)}}, in.Houses[1].Closed)
}

func TestAMixThatIsBeingMadeIsNotTakenAway(t *testing.T) {
	in := smallNursery(t, spraying("a"))
	in.Told = []Told{{
		Job: "a", Prepare: sixOClock.Add(-5 * time.Minute), Start: sixOClock.Add(5 * time.Minute), End: sixOClock.Add(time.Hour), Person: "ana", Sprayer: "k",
	}}
	c := compile(in)
	require.Empty(t, c.jobs, "it goes on as it was told")
	require.Equal(t, []string{"a"}, begunBefore(in, nil))
}

func TestWhatGoesOnIsShownWithTheProductThatWasTold(t *testing.T) {
	in := smallNursery(t, spraying("a"))
	as := &schedulev1.PlannedJob{
		Job: "a", Title: "Spray", Product: "nurseries/n/products/older", RestrictedEntryInterval: quantity.Must("48", quantity.Hour).Contract(), TankLoad: 3,
	}
	in.Told = []Told{{Job: "a", Start: sixOClock.Add(-time.Hour), End: sixOClock.Add(time.Hour), Person: "ana", Sprayer: "k", As: as}}
	c := compile(in)
	shown := c.dayPlan(model.Plan{}, model.Score{}, noBound).GetJobs()[0]
	require.Equal(t, "nurseries/n/products/older", shown.GetProduct(), "though another would be chosen now")
	require.Equal(t, "48", shown.GetRestrictedEntryInterval().GetAmount())
	require.Zero(t, shown.GetTankLoad(), "that load is none of this plan's")
	require.Equal(t, "nurseries/n/products/older", c.applications(model.Plan{})[0].Product)
	require.Equal(t, int32(3), as.GetTankLoad(), "what was told stays as it is")
}

func TestATrainingThatIsStillToComeDoesNotCountYet(t *testing.T) {
	in := smallNursery(t, spraying("a"))
	in.Nursery.Jurisdiction = "US-FL"
	in.People[0].Person.Qualifications = trainedOn("2027-03-02", "2028-03-01")
	require.Contains(t, whyNot(t, compile(in), "a"), "no handler training", "the plan begins on 2027-03-01")
	in.People[0].Person.Qualifications = trainedOn("2027-03-01", "2028-02-29")
	require.Len(t, modelJob(t, compile(in), "a").People, 1)
}

func TestWhatTheKindOfAnAssignmentDoesNotSayIsAFault(t *testing.T) {
	_, err := toldEntry(&schedulev1.PlannedJob{Kind: "PRUNE", Product: "nurseries/n/products/x"}, nil)
	require.Error(t, err)
	told, err := toldEntry(&schedulev1.PlannedJob{Kind: "DRENCH"}, nil)
	require.NoError(t, err)
	require.Equal(t, productsv1.Method_METHOD_DRENCH, told.method)
}

func TestABenchIsClosedAloneOnlyWhileAllLotsAreWhereTheyAreToBeTreated(t *testing.T) {
	house := &HousePlace{House: stock.House{ID: "h1"}, HouseCalendar: HouseCalendar{ClosesByBench: true}}
	told := toldApplication{
		method: productsv1.Method_METHOD_DRENCH, product: harmlessToBreathe, lots: []string{"a", "b"}, houses: []string{"h1", "h2"},
		start: sixOClock, end: sixOClock.Add(time.Hour), until: sixOClock.Add(13 * time.Hour),
	}
	lots := []stock.Lot{{ID: "a", House: "h1", Bench: "b1"}, {ID: "b", House: "h2", Bench: "b9"}, {ID: "c", House: "h1", Bench: "b2"}}
	require.Equal(t, []Closure{{Bench: "b1", Start: sixOClock, End: told.until}}, told.closures(house, lots))
	whole := []Closure{{Start: sixOClock, End: told.until}}
	require.Equal(t, whole, told.closures(house, lots[:1]), "lot b has no plants any more")
	elsewhere := told
	elsewhere.houses = []string{"h1"}
	require.Equal(t, whole, elsewhere.closures(house, lots), "lot b stands in a house that was not to be treated")
	masked := told
	masked.product.Respirator = productsv1.LabelAnswer_LABEL_ANSWER_YES
	require.Equal(t, whole, masked.closures(house, lots), "40 CFR 170.405(b)(4), from memory: what is applied with a respirator closes the house")
	masked.product.Respirator = productsv1.LabelAnswer_LABEL_ANSWER_UNSPECIFIED
	require.Equal(t, whole, masked.closures(house, lots), "whether the label asks for one is not entered")
}

func TestOnlyTheSameMixSharesAClosure(t *testing.T) {
	other := spraying("c")
	other.Chemical.Product, other.Chemical.Mix = "nurseries/n/products/y", "y, 2 mL/L"
	c := compile(smallNursery(t, spraying("a"), spraying("b"), other))
	closure := func(name string) int32 { return modelJob(t, c, name).Occupies[0].Closure }
	require.Equal(t, closure("a"), closure("b"))
	require.NotEqual(t, model.None, int(closure("a")))
	require.NotEqual(t, closure("a"), closure("c"), "what protects from the one need not protect from the other")
}

func TestALongClosureIsHeldAgainstADeliveryLongAfterTheDaysPlanned(t *testing.T) {
	spray := spraying("a")
	spray.Chemical.RestrictedEntryInterval = quantity.Must("480", quantity.Hour)
	in := smallNursery(t, spray)
	in.Houses[0].Engagements = []Engagement{{Start: sixOClock.AddDate(0, 0, 15), End: sixOClock.AddDate(0, 0, 15).Add(time.Hour)}}
	require.Equal(t, []model.Span{{From: 15 * 24 * 60, To: 15*24*60 + 60}}, compile(in).problem.Spaces[0].Engaged)
}

func TestAnApplicationThatClosesAHouseInWhichPeopleWereToldToWorkIsAReasonToPlanAgain(t *testing.T) {
	in := smallNursery(t)
	work := Told{
		Start: sixOClock.Add(4 * time.Hour), End: sixOClock.Add(5 * time.Hour),
		As: &schedulev1.PlannedJob{Houses: []string{"nurseries/n/houses/h1"}, Lots: []string{"nurseries/n/lots/l"}, Product: "nurseries/n/products/x"},
	}
	in.Told = []Told{work}
	lots := []stock.Lot{{ID: "l", House: "h1", Bench: "b1"}}
	const reason = "House 1 is closed at a time at which people were told to work in it"
	for _, test := range []struct {
		name    string
		closure Closure
		product string
		want    string
	}{
		{"until before it", Closure{Start: sixOClock, End: work.Start}, "", ""},
		{"until into it", Closure{Start: sixOClock, End: work.Start.Add(time.Minute)}, "", reason},
		{"its bench", Closure{Bench: "b1", Start: sixOClock, End: work.End}, "", reason},
		{"another bench", Closure{Bench: "b2", Start: sixOClock, End: work.End}, "", ""},
		{"by what it applies itself", Closure{Start: sixOClock, End: work.End}, "nurseries/n/products/x", ""},
	} {
		t.Run(test.name, func(t *testing.T) {
			in.Houses[0].Closed = []Closure{test.closure}
			require.Equal(t, test.want, in.sentIntoClosed([]string{test.product}, lots))
		})
	}
}

func TestAnApplicationOutsideOfStepsIsAReasonToPlanAgain(t *testing.T) {
	n := planningNursery(t, 0)
	n.start(t, "sick", 50, untilSystemic()...)
	r := relay{db: n.db}
	reason, err := r.closedReason(t.Context(), "test", treatment.ApplicationConfirmed{Breach: "he thought it was another house"})
	require.NoError(t, err)
	require.Equal(t, "something was applied outside of the steps of programs", reason)
	spray := n.toldSpray(t)
	reason, err = r.closedReason(t.Context(), "test", treatment.ApplicationConfirmed{Step: spray.GetJob()})
	require.NoError(t, err)
	require.Empty(t, reason, "nothing was applied yet")
}

func TestAnAiringThatDoesNotCountAfterAllIsAReasonToPlanAgain(t *testing.T) {
	n := planningNursery(t, 0)
	n.start(t, "sick", 50, untilSystemic()...)
	n.start(t, "beside", 20)
	treated := n.quickly(t)
	_, err := n.treatment.RecordBreach(n.manager, &treatmentv1.RecordBreachRequest{
		Parent: "nurseries/test", RequestId: uuid.NewString(), Note: "not planned", EndTime: timestamppb.New(begin),
		Application: &treatmentv1.ProposedApplication{
			Method: productsv1.Method_METHOD_SPRAY, Disorder: "phyllosticta-leaf-spot", Lots: []string{"nurseries/test/lots/beside"},
			StartTime: timestamppb.New(begin.Add(-time.Hour)), Treatments: treated,
		},
	})
	require.NoError(t, err)
	const house = "nurseries/test/houses/h1"
	air := func(start time.Time) *treatmentv1.Airing {
		airing, err := n.treatment.RecordAiring(n.manager, &treatmentv1.RecordAiringRequest{Parent: house, RequestId: uuid.NewString(),
			Airing: &treatmentv1.Airing{Device: treatmentv1.AiringDevice_AIRING_DEVICE_VENTS, StartTime: timestamppb.New(start)}})
		require.NoError(t, err)
		return airing
	}
	vents := air(begin)
	spray := n.toldSpray(t)
	require.True(t, spray.GetStartTime().AsTime().Before(begin.Add(24*time.Hour)), "the vents air the house sooner than time alone")
	require.NoError(t, n.outbox.Drain(t.Context()))
	require.Equal(t, []string{""}, *n.closed, "nobody was told to work yet, or where it is closed")
	_, err = n.treatment.VoidAiring(n.manager, &treatmentv1.VoidAiringRequest{Name: vents.GetName(), Reason: "they were stuck", RequestId: uuid.NewString()})
	require.NoError(t, err)
	require.NoError(t, n.outbox.Drain(t.Context()))
	require.Equal(t, []string{"", "House 1 is closed at a time at which people were told to work in it"}, *n.closed)
	air(begin)
	require.NoError(t, n.outbox.Drain(t.Context()))
	require.Empty(t, (*n.closed)[2], "what opens a house makes no plan wrong")
}

// quickly is a spray of house h1 with a product whose interval is an hour.
func (n nursery) quickly(t *testing.T) []*treatmentv1.HouseTreatment {
	t.Helper()
	label, err := n.products.GetProduct(n.manager, &productsv1.GetProductRequest{Name: "nurseries/test/products/thiophanate"})
	require.NoError(t, err)
	label.Name, label.Etag, label.DisplayName, label.RegistrationNumber = "", "", "Quick", "L1002"
	label.Directions[0].RestrictedEntryInterval.Amount = "1"
	quick, err := n.products.CreateProduct(n.manager, &productsv1.CreateProductRequest{Parent: "nurseries/test", ProductId: "quick", RequestId: uuid.NewString(), Product: label})
	require.NoError(t, err)
	return []*treatmentv1.HouseTreatment{{
		House: "nurseries/test/houses/h1", Area: &typev1.Quantity{Amount: "12", Unit: "m2"}, MixVolume: &typev1.Quantity{Amount: "10", Unit: "L"},
		Products: []*treatmentv1.ProductUse{{Product: quick.GetName(), Amount: &typev1.Quantity{Amount: "10", Unit: "g"}}},
	}}
}
