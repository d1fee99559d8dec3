package treatment_test

import (
	"context"
	"slices"
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
	"velamen/services/treatment"
)

// boardAt returns how house h1 stands at a moment, which becomes the present.
func (n *nursery) boardAt(moment time.Time) *treatmentv1.HouseStanding {
	n.t.Helper()
	n.clock.now = moment
	board, err := n.treatment.ListClosures(asWorker(), &treatmentv1.ListClosuresRequest{Parent: "nurseries/test", House: name("houses/h1")})
	require.NoError(n.t, err)
	require.Equal(n.t, treatment.Caution, board.GetCaution())
	require.Equal(n.t, moment, board.GetAsOfTime().AsTime())
	require.Len(n.t, board.GetHouses(), 1)
	require.Equal(n.t, len(board.GetHouses()[0].GetClosures()) == 0, board.GetHouses()[0].GetOpen())
	return board.GetHouses()[0]
}

func (n *nursery) reasonsAt(moment time.Time) []treatmentv1.ClosureReason {
	n.t.Helper()
	was := n.clock.now
	defer func() { n.clock.now = was }()
	var reasons []treatmentv1.ClosureReason
	for _, closure := range n.boardAt(moment).GetClosures() {
		reasons = append(reasons, closure.GetReason())
	}
	return reasons
}

// lotOn adds a bench and a lot on it.
func (n *nursery) lotOn(bench string) string {
	n.t.Helper()
	_, err := n.stock.CreateBench(asManager(), &stockv1.CreateBenchRequest{Parent: name("houses/h1"), BenchId: bench, RequestId: id(),
		Bench: &stockv1.Bench{DisplayName: bench, Area: q("12", "m2")}})
	require.NoError(n.t, err)
	lot, err := n.stock.CreateLot(asManager(), &stockv1.CreateLotRequest{
		Parent: "nurseries/test", LotId: "on-" + bench, Plants: 50, Origin: stockv1.LotEventKind_LOT_EVENT_KIND_STARTED, RequestId: id(),
		Lot: &stockv1.Lot{BotanicalName: "Phalaenopsis amabilis", Bench: name("houses/h1/benches/" + bench)},
	})
	require.NoError(n.t, err)
	return lot.GetName()
}

func TestTheBoardSaysWhichBenchesAreClosedUntilWhenAndWhy(t *testing.T) {
	n, c := openNursery(t)
	lot := n.newLot()
	begun := c.now
	c.now = begun.Add(time.Hour)
	made := n.applyOutside(productsv1.Method_METHOD_BATH, begun.Add(time.Hour), lot, applied("thio", "10"))
	standing := n.boardAt(begun.Add(2 * time.Hour))
	require.Len(t, standing.GetClosures(), 1)
	closure := standing.GetClosures()[0]
	require.Equal(t, made.GetName(), closure.GetApplication())
	require.Equal(t, treatmentv1.ClosureReason_CLOSURE_REASON_INTERVAL, closure.GetReason())
	require.Equal(t, treatmentv1.ClosedExtent_CLOSED_EXTENT_TREATED_AREA, closure.GetExtent())
	require.Equal(t, []string{name("houses/h1/benches/b1")}, closure.GetBenches())
	require.Equal(t, begun.Add(13*time.Hour), closure.GetEndTime().AsTime())
	require.Equal(t, begun.Add(13*time.Hour), standing.GetOpenTime().AsTime())
	require.Contains(t, closure.GetMessage(), "12 h")
	require.NotEmpty(t, closure.GetSource())
	require.True(t, n.boardAt(begun.Add(13*time.Hour)).GetOpen())
}

func TestAMissingIntervalClosesUntilTheLabelSaysIt(t *testing.T) {
	n, c := openNursery(t)
	lot := n.newLot()
	thio, err := n.products.GetProduct(asManager(), &productsv1.GetProductRequest{Name: name("products/thio")})
	require.NoError(t, err)
	for _, direction := range thio.GetDirections() {
		direction.RestrictedEntryInterval = nil
	}
	thio, err = n.products.UpdateProduct(asManager(), &productsv1.UpdateProductRequest{Product: thio, RequestId: id()})
	require.NoError(t, err)
	n.applyOutside(productsv1.Method_METHOD_BATH, c.now, lot, applied("thio", "10"))
	year := c.now.AddDate(1, 0, 0)
	standing := n.boardAt(year)
	require.False(t, standing.GetOpen(), "no time opens what nobody knows")
	require.Nil(t, standing.GetOpenTime())
	require.Contains(t, standing.GetClosures()[0].GetMissing(), "the restricted-entry interval of thio")

	for _, direction := range thio.GetDirections() {
		direction.RestrictedEntryInterval = q("24", "h")
	}
	_, err = n.products.UpdateProduct(asManager(), &productsv1.UpdateProductRequest{Product: thio, RequestId: id()})
	require.NoError(t, err)
	require.True(t, n.boardAt(year).GetOpen())
}

