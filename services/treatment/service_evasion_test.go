package treatment_test

import (
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	productsv1 "velamen/gen/velamen/products/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

// second adds a house with an isolation bench.
func (n *nursery) second() {
	n.t.Helper()
	_, err := n.stock.CreateHouse(asManager(), &stockv1.CreateHouseRequest{Parent: "nurseries/test", HouseId: "h2", RequestId: id(),
		House: &stockv1.House{DisplayName: "House 2", Area: q("100", "m2")}})
	require.NoError(n.t, err)
	_, err = n.stock.CreateBench(asManager(), &stockv1.CreateBenchRequest{Parent: name("houses/h2"), BenchId: "iso", RequestId: id(),
		Bench: &stockv1.Bench{DisplayName: "iso", Area: q("12", "m2"), Isolation: true}})
	require.NoError(n.t, err)
}

func (n *nursery) split(from, part string, plants int64, at time.Time) string {
	n.t.Helper()
	request := &stockv1.SplitLotRequest{Name: from, NewLotId: part, Plants: plants, Bench: name("houses/h1/benches/iso"), RequestId: id()}
	if !at.IsZero() {
		request.EventTime = timestamppb.New(at)
	}
	_, err := n.stock.SplitLot(asManager(), request)
	require.NoError(n.t, err)
	return name("lots/" + part)
}

// Who answers for an override is never taken from the request.
func TestAReleaseWithSignsKeepsNoOverrideInAnothersName(t *testing.T) {
	n, _ := openNursery(t)
	past := func(days int) time.Time { return day0.AddDate(0, 0, -days) }
	program := n.start("phyllosticta-leaf-spot", "leaf-spots",
		completed("isolate", past(60)), completed("disinfect", past(60).Add(2*time.Hour)), completed("prune", past(59)),
		completed("systemic", past(58)), completed("contact", past(44)), completed("inspection", past(28)), completed("inspection", past(10)))
	spotted := did("release", day0)
	spotted.Inspection = &treatmentv1.InspectionCounts{PlantsSampled: 50, PlantsAffected: 1}
	spotted.Overrides = []*treatmentv1.Override{{Rule: "release-evidence", Note: "the boss said so", Person: name("people/" + rpctest.Manager.Person)}}
	_, err := n.confirm(program.GetName(), "release-1", spotted)
	rpctest.RefusedField(t, err, "confirmation.overrides")
}

func TestAContainerThatHadNotComeByThatDayIsNotTakenFrom(t *testing.T) {
	n, c := openNursery(t)
	lot := n.newLot()
	c.now = day0.AddDate(0, 0, 10)
	_, err := n.products.CreateContainer(asManager(), &productsv1.CreateContainerRequest{
		Parent: name("products/thio"), ContainerId: "late", RequestId: id(),
		Container: &productsv1.Container{Size: q("1", "kg"), ReceiveDate: date("2026-03-10"), ExpireDate: date("2027-02-01")},
	})
	require.NoError(t, err)
	application := proposed(lot, "thio", "10", day0)
	application.Treatments[0].Products[0].Container = name("products/thio/containers/late")
	require.Contains(t, refused(n.check(application).GetVerdicts()), "container-unknown")
	application.StartTime = timestamppb.New(c.now)
	require.NotContains(t, refused(n.check(application).GetVerdicts()), "container-unknown")
}

func TestALotWithoutPlantsNeitherStandsAgainstALabelNorOnTheRecord(t *testing.T) {
	n, c := openNursery(t)
	lot := n.newLot()
	n.relabel("thio", productsv1.LabelFact_LABEL_FACT_CROPS, func(d *productsv1.LabelDirection) { d.Crops = []string{"orchids"} })
	_, err := n.stock.CreateLot(asManager(), &stockv1.CreateLotRequest{
		Parent: "nurseries/test", LotId: "gone", Plants: 5, Origin: stockv1.LotEventKind_LOT_EVENT_KIND_STARTED, RequestId: id(),
		Lot: &stockv1.Lot{BotanicalName: "Solanum lycopersicum", Bench: name("houses/h1/benches/b1")},
	})
	require.NoError(t, err)
	application := proposed(lot, "thio", "10", day0.Add(2*time.Hour))
	application.Lots = append(application.Lots, name("lots/gone"))
	require.Contains(t, refused(n.check(application).GetVerdicts()), "label-use", "no orchid")

	c.now = day0.Add(time.Hour)
	_, err = n.stock.DisposePlants(asManager(), &stockv1.DisposePlantsRequest{Name: name("lots/gone"), Plants: 5, Note: "blight", RequestId: id()})
	require.NoError(t, err)
	require.Empty(t, refused(n.check(application).GetVerdicts()))
	application.StartTime = timestamppb.New(day0.Add(30 * time.Minute))
	require.Contains(t, refused(n.check(application).GetVerdicts()), "label-use", "its plants were there then")

	application.StartTime = timestamppb.New(day0.Add(2 * time.Hour))
	c.now = day0.Add(4 * time.Hour)
	require.Equal(t, []string{lot}, n.breach(application).GetLots())
}

func TestPlantsSplitOffWhileTheWorkWentOnGotItToo(t *testing.T) {
	n, c := openNursery(t)
	lot := n.newLot()
	c.now = day0.Add(2 * time.Hour)
	n.breach(proposed(lot, "thio", "10", day0)) // one hour
	part := n.split(lot, "part", 10, day0.Add(30*time.Minute))
	require.NotEmpty(t, refused(n.check(proposed(part, "thio", "10", day0.AddDate(0, 0, 14))).GetVerdicts()), "group 1 has no second turn")
}

// What was split off is free when the case ends, so it is part of what is treated
// and of what a release states.
func TestWhatWasSplitOffIsTreatedAndReleasedWithTheRest(t *testing.T) {
	n, c := openNursery(t)
	program := n.start("phyllosticta-leaf-spot", "leaf-spots")
	for _, key := range []string{"isolate", "disinfect", "prune"} {
		c.now = c.now.Add(2 * time.Hour)
		_, err := n.confirm(program.GetName(), key+"-1", did(key, c.now))
		require.NoError(t, err)
		n.drain()
	}
	part := n.split(program.GetLots()[0], "part", 20, time.Time{})
	c.now = c.now.Add(2 * time.Hour)
	response, err := n.confirm(program.GetName(), "systemic-1", did("systemic", c.now))
	require.NoError(t, err)
	application, err := n.treatment.GetApplication(asWorker(), &treatmentv1.GetApplicationRequest{Name: response.GetApplication()})
	require.NoError(t, err)
	require.Equal(t, []string{program.GetLots()[0], part}, application.GetLots())

	assessment, err := n.treatment.AssessRelease(asWorker(), &treatmentv1.AssessReleaseRequest{Name: program.GetName()})
	require.NoError(t, err)
	require.EqualValues(t, 50, assessment.GetPlants())
}

func TestARatePerPotNeedsTheNumberOfPots(t *testing.T) {
	n, c := openNursery(t)
	product, err := n.products.GetProduct(asManager(), &productsv1.GetProductRequest{Name: name("products/thio")})
	require.NoError(t, err)
	product.Name, product.RegistrationNumber, product.DisplayName = "", "TEST-pot", "pot"
	product.Directions = product.GetDirections()[:1]
	product.Directions[0].RateMin, product.Directions[0].RateMax = q("0.1", "g/pot"), q("0.2", "g/pot")
	_, err = n.products.CreateProduct(asManager(), &productsv1.CreateProductRequest{Parent: "nurseries/test", ProductId: "pot", Product: product, RequestId: id()})
	require.NoError(t, err)
	program := n.pruned(c)
	c.now = c.now.Add(2 * time.Hour)
	spray := did("systemic", c.now)
	spray.Treatments = applied("pot", "10")
	_, err = n.confirm(program, "systemic-1", spray)
	message, _ := rpctest.Refused(t, err, codes.FailedPrecondition, fault.LabelRateExceeded)
	require.Contains(t, message, "confirmation.treatments[0].plants")
	spray.Treatments[0].Plants = 49
	_, err = n.confirm(program, "systemic-1", spray)
	message, _ = rpctest.Refused(t, err, codes.FailedPrecondition, fault.LabelRateExceeded)
	require.Contains(t, message, "at most 9.8 g")
	spray.Treatments[0].Plants = 50
	_, err = n.confirm(program, "systemic-1", spray)
	require.NoError(t, err)
}

// A lot that stood in none of the houses treated got the most that any of them
// got, not the sum of all.
func TestALotFromElsewhereGotWhatOneHouseGot(t *testing.T) {
	n, c := openNursery(t)
	n.second()
	lot := n.newLot()
	n.relabel("thio", productsv1.LabelFact_LABEL_FACT_MAX_ACTIVE_PER_YEAR, func(d *productsv1.LabelDirection) {
		d.ActiveLimits = []*productsv1.ActiveLimit{{ActiveIngredient: "thiophanate-methyl", MostPerYear: q("0.5", "g/m2")}}
	})
	_, err := n.stock.CreateHouse(asManager(), &stockv1.CreateHouseRequest{Parent: "nurseries/test", HouseId: "h3", RequestId: id(),
		House: &stockv1.House{DisplayName: "House 3", Area: q("100", "m2")}})
	require.NoError(t, err)
	application := proposed(lot, "thio", "10", day0)
	application.Treatments = append(applied("thio", "5"), applied("thio", "4.9")...)
	application.Treatments[0].House, application.Treatments[1].House = name("houses/h2"), name("houses/h3")
	c.now = day0.Add(2 * time.Hour)
	n.breach(application)
	later := n.check(proposed(lot, "thio", "6", day0.AddDate(0, 0, 200)))
	require.NotContains(t, refused(later.GetVerdicts()), "label-max-active-per-year", "0.21 and 0.25 g/m2")
}

// relabel changes every direction on the label of a product.
func (n *nursery) relabel(product string, entered productsv1.LabelFact, change func(*productsv1.LabelDirection)) {
	n.t.Helper()
	stored, err := n.products.GetProduct(asManager(), &productsv1.GetProductRequest{Name: name("products/" + product)})
	require.NoError(n.t, err)
	for _, direction := range stored.GetDirections() {
		direction.SilentOn = slices.DeleteFunc(direction.GetSilentOn(), func(fact productsv1.LabelFact) bool { return fact == entered })
		change(direction)
	}
	_, err = n.products.UpdateProduct(asManager(), &productsv1.UpdateProductRequest{Product: stored, RequestId: id()})
	require.NoError(n.t, err)
}

// One of two applications that are made at once is held to the other.
func TestAnApplicationAndABreachAtOnceSeeEachOther(t *testing.T) {
	n, c := openNursery(t)
	n.relabel("thio", productsv1.LabelFact_LABEL_FACT_MIN_INTERVAL, func(d *productsv1.LabelDirection) { d.MinIntervalDays = 14 })
	program := n.pruned(c)
	read, err := n.treatment.GetProgram(asWorker(), &treatmentv1.GetProgramRequest{Name: program})
	require.NoError(t, err)
	c.now = c.now.Add(2 * time.Hour)
	breach := &treatmentv1.RecordBreachRequest{
		Parent: "nurseries/test", Application: proposed(read.GetLots()[0], "thio", "10", c.now.Add(-time.Hour)),
		Note: "sprayed before anybody asked", RequestId: id(), EndTime: timestamppb.New(c.now),
	}
	var both sync.WaitGroup
	var recorded *treatmentv1.Application
	var confirmed, recording error
	both.Go(func() { _, confirmed = n.confirm(program, "systemic-1", did("systemic", c.now)) })
	both.Go(func() { recorded, recording = n.treatment.RecordBreach(asManager(), breach) })
	both.Wait()
	require.NoError(t, recording)
	if confirmed == nil {
		require.Contains(t, refused(recorded.GetVerdicts()), "label-min-interval", "it came second")
		return
	}
	rpctest.Refused(t, confirmed, codes.FailedPrecondition, fault.RuleRefuses)
}
