package treatment_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

func optionNames(options []*treatmentv1.ProductOption) []string {
	var names []string
	for _, option := range options {
		names = append(names, option.GetDisplayName())
	}
	return names
}

// pruned is a program whose systemic spray is open, and the moment.
func (n *nursery) pruned(c *movable) string {
	n.t.Helper()
	program := n.start("phyllosticta-leaf-spot", "leaf-spots").GetName()
	for _, key := range []string{"isolate", "disinfect", "prune"} {
		c.now = c.now.Add(2 * time.Hour)
		_, err := n.confirm(program, key+"-1", did(key, c.now))
		require.NoError(n.t, err)
	}
	n.drain()
	return program
}

func TestProductsAreProposedForAStepAndLosersSayWhy(t *testing.T) {
	n, c := openNursery(t)
	program := n.pruned(c)
	response, err := n.treatment.ProposeProducts(asWorker(), &treatmentv1.ProposeProductsRequest{
		Name: program + "/steps/systemic-1", MixVolume: q("10", "L")})
	require.NoError(t, err)
	require.NotEmpty(t, response.GetCaution())
	require.Equal(t, []string{"thio", "tebu"}, optionNames(response.GetProposed()), "in the order of the template's candidates")
	best := response.GetProposed()[0]
	require.EqualValues(t, 1, best.GetRank())
	require.Equal(t, "20", best.GetAmount().GetAmount(), "10 L at 2 g/L")
	require.Equal(t, "12", best.GetRestrictedEntryInterval().GetAmount())
	require.NotEmpty(t, best.GetReasons())
	require.Equal(t, []string{"rest", "fose", "manc"}, optionNames(response.GetLost()), "no certificate; wrong class, no candidate")
	for _, lost := range response.GetLost() {
		require.NotEmpty(t, lost.GetReasons(), lost.GetDisplayName())
	}
	require.Contains(t, response.GetToBuy(), "boscalid")
}

func TestWhatIsProposedCanBeConfirmed(t *testing.T) {
	n, c := openNursery(t)
	program := n.pruned(c)
	response, err := n.treatment.ProposeProducts(asWorker(), &treatmentv1.ProposeProductsRequest{
		Name: program + "/steps/systemic-1", Area: q("12", "m2"), MixVolume: q("10", "L")})
	require.NoError(t, err)
	spray := did("systemic", c.now.Add(time.Hour))
	c.now = c.now.Add(time.Hour)
	spray.Treatments[0].Products[0].Product = response.GetProposed()[0].GetProduct()
	spray.Treatments[0].Products[0].Amount = response.GetProposed()[0].GetAmount()
	_, err = n.confirm(program, "systemic-1", spray)
	require.NoError(t, err)
}

func TestNothingIsProposedForAStepThatAppliesNoChemical(t *testing.T) {
	n, _ := openNursery(t)
	program := n.start("phyllosticta-leaf-spot", "leaf-spots").GetName()
	_, err := n.treatment.ProposeProducts(asWorker(), &treatmentv1.ProposeProductsRequest{Name: program + "/steps/isolate-1"})
	rpctest.RefusedField(t, err, "name")
	_, err = n.treatment.ProposeProducts(asWorker(), &treatmentv1.ProposeProductsRequest{Name: program + "/steps/contact-1"})
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.StepNotOpen)
}

func TestARotationIsLaidOutForAHouseOrItsConflictNamed(t *testing.T) {
	n, _ := openNursery(t)
	n.newLot()
	request := &treatmentv1.PlanRotationRequest{
		House: name("houses/h1"), FromDate: date("2026-04-01"), ToDate: date("2026-06-30"), IntervalDays: 14,
		Disorder: "phyllosticta-leaf-spot", Method: productsv1.Method_METHOD_SPRAY,
	}
	plan, err := n.treatment.PlanRotation(asManager(), request)
	require.NoError(t, err)
	require.Len(t, plan.GetApplications(), 7)
	require.Equal(t, "2026-04-01", plan.GetApplications()[0].GetDate().GetValue())
	require.Empty(t, plan.GetConflict())

	request.Products = []string{name("products/thio")}
	plan, err = n.treatment.PlanRotation(asManager(), request)
	require.NoError(t, err)
	require.Empty(t, plan.GetApplications())
	require.NotEmpty(t, plan.GetConflict())
	for _, limit := range plan.GetConflict() {
		require.NotEmpty(t, limit.GetMessage())
		require.NotEmpty(t, limit.GetSource())
	}

	request.FromDate = date("2026-07-01")
	_, err = n.treatment.PlanRotation(asManager(), request)
	require.Error(t, err, "the last day comes before the first")
}

