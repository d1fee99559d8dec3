package treatment_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

// proposed is a spray of a lot against a leaf spot.
func proposed(lot, product, grams string, start time.Time) *treatmentv1.ProposedApplication {
	return &treatmentv1.ProposedApplication{
		StartTime: timestamppb.New(start), Method: productsv1.Method_METHOD_SPRAY, Disorder: "phyllosticta-leaf-spot",
		Lots: []string{lot}, Treatments: applied(product, grams),
	}
}

func (n *nursery) check(application *treatmentv1.ProposedApplication) *treatmentv1.CheckApplicationResponse {
	n.t.Helper()
	response, err := n.treatment.CheckApplication(asWorker(), &treatmentv1.CheckApplicationRequest{Parent: "nurseries/test", Application: application})
	require.NoError(n.t, err)
	require.NotEmpty(n.t, response.GetCaution())
	return response
}

// refused are the rules that refuse.
func refused(verdicts []*treatmentv1.Verdict) []string {
	var rules []string
	for _, verdict := range verdicts {
		if verdict.GetOutcome() == treatmentv1.Outcome_OUTCOME_REFUSE {
			rules = append(rules, verdict.GetRule())
		}
	}
	return rules
}

// breach records that a product was really applied to a lot.
func (n *nursery) breach(application *treatmentv1.ProposedApplication) *treatmentv1.Application {
	n.t.Helper()
	recorded, err := n.treatment.RecordBreach(asManager(), &treatmentv1.RecordBreachRequest{
		Parent: "nurseries/test", Application: application, Note: "sprayed before anybody asked", RequestId: id(),
		EndTime: timestamppb.New(application.GetStartTime().AsTime().Add(time.Hour)),
	})
	require.NoError(n.t, err)
	n.drain()
	return recorded
}

func TestWhatIsProposedIsHeldToTheRulesAndLeavesNothingBehind(t *testing.T) {
	n, _ := openNursery(t)
	lot := n.newLot()
	require.True(t, n.check(proposed(lot, "thio", "10", day0)).GetPasses())

	tooStrong := n.check(proposed(lot, "thio", "21", day0))
	require.False(t, tooStrong.GetPasses())
	require.Equal(t, []string{"label-rate-max"}, refused(tooStrong.GetVerdicts()))
	require.NotEmpty(t, tooStrong.GetVerdicts()[0].GetSource())
	require.Nil(t, tooStrong.GetEarliestTime(), "waiting does not thin a mix")

	applications, err := n.treatment.ListApplications(asManager(), &treatmentv1.ListApplicationsRequest{Parent: "nurseries/test"})
	require.NoError(t, err)
	require.Empty(t, applications.GetApplications())
}

func TestAProposalIsRefusedByFieldWhenItNamesWhatIsNotThere(t *testing.T) {
	n, _ := openNursery(t)
	lot := n.newLot()
	for _, test := range []struct {
		name   string
		change func(*treatmentv1.ProposedApplication)
		field  string
	}{
		{"an unknown disorder", func(a *treatmentv1.ProposedApplication) { a.Disorder = "scurvy" }, "application.disorder"},
		{"a malformed lot", func(a *treatmentv1.ProposedApplication) { a.Lots = []string{"l-1"} }, "application.lots[0]"},
		{"an amount in the wrong unit", func(a *treatmentv1.ProposedApplication) {
			a.Treatments[0].Products[0].Amount = q("10", "mL")
		}, "application.treatments[0].products[0].amount"},
		{"an area of nothing", func(a *treatmentv1.ProposedApplication) { a.Treatments[0].Area = q("0", "m2") }, "application.treatments[0].area"},
		{"a temperature in degrees of another kind", func(a *treatmentv1.ProposedApplication) {
			a.Conditions = &treatmentv1.Conditions{Temperature: q("70", "%")}
		}, "application.conditions.temperature"},
		{"a container of another product", func(a *treatmentv1.ProposedApplication) {
			a.Treatments[0].Products[0].Container = name("products/manc/containers/c1")
		}, "application.treatments[0].products[0].container"},
	} {
		t.Run(test.name, func(t *testing.T) {
			application := proposed(lot, "thio", "10", day0)
			test.change(application)
			_, err := n.treatment.CheckApplication(asWorker(), &treatmentv1.CheckApplicationRequest{Parent: "nurseries/test", Application: application})
			rpctest.RefusedField(t, err, test.field)
		})
	}
}

