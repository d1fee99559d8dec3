package treatment_test

import (
	"context"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	productsv1 "velamen/gen/velamen/products/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

const (
	fans  = treatmentv1.AiringDevice_AIRING_DEVICE_FANS
	vents = treatmentv1.AiringDevice_AIRING_DEVICE_VENTS
	shut  = treatmentv1.AiringDevice_AIRING_DEVICE_SHUT
)

// air records that a device ran in house h1; it goes on where the end is zero.
func (n *nursery) air(device treatmentv1.AiringDevice, start, end time.Time) (*treatmentv1.Airing, error) {
	airing := &treatmentv1.Airing{Device: device, StartTime: timestamppb.New(start)}
	if !end.IsZero() {
		airing.EndTime = timestamppb.New(end)
	}
	return n.treatment.RecordAiring(asWorker(), &treatmentv1.RecordAiringRequest{Parent: name("houses/h1"), Airing: airing, RequestId: id()})
}

func TestAiringsThatCannotBeAreRefusedByField(t *testing.T) {
	n, c := openNursery(t)
	_, err := n.air(fans, c.now.Add(-4*time.Hour), c.now.Add(-2*time.Hour))
	require.NoError(t, err)
	for _, test := range []struct {
		name   string
		airing *treatmentv1.Airing
		field  string
	}{
		{"not begun yet", &treatmentv1.Airing{Device: vents, StartTime: timestamppb.New(c.now.Add(time.Hour))}, "airing.start_time"},
		{"over before it began", &treatmentv1.Airing{Device: vents, StartTime: timestamppb.New(c.now), EndTime: timestamppb.New(c.now.Add(-time.Hour))}, "airing.end_time"},
		{"over in the future", &treatmentv1.Airing{Device: vents, StartTime: timestamppb.New(c.now), EndTime: timestamppb.New(c.now.Add(time.Hour))}, "airing.end_time"},
		{"a flow of vents", &treatmentv1.Airing{Device: vents, StartTime: timestamppb.New(c.now), Flow: q("100", "m3/h")}, "airing.flow"},
		{"a flow in another unit", &treatmentv1.Airing{Device: fans, StartTime: timestamppb.New(c.now), Flow: q("100", "m3")}, "airing.flow"},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := n.treatment.RecordAiring(asWorker(), &treatmentv1.RecordAiringRequest{Parent: name("houses/h1"), Airing: test.airing, RequestId: id()})
			rpctest.RefusedField(t, err, test.field)
		})
	}
	for _, device := range []treatmentv1.AiringDevice{fans, shut} {
		_, err = n.air(device, c.now.Add(-3*time.Hour), time.Time{})
		rpctest.Refused(t, err, codes.FailedPrecondition, fault.InvalidField)
	}
	_, err = n.air(vents, c.now.Add(-3*time.Hour), time.Time{})
	require.NoError(t, err, "fans and vents may be on together")
}