func TestNobodyIsConfirmedToHaveWorkedWhereItWasClosed(t *testing.T) {
	n, c := openNursery(t)
	program := n.start("phyllosticta-leaf-spot", "leaf-spots")
	other := n.newLot()
	c.now = day0.Add(time.Hour)
	made := n.applyOutside(productsv1.Method_METHOD_BATH, c.now, other, applied("thio", "10"))
	c.now = day0.Add(13*time.Hour - time.Minute)
	_, err := n.confirm(program.GetName(), "isolate-1", did("isolate", c.now))
	_, values := rpctest.Refused(t, err, codes.FailedPrecondition, fault.HouseClosed)
	require.Equal(t, name("houses/h1"), values["house"])
	require.Equal(t, made.GetName(), values["application"])
	require.Equal(t, day0.Add(13*time.Hour).Format(time.RFC3339), values["until"])
	c.now = day0.Add(14 * time.Hour)
	_, err = n.confirm(program.GetName(), "isolate-1", did("isolate", c.now))
	require.NoError(t, err, "the hour from the end of the interval")
}

func TestWorkOnABenchThatWasNotTreatedGoesOnBesideABath(t *testing.T) {
	n, c := openNursery(t)
	program := n.start("phyllosticta-leaf-spot", "leaf-spots")
	beside := n.lotOn("b9")
	c.now = day0.Add(time.Hour)
	n.applyOutside(productsv1.Method_METHOD_BATH, c.now, beside, applied("thio", "10"))
	c.now = day0.Add(3 * time.Hour)
	_, err := n.confirm(program.GetName(), "isolate-1", did("isolate", c.now))
	require.NoError(t, err)

	// More than the bench was treated: where it ends is not known.
	treated := applied("manc", "10")
	treated[0].Area = q("13", "m2")
	n.applyOutside(productsv1.Method_METHOD_BATH, c.now, beside, treated)
	c.now = day0.Add(6 * time.Hour)
	_, err = n.confirm(program.GetName(), "disinfect-1", did("disinfect", c.now))
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.HouseClosed)
}

func TestWhoAppliesIsNotKeptOutOfAClosedHouse(t *testing.T) {
	n, c := openNursery(t)
	program := n.start("phyllosticta-leaf-spot", "leaf-spots",
		completed("isolate", day0.Add(-6*time.Hour)), completed("disinfect", day0.Add(-4*time.Hour)), completed("prune", day0.Add(-2*time.Hour)))
	c.now = day0.Add(time.Hour)
	n.applyOutside(productsv1.Method_METHOD_BATH, c.now, n.newLot(), applied("manc", "10"))
	c.now = day0.Add(3 * time.Hour)
	_, err := n.confirm(program.GetName(), "systemic-1", did("systemic", c.now))
	require.NoError(t, err, "closed to all but trained and equipped handlers (40 CFR 170.405)")
}

func TestABoardIsSentAtOnceAndAgainWhenSomethingIsRecorded(t *testing.T) {
	n, c := openNursery(t)
	lot := n.newLot()
	ctx, stop := context.WithTimeout(rpctest.As(context.Background(), rpctest.Worker), time.Minute)
	defer stop()
	stream, err := n.treatment.WatchClosures(ctx, &treatmentv1.WatchClosuresRequest{Parent: "nurseries/test"})
	require.NoError(t, err)
	first, err := stream.Recv()
	require.NoError(t, err)
	require.True(t, first.GetBoard().GetHouses()[0].GetOpen())
	n.applyOutside(productsv1.Method_METHOD_SPRAY, c.now, lot, applied("thio", "10"))
	second, err := stream.Recv()
	require.NoError(t, err)
	require.False(t, second.GetBoard().GetHouses()[0].GetOpen())
	_, err = n.treatment.RecordAiring(asWorker(), &treatmentv1.RecordAiringRequest{Parent: name("houses/h1"), RequestId: id(),
		Airing: &treatmentv1.Airing{Device: vents, StartTime: timestamppb.New(c.now)}})
	require.NoError(t, err)
	third, err := stream.Recv()
	require.NoError(t, err)
	require.False(t, third.GetBoard().GetHouses()[0].GetOpen())
}