func TestRotationFollowsALotWhereverItStands(t *testing.T) {
	n, c := openNursery(t)
	lot := n.newLot()
	c.now = day0.Add(2 * time.Hour)
	n.breach(proposed(lot, "thio", "10", day0))
	c.now = day0.AddDate(0, 0, 14)
	require.NotEmpty(t, refused(n.check(proposed(lot, "thio", "10", c.now)).GetVerdicts()), "group 1 has no second turn")
	require.True(t, n.check(proposed(n.newLot(), "thio", "10", c.now)).GetPasses(), "another lot on the same bench has no history")

	// Moved to another house, and split: the plants are the same.
	_, err := n.stock.CreateHouse(asManager(), &stockv1.CreateHouseRequest{Parent: "nurseries/test", HouseId: "h2", RequestId: id(),
		House: &stockv1.House{DisplayName: "House 2", Area: q("100", "m2")}})
	require.NoError(t, err)
	_, err = n.stock.CreateBench(asManager(), &stockv1.CreateBenchRequest{Parent: name("houses/h2"), BenchId: "b1", RequestId: id(),
		Bench: &stockv1.Bench{DisplayName: "b1", Area: q("12", "m2")}})
	require.NoError(t, err)
	_, err = n.stock.MoveLot(asManager(), &stockv1.MoveLotRequest{Name: lot, Bench: name("houses/h2/benches/b1"), RequestId: id()})
	require.NoError(t, err)
	_, err = n.stock.SplitLot(asManager(), &stockv1.SplitLotRequest{
		Name: lot, NewLotId: "part", Plants: 10, Bench: name("houses/h2/benches/b1"), RequestId: id()})
	require.NoError(t, err)
	for _, moved := range []string{lot, name("lots/part")} {
		application := proposed(moved, "thio", "10", c.now)
		application.Treatments[0].House = name("houses/h2")
		require.NotEmpty(t, refused(n.check(application).GetVerdicts()), moved)
	}
}

func TestABreachIsRecordedCountsAndConfirmsNoStep(t *testing.T) {
	n, c := openNursery(t)
	program := n.start("phyllosticta-leaf-spot", "leaf-spots")
	c.now = day0.Add(2 * time.Hour)
	application := proposed(program.GetLots()[0], "thio", "30", day0)
	request := &treatmentv1.RecordBreachRequest{
		Parent: "nurseries/test", Application: application, Program: program.GetName(), RequestId: id(),
		Note: "mixed for another tank", EndTime: timestamppb.New(day0.Add(time.Hour)),
	}
	_, err := n.treatment.RecordBreach(asWorker(), request)
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
	recorded, err := n.treatment.RecordBreach(asManager(), request)
	require.NoError(t, err)
	n.drain()
	require.Equal(t, name("applications/breach-1"), recorded.GetName())
	require.Equal(t, "mixed for another tank", recorded.GetBreachNote())
	require.Contains(t, refused(recorded.GetVerdicts()), "label-rate-max", "what it broke is kept with it")
	require.Empty(t, recorded.GetStep())
	require.Len(t, n.applied, 1, "it is in the ledger")

	stored, err := n.treatment.GetApplication(asWorker(), &treatmentv1.GetApplicationRequest{Name: recorded.GetName()})
	require.NoError(t, err)
	require.Equal(t, refused(recorded.GetVerdicts()), refused(stored.GetVerdicts()))
	after, err := n.treatment.GetProgram(asWorker(), &treatmentv1.GetProgramRequest{Name: program.GetName()})
	require.NoError(t, err)
	require.Equal(t, program.GetEtag(), after.GetEtag(), "the program stands where it stood")
	require.NotEmpty(t, refused(n.check(proposed(program.GetLots()[0], "thio", "10", day0.AddDate(0, 0, 14))).GetVerdicts()))
}