func TestAnAiringIsEndedOnceAndVoidedOnceAndStaysInTheHistory(t *testing.T) {
	n, c := openNursery(t)
	first, err := n.air(fans, c.now.Add(-4*time.Hour), time.Time{})
	require.NoError(t, err)
	require.Nil(t, first.GetEndTime())
	end := &treatmentv1.EndAiringRequest{Name: first.GetName(), EndTime: timestamppb.New(c.now.Add(-time.Hour)), RequestId: id()}
	ended, err := n.treatment.EndAiring(asWorker(), end)
	require.NoError(t, err)
	require.Equal(t, c.now.Add(-time.Hour), ended.GetEndTime().AsTime())
	again, err := n.treatment.EndAiring(asWorker(), end)
	require.NoError(t, err, "a retry has the first answer")
	require.Equal(t, ended.GetEndTime().AsTime(), again.GetEndTime().AsTime())
	end.RequestId = id()
	_, err = n.treatment.EndAiring(asWorker(), end)
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.InvalidField)

	void := &treatmentv1.VoidAiringRequest{Name: first.GetName(), Reason: "the fuse had blown", RequestId: id()}
	_, err = n.treatment.VoidAiring(asWorker(), void)
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
	_, err = n.treatment.VoidAiring(asManager(), void)
	require.NoError(t, err)
	void.RequestId = id()
	_, err = n.treatment.VoidAiring(asManager(), void)
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.InvalidField)
	_, err = n.air(fans, c.now.Add(-2*time.Hour), time.Time{})
	require.NoError(t, err, "what was voided stands in nobody's way")

	listed, err := n.treatment.ListAirings(asWorker(), &treatmentv1.ListAiringsRequest{Parent: name("houses/-"), PageSize: 1})
	require.NoError(t, err)
	require.Len(t, listed.GetAirings(), 1)
	rest, err := n.treatment.ListAirings(asWorker(), &treatmentv1.ListAiringsRequest{Parent: name("houses/h1"), PageToken: listed.GetNextPageToken(), PageSize: 1})
	require.Error(t, err, "a token goes with the list that it came from: %v", rest)
	rest, err = n.treatment.ListAirings(asWorker(), &treatmentv1.ListAiringsRequest{Parent: name("houses/-"), PageToken: listed.GetNextPageToken(), PageSize: 1})
	require.NoError(t, err)
	require.Equal(t, "the fuse had blown", rest.GetAirings()[0].GetVoidReason())

	owner, err := pgx.Connect(context.Background(), n.db.OwnerURL)
	require.NoError(t, err)
	defer func() { require.NoError(t, owner.Close(context.Background())) }()
	_, err = owner.Exec(context.Background(), `UPDATE treatment.airing SET device = 'VENTS'`)
	require.ErrorContains(t, err, "written once")
}

func TestWhatWasTurnedOnWhenTheWorkEndedAirsTheHouse(t *testing.T) {
	n, c := openNursery(t)
	lot := n.newLot()
	_, err := n.air(fans, c.now.Add(-5*time.Hour), time.Time{})
	require.NoError(t, err)
	treated := applied("thio", "10")
	treated[0].Airing, treated[0].Form = fans, treatmentv1.ApplicationForm_APPLICATION_FORM_FOG
	n.applyOutside(productsv1.Method_METHOD_SPRAY, c.now, lot, treated)

	listed, err := n.treatment.ListAirings(asWorker(), &treatmentv1.ListAiringsRequest{Parent: name("houses/h1")})
	require.NoError(t, err)
	require.Len(t, listed.GetAirings(), 2)
	require.Equal(t, c.now, listed.GetAirings()[0].GetStartTime().AsTime())
	require.Equal(t, c.now.Add(-time.Hour), listed.GetAirings()[1].GetEndTime().AsTime(), "what ran before counts until the work began")

	require.Contains(t, n.reasonsAt(c.now.Add(2*time.Hour-time.Microsecond)), treatmentv1.ClosureReason_CLOSURE_REASON_NOT_AIRED)
	require.NotContains(t, n.reasonsAt(c.now.Add(2*time.Hour)), treatmentv1.ClosureReason_CLOSURE_REASON_NOT_AIRED, "2 h of fans")
}

func TestFansOfWhichNobodyWroteTheEndDoNotAirTheNextApplication(t *testing.T) {
	n, c := openNursery(t)
	lot := n.newLot()
	_, err := n.air(fans, c.now.Add(-5*time.Hour), time.Time{})
	require.NoError(t, err)
	n.applyOutside(productsv1.Method_METHOD_SPRAY, c.now, lot, applied("thio", "10"))
	require.Contains(t, n.reasonsAt(c.now.Add(23*time.Hour)), treatmentv1.ClosureReason_CLOSURE_REASON_NOT_AIRED)
	require.Empty(t, n.reasonsAt(c.now.Add(24*time.Hour)))
}