func TestARotationThatCannotBePlannedIsRefusedByField(t *testing.T) {
	n, c := openNursery(t)
	n.newLot()
	today := c.now.In(time.UTC)
	asked := func(change func(*treatmentv1.PlanRotationRequest)) error {
		request := &treatmentv1.PlanRotationRequest{
			House: name("houses/h1"), FromDate: date(today.AddDate(0, 0, 2).Format(time.DateOnly)),
			ToDate: date(today.AddDate(0, 0, 60).Format(time.DateOnly)), IntervalDays: 14,
			Disorder: "phyllosticta-leaf-spot", Method: productsv1.Method_METHOD_SPRAY,
		}
		change(request)
		_, err := n.treatment.PlanRotation(asManager(), request)
		return err
	}
	require.NoError(t, asked(func(*treatmentv1.PlanRotationRequest) {}))
	rpctest.RefusedField(t, asked(func(r *treatmentv1.PlanRotationRequest) {
		r.FromDate = date(today.AddDate(0, 0, -2).Format(time.DateOnly))
	}), "from_date")
	rpctest.RefusedField(t, asked(func(r *treatmentv1.PlanRotationRequest) {
		r.ToDate = date(today.AddDate(3, 0, 0).Format(time.DateOnly))
	}), "to_date")
	err := asked(func(r *treatmentv1.PlanRotationRequest) {
		r.Products = []string{name("products/thio"), name("products/none"), name("products/nor-this")}
	})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	require.ErrorContains(t, err, name("products/none"))
}

func TestTheFirstDayOfARotationMayBeTodayInTheNurserysZone(t *testing.T) {
	n, c := openNursery(t)
	n.newLot()
	zone, err := time.LoadLocation("Africa/Johannesburg")
	require.NoError(t, err)
	// An hour after midnight there, so that in UTC it is still the day before.
	year, month, day := c.now.In(zone).Date()
	c.now = time.Date(year, month, day+1, 1, 0, 0, 0, zone)
	today := c.now.In(zone).Format(time.DateOnly)
	request := &treatmentv1.PlanRotationRequest{
		House: name("houses/h1"), FromDate: date(today), ToDate: date(today), IntervalDays: 14,
		Disorder: "phyllosticta-leaf-spot", Method: productsv1.Method_METHOD_SPRAY,
	}
	_, err = n.treatment.PlanRotation(asManager(), request)
	require.NoError(t, err)
	request.FromDate = date(c.now.In(zone).AddDate(0, 0, -1).Format(time.DateOnly))
	_, err = n.treatment.PlanRotation(asManager(), request)
	rpctest.RefusedField(t, err, "from_date")
}

func TestAMixSheetIsWorkedOutFromTheLabel(t *testing.T) {
	n, _ := openNursery(t)
	request := &treatmentv1.CalculateMixRequest{
		Parent: "nurseries/test", Method: productsv1.Method_METHOD_SPRAY, Disorder: "phyllosticta-leaf-spot",
		Products: []*treatmentv1.MixProduct{{Product: name("products/thio"), Rate: q("1", "g/L")}},
		Volume:   q("25", "L"), TankVolume: q("10", "L"),
	}
	sheet, err := n.treatment.CalculateMix(asWorker(), request)
	require.NoError(t, err)
	require.Equal(t, "25", sheet.GetTotalVolume().GetAmount())
	require.Equal(t, "12", sheet.GetRestrictedEntryInterval().GetAmount())
	require.Contains(t, sheet.GetText(), "label")
	require.NotEmpty(t, sheet.GetSteps())
	var volume int64
	for _, load := range sheet.GetLoads() {
		volume += load.GetTimes()
		require.Len(t, load.GetProducts(), 1)
	}
	require.EqualValues(t, 3, volume, "three fillings of a 10 L tank")

	request.Products[0].Rate = q("3", "g/L")
	_, err = n.treatment.CalculateMix(asWorker(), request)
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.LabelRateExceeded)
	request.Products[0].Rate = q("1", "mL/L")
	_, err = n.treatment.CalculateMix(asWorker(), request)
	rpctest.RefusedField(t, err, "products[0].rate")
	request.Products[0] = &treatmentv1.MixProduct{Product: name("products/fose")}
	_, err = n.treatment.CalculateMix(asWorker(), request)
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.LabelUseNotListed)
}

func TestASprayerIsCalibratedFromACatchTest(t *testing.T) {
	n, _ := openNursery(t)
	response, err := n.treatment.CalibrateSprayer(asWorker(), &treatmentv1.CalibrateSprayerRequest{
		Parent: "nurseries/test", Speed: q("6", "km/h"), Swath: q("0.5", "m"), NewNozzleOutput: q("1.2", "L/min"),
		Nozzles: []*treatmentv1.CatchTest{{Caught: q("600", "mL"), Duration: q("30", "s")}},
	})
	require.NoError(t, err)
	require.Equal(t, "240", response.GetVolumeRate().GetAmount())
	require.False(t, response.GetNozzles()[0].GetReplace())

	_, err = n.treatment.CalibrateSprayer(asWorker(), &treatmentv1.CalibrateSprayerRequest{
		Parent: "nurseries/test", Speed: q("6", "km/h"), Swath: q("0.5", "L"),
		Nozzles: []*treatmentv1.CatchTest{{Caught: q("600", "mL"), Duration: q("30", "s")}},
	})
	rpctest.RefusedField(t, err, "swath")
}