func TestABreachWithAProductWhoseLabelLacksTheIntervalHasNone(t *testing.T) {
	n, c := openNursery(t)
	_, err := n.products.CreateProduct(asManager(), &productsv1.CreateProductRequest{Parent: "nurseries/test", ProductId: "bare", RequestId: id(),
		Product: &productsv1.Product{
			DisplayName: "bare", RegistrationNumber: "TEST-bare", Form: productsv1.ProductForm_PRODUCT_FORM_SOLID,
			Contents: []*productsv1.Content{{ActiveIngredient: "captan", Amount: q("800", "g/kg")}},
			Directions: []*productsv1.LabelDirection{{Method: productsv1.Method_METHOD_SPRAY,
				DisorderClasses: []diagnosisv1.DisorderClass{diagnosisv1.DisorderClass_DISORDER_CLASS_FUNGUS},
				RateMin:         q("1", "g/L"), RateMax: q("2", "g/L")}},
		}})
	require.NoError(t, err)
	c.now = day0.Add(2 * time.Hour)
	recorded := n.breach(proposed(n.newLot(), "bare", "10", day0))
	require.Nil(t, recorded.GetRestrictedEntryInterval(), "nobody may enter on a guess")
	require.Contains(t, refused(recorded.GetVerdicts()), "label-fact-missing")
}

func TestAManagerAnswersForARuleThatIsOverridden(t *testing.T) {
	n, c := openNursery(t)
	program := n.start("phyllosticta-leaf-spot", "leaf-spots")
	c.now = day0.Add(2 * time.Hour)
	n.breach(proposed(program.GetLots()[0], "tebu", "10", day0))
	n.breach(proposed(program.GetLots()[0], "tebu", "10", day0.Add(time.Hour)))
	c.now = c.now.AddDate(0, 0, 1) // until the house, which stays shut, is aired
	for _, key := range []string{"isolate", "disinfect", "prune"} {
		c.now = c.now.Add(2 * time.Hour)
		_, err := n.confirm(program.GetName(), key+"-1", did(key, c.now))
		require.NoError(t, err)
	}
	c.now = c.now.Add(2 * time.Hour)
	spray := did("systemic", c.now)
	spray.Treatments = applied("tebu", "10")
	_, err := n.confirm(program.GetName(), "systemic-1", spray)
	_, values := rpctest.Refused(t, err, codes.FailedPrecondition, fault.RuleRefuses)
	require.Equal(t, "true", values["overridable"])
	rule := values["rule"]

	spray.Overrides = []*treatmentv1.Override{{Rule: rule, Note: "nothing else in the store, adviser agreed"}}
	_, err = n.confirm(program.GetName(), "systemic-1", spray)
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)

	request := &treatmentv1.ConfirmStepRequest{Name: program.GetName() + "/steps/systemic-1", Confirmation: spray, RequestId: id()}
	response, err := n.treatment.ConfirmStep(asManager(), request)
	require.NoError(t, err)
	stored, err := n.treatment.GetApplication(asWorker(), &treatmentv1.GetApplicationRequest{Name: response.GetApplication()})
	require.NoError(t, err)
	require.Equal(t, rule, stored.GetOverrides()[0].GetRule())
	require.Equal(t, name("people/"+rpctest.Manager.Person), stored.GetOverrides()[0].GetPerson())
	require.Contains(t, refused(stored.GetVerdicts()), rule)
}