func TestThePlannersLearnOfWhateverChangesWhatIsClosed(t *testing.T) {
	n, c := openGreenhouse(t)
	n.label("half", "12")
	c.now = day0
	made := n.sprayed("half", "g1", day0)
	told := func(changes int) {
		t.Helper()
		require.NoError(t, n.outbox.Drain(context.Background()))
		require.Len(t, n.told, changes)
		for _, house := range n.told {
			require.Equal(t, name("houses/g1"), house)
		}
	}
	told(0)
	record := &treatmentv1.RecordAiringRequest{Parent: name("houses/g1"), RequestId: id(), Airing: &treatmentv1.Airing{Device: vents, StartTime: timestamppb.New(day0)}}
	airing, err := n.treatment.RecordAiring(asWorker(), record)
	require.NoError(t, err)
	told(1)
	_, err = n.treatment.RecordAiring(asWorker(), record)
	require.NoError(t, err)
	told(1)
	c.now = day0.Add(time.Hour)
	_, err = n.treatment.EndAiring(asWorker(), &treatmentv1.EndAiringRequest{Name: airing.GetName(), EndTime: timestamppb.New(c.now), RequestId: id()})
	require.NoError(t, err)
	told(2)
	_, err = n.treatment.VoidAiring(asManager(), &treatmentv1.VoidAiringRequest{Name: airing.GetName(), Reason: "they were stuck", RequestId: id()})
	require.NoError(t, err)
	told(3)
	_, err = n.treatment.RecordAirMeasurement(asWorker(), &treatmentv1.RecordAirMeasurementRequest{Parent: name("houses/g1"), RequestId: id(), AirMeasurement: &treatmentv1.AirMeasurement{
		Application: made.GetName(), Product: name("products/half"), MeasureTime: timestamppb.New(c.now), Value: q("0.1", "ppm"),
	}})
	require.NoError(t, err)
	told(4)
	_, err = n.give(noticeOf(made, "g1", "signs-up"), day0.Add(-2*time.Hour))
	require.NoError(t, err)
	told(5)
	_, err = n.give(noticeOf(made, "g1", "displayed"), c.now)
	require.NoError(t, err)
	told(5)
	c.now = day0.Add(13 * time.Hour)
	_, err = n.give(noticeOf(made, "g1", "signs-down"), c.now)
	require.NoError(t, err)
	told(6)
}

func TestAWatchedBoardFollowsTheSignsAndWhoIsInside(t *testing.T) {
	n, c := openGreenhouse(t)
	n.label("half", "12")
	c.now = day0
	made := n.sprayed("half", "g1", day0)
	ctx, stop := context.WithTimeout(rpctest.As(context.Background(), rpctest.Worker), time.Minute)
	defer stop()
	stream, err := n.treatment.WatchClosures(ctx, &treatmentv1.WatchClosuresRequest{Parent: "nurseries/test"})
	require.NoError(t, err)
	next := func() *treatmentv1.HouseStanding {
		t.Helper()
		sent, err := stream.Recv()
		require.NoError(t, err)
		for _, house := range sent.GetBoard().GetHouses() {
			if house.GetHouse() == name("houses/g1") {
				return house
			}
		}
		require.Fail(t, "the house is not on the board")
		return nil
	}
	signs := func(house *treatmentv1.HouseStanding) bool {
		return slices.ContainsFunc(house.GetClosures(), func(closure *treatmentv1.Closure) bool {
			return closure.GetReason() == treatmentv1.ClosureReason_CLOSURE_REASON_SIGNS
		})
	}
	require.False(t, signs(next()))
	_, err = n.give(noticeOf(made, "g1", "signs-up"), day0.Add(-2*time.Hour))
	require.NoError(t, err)
	require.True(t, signs(next()))
	n.qualify("wandile", "HANDLER_TRAINING", "2026-01-05")
	n.qualify("wandile", "FULL_AGE", "2020-01-05")
	entered, err := n.enter(asWorker(), &treatmentv1.HouseEntry{Kind: handler, Purpose: "open the vents", ProtectiveEquipment: "as the label says", StartTime: timestamppb.New(day0)})
	require.NoError(t, err)
	require.Len(t, next().GetInside(), 1)
	_, err = n.treatment.EndEntry(asWorker(), &treatmentv1.EndEntryRequest{Name: entered.GetName(), EndTime: timestamppb.New(c.now), RequestId: id()})
	require.NoError(t, err)
	require.Empty(t, next().GetInside())
}