func TestATimeThatIsNoneIsRefused(t *testing.T) {
	n, c := openNursery(t)
	program := n.pruned(c)
	_, err := n.treatment.ProposeProducts(asWorker(), &treatmentv1.ProposeProductsRequest{
		Name: program + "/steps/systemic-1", StartTime: &timestamppb.Timestamp{Nanos: -1}})
	rpctest.RefusedField(t, err, "start_time")
}

func TestNoSheetIsPrintedForAMixThatNoApplicationPassesWith(t *testing.T) {
	n, _ := openNursery(t)
	n.addProduct("lime", "lime-sulphur", []diagnosisv1.DisorderClass{diagnosisv1.DisorderClass_DISORDER_CLASS_FUNGUS}, false)
	n.addProduct("phos", "phosphorous-acid", []diagnosisv1.DisorderClass{diagnosisv1.DisorderClass_DISORDER_CLASS_FUNGUS}, false)
	n.addProduct("oil", "paraffinic-oil", []diagnosisv1.DisorderClass{diagnosisv1.DisorderClass_DISORDER_CLASS_FUNGUS}, false)
	mix := func(products ...string) (*treatmentv1.MixSheet, error) {
		request := &treatmentv1.CalculateMixRequest{
			Parent: "nurseries/test", Method: productsv1.Method_METHOD_SPRAY, Disorder: "phyllosticta-leaf-spot", Volume: q("10", "L"),
		}
		for _, product := range products {
			request.Products = append(request.Products, &treatmentv1.MixProduct{Product: name("products/" + product), Rate: q("1", "g/L")})
		}
		return n.treatment.CalculateMix(asWorker(), request)
	}
	_, err := mix("lime", "phos")
	message, values := rpctest.Refused(t, err, codes.FailedPrecondition, fault.RuleRefuses)
	require.Equal(t, "mix-lime-sulphur-acid", values["rule"], message)

	sheet, err := mix("tebu", "oil")
	require.NoError(t, err)
	require.NotEmpty(t, sheet.GetToMind(), "a DMI with oil raises the risk of injury")
	require.Contains(t, sheet.GetText(), "MIND")

	restricted, err := mix("rest")
	require.NoError(t, err)
	require.Contains(t, strings.Join(restricted.GetToMind(), " "), "certified applicators only")
}

func TestTheFansOfAHouseStandOnItsMixSheet(t *testing.T) {
	n, _ := openNursery(t)
	_, err := n.stock.CreateHouse(asManager(), &stockv1.CreateHouseRequest{Parent: "nurseries/test", HouseId: "h3", RequestId: id(),
		House: &stockv1.House{DisplayName: "House 3", Area: q("100", "m2"), Volume: q("500", "m3"), FanCapacity: q("24000", "m3/h")}})
	require.NoError(t, err)
	sheet, err := n.treatment.CalculateMix(asWorker(), &treatmentv1.CalculateMixRequest{
		Parent: "nurseries/test", Method: productsv1.Method_METHOD_SPRAY, Disorder: "phyllosticta-leaf-spot", Volume: q("10", "L"),
		House: name("houses/h3"), Products: []*treatmentv1.MixProduct{{Product: name("products/thio")}},
	})
	require.NoError(t, err)
	require.Contains(t, strings.Join(sheet.GetNotes(), " "), "10 times in 12.5 min")
}

func TestAnApplicationIsHeldToTheBooks(t *testing.T) {
	n, _ := openNursery(t)
	lot := n.newLot()
	for _, test := range []struct {
		name, rule string
		change     func(*treatmentv1.HouseTreatment)
	}{
		{"an area above the house's", "area-of-house", func(h *treatmentv1.HouseTreatment) { h.Area = q("401", "m2") }},
		{"more plants than there are", "plants-of-lots", func(h *treatmentv1.HouseTreatment) { h.Plants = 51 }},
	} {
		t.Run(test.name, func(t *testing.T) {
			application := proposed(lot, "thio", "10", day0)
			test.change(application.GetTreatments()[0])
			require.Contains(t, refused(n.check(application).GetVerdicts()), test.rule)
		})
	}
}

func TestNobodyLooksAtMorePlantsThanThereAre(t *testing.T) {
	n, _ := openNursery(t)
	past := func(days int) time.Time { return day0.AddDate(0, 0, -days) }
	program := n.start("phyllosticta-leaf-spot", "leaf-spots",
		completed("isolate", past(60)), completed("disinfect", past(60).Add(2*time.Hour)), completed("prune", past(59)),
		completed("systemic", past(58)), completed("contact", past(44))).GetName()
	inspection := did("inspection", day0)
	inspection.Inspection.PlantsSampled = 51
	_, err := n.confirm(program, "inspection-1", inspection)
	require.Contains(t, rpctest.RefusedField(t, err, "confirmation.inspection.plants_sampled"), "50 plants")
}