func TestTheLabelIsNeverOverridden(t *testing.T) {
	n, c := openNursery(t)
	program := n.start("phyllosticta-leaf-spot", "leaf-spots")
	for _, key := range []string{"isolate", "disinfect", "prune"} {
		c.now = c.now.Add(2 * time.Hour)
		_, err := n.confirm(program.GetName(), key+"-1", did(key, c.now))
		require.NoError(t, err)
	}
	c.now = c.now.Add(2 * time.Hour)
	spray := did("systemic", c.now)
	override := func(grams string) error {
		spray.Treatments = applied("thio", grams)
		spray.Overrides = []*treatmentv1.Override{{Rule: "label-rate-max", Note: "the boss said so"}}
		_, err := n.treatment.ConfirmStep(asManager(), &treatmentv1.ConfirmStepRequest{
			Name: program.GetName() + "/steps/systemic-1", Confirmation: spray, RequestId: id()})
		return err
	}
	message, _ := rpctest.Refused(t, override("21"), codes.FailedPrecondition, fault.RuleRefuses)
	require.Contains(t, message, "nobody may override")
	require.Contains(t, rpctest.RefusedField(t, override("10"), "confirmation.overrides[0].rule"), "does not refuse")
}

func TestAReleaseStatesWhatItsInspectionsShow(t *testing.T) {
	n, _ := openNursery(t)
	past := func(days int) time.Time { return day0.AddDate(0, 0, -days) }
	steps := func(inspections ...*treatmentv1.CompletedStep) []*treatmentv1.CompletedStep {
		return append([]*treatmentv1.CompletedStep{
			completed("isolate", past(60)), completed("disinfect", past(60).Add(2*time.Hour)), completed("prune", past(59)),
			completed("systemic", past(58)), completed("contact", past(44)),
		}, inspections...)
	}
	program := n.start("phyllosticta-leaf-spot", "leaf-spots", steps(completed("inspection", past(28)), completed("inspection", past(10)))...)
	assessment, err := n.treatment.AssessRelease(asWorker(), &treatmentv1.AssessReleaseRequest{Name: program.GetName()})
	require.NoError(t, err)
	require.True(t, assessment.GetSufficient(), "%v", assessment.GetMissing())
	require.EqualValues(t, 50, assessment.GetPlants())
	require.Contains(t, assessment.GetStatement(), "confidence")
	require.NotEmpty(t, assessment.GetCaution())
	require.EqualValues(t, 21, assessment.GetFirstInspectionAfterDays(), "the shortest latent period of Phyllosticta")
	require.EqualValues(t, 42, assessment.GetInspectionsApartDays())
	require.Equal(t, past(16), assessment.GetEarliestTime().AsTime(), "42 days after the systemic spray")
	require.EqualValues(t, 50, assessment.GetLastSampled())
	require.Zero(t, assessment.GetLastAffected())
	require.Zero(t, assessment.GetIncidenceHigh(), "all were looked at, and none had signs")

	response, err := n.confirm(program.GetName(), "release-1", did("release", day0))
	require.NoError(t, err)
	require.Equal(t, assessment.GetStatement(), response.GetRelease().GetStatement())
	events, err := n.treatment.ListProgramEvents(asWorker(), &treatmentv1.ListProgramEventsRequest{Name: program.GetName()})
	require.NoError(t, err)
	require.Equal(t, assessment.GetStatement(), events.GetEvents()[len(events.GetEvents())-1].GetStatement())
}

func TestLotsAreNotReleasedOnAGlance(t *testing.T) {
	n, _ := openNursery(t)
	past := func(days int) time.Time { return day0.AddDate(0, 0, -days) }
	glance := func(days int) *treatmentv1.CompletedStep {
		step := completed("inspection", past(days))
		step.Confirmation.Inspection.PlantsSampled = 5
		return step
	}
	program := n.start("phyllosticta-leaf-spot", "leaf-spots",
		completed("isolate", past(60)), completed("disinfect", past(60).Add(2*time.Hour)), completed("prune", past(59)),
		completed("systemic", past(58)), completed("contact", past(44)), glance(28), glance(10))
	released := did("release", day0)
	_, err := n.confirm(program.GetName(), "release-1", released)
	_, values := rpctest.Refused(t, err, codes.FailedPrecondition, fault.ReleaseUnproven)
	require.Equal(t, "true", values["overridable"])

	// A whole clean inspection with the release is evidence too.
	released.Inspection = &treatmentv1.InspectionCounts{PlantsSampled: 50}
	response, err := n.confirm(program.GetName(), "release-1", released)
	require.NoError(t, err)
	require.True(t, response.GetRelease().GetSufficient())
}