func TestWhatIsSaidOfASprayIsRefusedOfABathAndAHeightIsALength(t *testing.T) {
	n, c := openNursery(t)
	program := n.start("phyllosticta-leaf-spot", "leaf-spots")
	const bath, spray = productsv1.Method_METHOD_BATH, productsv1.Method_METHOD_SPRAY
	for _, test := range []struct {
		field  string
		method productsv1.Method
		change func(*treatmentv1.HouseTreatment)
	}{
		{"form", bath, func(h *treatmentv1.HouseTreatment) { h.Form = treatmentv1.ApplicationForm_APPLICATION_FORM_FOG }},
		{"droplets", bath, func(h *treatmentv1.HouseTreatment) {
			h.Droplets = treatmentv1.DropletClass_DROPLET_CLASS_MEDIUM_OR_LARGER
		}},
		{"height", spray, func(h *treatmentv1.HouseTreatment) { h.Height = q("0", "m") }},
		{"height", spray, func(h *treatmentv1.HouseTreatment) { h.Height = q("2", "L") }},
		{"height", spray, func(h *treatmentv1.HouseTreatment) { h.Height = q("100", "m") }},
	} {
		treated := applied("thio", "10")
		test.change(treated[0])
		_, err := n.treatment.RecordBreach(asManager(), &treatmentv1.RecordBreachRequest{
			Parent: "nurseries/test", RequestId: id(), Note: "not planned", EndTime: timestamppb.New(c.now),
			Application: &treatmentv1.ProposedApplication{
				Method: test.method, Disorder: "phyllosticta-leaf-spot", Lots: program.GetLots(),
				StartTime: timestamppb.New(c.now.Add(-time.Hour)), Treatments: treated,
			},
		})
		rpctest.RefusedField(t, err, "application.treatments[0]."+test.field)
	}
}

func TestMeasuredAirOpensAHouseWhereTheLabelGivesALevel(t *testing.T) {
	n, c := openNursery(t)
	lot := n.newLot()
	thio, err := n.products.GetProduct(asManager(), &productsv1.GetProductRequest{Name: name("products/thio")})
	require.NoError(t, err)
	thio.InhalationLimited, thio.InhalationLevel = productsv1.LabelAnswer_LABEL_ANSWER_YES, q("5", "ppm")
	_, err = n.products.UpdateProduct(asManager(), &productsv1.UpdateProductRequest{Product: thio, RequestId: id()})
	require.NoError(t, err)
	made := n.applyOutside(productsv1.Method_METHOD_SPRAY, c.now, lot, applied("thio", "10"))
	week := c.now.AddDate(0, 0, 7)
	require.Contains(t, n.reasonsAt(week), treatmentv1.ClosureReason_CLOSURE_REASON_NOT_AIRED, "no time airs it")

	request := &treatmentv1.RecordAirMeasurementRequest{Parent: name("houses/h1"), RequestId: id(), AirMeasurement: &treatmentv1.AirMeasurement{
		Application: made.GetName(), Product: name("products/manc"), MeasureTime: timestamppb.New(week), Value: q("4", "ppm")}}
	refusedAs := func(field string) {
		t.Helper()
		request.RequestId = id()
		_, err := n.treatment.RecordAirMeasurement(asWorker(), request)
		rpctest.RefusedField(t, err, field)
	}
	c.now = week
	refusedAs("air_measurement.product")
	request.AirMeasurement.Product = name("products/thio")
	request.AirMeasurement.MeasureTime = timestamppb.New(day0.Add(-time.Hour))
	refusedAs("air_measurement.measure_time")
	request.AirMeasurement.MeasureTime, request.AirMeasurement.Value = timestamppb.New(week), q("4", "mg")
	refusedAs("air_measurement.value")
	request.AirMeasurement.Value = q("4", "ppm")
	request.RequestId = id()
	_, err = n.treatment.RecordAirMeasurement(asWorker(), request)
	require.NoError(t, err)
	require.Empty(t, n.reasonsAt(week))
}
