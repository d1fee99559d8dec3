package treatment_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	productsv1 "velamen/gen/velamen/products/v1"
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