func TestAManagerAnswersForAReleaseWithoutEnoughInspections(t *testing.T) {
	n, _ := openNursery(t)
	past := func(days int) time.Time { return day0.AddDate(0, 0, -days) }
	glance := func(days int) *treatmentv1.CompletedStep {
		step := completed("inspection", past(days))
		step.Confirmation.Inspection.PlantsSampled = 5
		return step
	}
	program := n.start("phyllosticta-leaf-spot", "leaf-spots",
		completed("isolate", past(60)), completed("disinfect", past(60).Add(2*time.Hour)), completed("prune", past(59)),
		completed("systemic", past(58)), completed("contact", past(44)), glance(28), glance(10))
	released := did("release", day0)
	released.Overrides = []*treatmentv1.Override{{Rule: "release-evidence", Note: "sold as seen"}}
	response, err := n.treatment.ConfirmStep(asManager(), &treatmentv1.ConfirmStepRequest{
		Name: program.GetName() + "/steps/release-1", Confirmation: released, RequestId: id()})
	require.NoError(t, err)
	require.False(t, response.GetRelease().GetSufficient())
	require.Equal(t, treatmentv1.ProgramState_PROGRAM_STATE_RELEASED, response.GetProgram().GetState())
}

func TestAConfirmedApplicationTakesFromTheStore(t *testing.T) {
	n, c := openNursery(t)
	_, err := n.products.CreateContainer(asManager(), &productsv1.CreateContainerRequest{
		Parent: name("products/thio"), ContainerId: "c1", RequestId: id(),
		Container: &productsv1.Container{Size: q("1", "kg"), ReceiveDate: date("2026-02-01"), ExpireDate: date("2027-02-01")},
	})
	require.NoError(t, err)
	program := n.start("phyllosticta-leaf-spot", "leaf-spots")
	for _, key := range []string{"isolate", "disinfect", "prune", "systemic"} {
		c.now = c.now.Add(2 * time.Hour)
		_, err := n.confirm(program.GetName(), key+"-1", did(key, c.now))
		require.NoError(t, err)
	}
	n.drain()
	container, err := n.products.GetContainer(asWorker(), &productsv1.GetContainerRequest{Name: name("products/thio/containers/c1")})
	require.NoError(t, err)
	require.Equal(t, "0.99", container.GetRemaining().GetAmount())

	tooMuch := n.check(proposed(program.GetLots()[0], "thio", "20", c.now.AddDate(2, 0, 0)))
	require.Contains(t, refused(tooMuch.GetVerdicts()), "container-expired")
}

func date(day string) *typev1.Date { return &typev1.Date{Value: day} }

func TestSignsAtTheReleaseBeginANewRound(t *testing.T) {
	n, _ := openNursery(t)
	past := func(days int) time.Time { return day0.AddDate(0, 0, -days) }
	program := n.start("phyllosticta-leaf-spot", "leaf-spots",
		completed("isolate", past(60)), completed("disinfect", past(60).Add(2*time.Hour)), completed("prune", past(59)),
		completed("systemic", past(58)), completed("contact", past(44)), completed("inspection", past(28)), completed("inspection", past(10)))
	spotted := did("release", day0)
	spotted.Inspection = &treatmentv1.InspectionCounts{PlantsSampled: 50, PlantsAffected: 1}
	response, err := n.confirm(program.GetName(), "release-1", spotted)
	require.NoError(t, err)
	require.Equal(t, treatmentv1.ProgramState_PROGRAM_STATE_RUNNING, response.GetProgram().GetState())
	require.EqualValues(t, 2, response.GetProgram().GetRound())
	require.Nil(t, response.GetRelease(), "nothing was released")
}
