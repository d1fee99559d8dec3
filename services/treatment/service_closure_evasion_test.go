package treatment_test

import (
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
	"velamen/services/treatment/entry"
)

// awayFrom adds a second house, h2, with benches far and other.
func (n *nursery) awayFrom() {
	n.t.Helper()
	_, err := n.stock.CreateHouse(asManager(), &stockv1.CreateHouseRequest{Parent: "nurseries/test", HouseId: "h2", RequestId: id(),
		House: &stockv1.House{DisplayName: "House 2", Area: q("400", "m2")}})
	require.NoError(n.t, err)
	for _, bench := range []string{"far", "other"} {
		_, err = n.stock.CreateBench(asManager(), &stockv1.CreateBenchRequest{Parent: name("houses/h2"), BenchId: bench, RequestId: id(),
			Bench: &stockv1.Bench{DisplayName: bench, Area: q("12", "m2")}})
		require.NoError(n.t, err)
	}
}

// splitOff moves plants of a lot into a new one on a bench and returns its id.
func (n *nursery) splitOff(lot, into, bench string, plants int64) string {
	n.t.Helper()
	n.clock.now = n.clock.now.Add(time.Minute)
	_, err := n.stock.SplitLot(asManager(), &stockv1.SplitLotRequest{Name: lot, NewLotId: into, Plants: plants, Bench: name(bench), RequestId: id()})
	require.NoError(n.t, err)
	return into
}

// reasonFor is why work on a lot in a house at a moment is closed; empty when it is not.
func reasonFor(p treatment.Premises, house, lot string, at time.Time) entry.Reason {
	closure, closed := p.ClosedFor(house, []string{lot}, at, at.Add(time.Minute))
	if !closed {
		return ""
	}
	return closure.Reason
}

func TestWhatWasAppliedIsOnThePlantsThatAreSplitOffAndJoinedAfterwards(t *testing.T) {
	n, c := openNursery(t)
	n.awayFrom()
	lot := n.newLot()
	clean, err := n.stock.CreateLot(asManager(), &stockv1.CreateLotRequest{
		Parent: "nurseries/test", LotId: "clean", Plants: 50, Origin: stockv1.LotEventKind_LOT_EVENT_KIND_STARTED, RequestId: id(),
		Lot: &stockv1.Lot{BotanicalName: "Phalaenopsis amabilis", Bench: name("houses/h2/benches/other")},
	})
	require.NoError(t, err)
	c.now = c.now.Add(time.Hour)
	end := c.now
	n.applyOutside(productsv1.Method_METHOD_BATH, end, lot, applied("thio", "10"))
	part := n.splitOff(lot, "part", "houses/h2/benches/far", 10)
	second := n.splitOff(name("lots/part"), "second", "houses/h2/benches/other", 4)
	at := end.Add(2 * time.Hour)
	p := n.premises(at)
	for _, carried := range []string{part, second} {
		require.Equal(t, entry.IntervalRuns, reasonFor(p, "h2", carried, at), carried)
		require.Empty(t, reasonFor(p, "h2", carried, end.Add(12*time.Hour)), carried)
	}
	require.Empty(t, reasonFor(p, "h2", "clean", at), "it stands beside treated plants in a house where nothing was applied")
	var benches []string
	for _, place := range p.ClosedPlaces(at) {
		if place.House == "h2" {
			require.True(t, place.Moved)
			require.Equal(t, end.Add(12*time.Hour), place.End)
			benches = append(benches, place.Benches...)
		}
	}
	slices.Sort(benches)
	require.Equal(t, []string{"far", "other"}, benches)

	_, err = n.stock.JoinLots(asManager(), &stockv1.JoinLotsRequest{Name: clean.GetName(), Sources: []string{name("lots/second")}, RequestId: id()})
	require.NoError(t, err)
	require.Equal(t, entry.IntervalRuns, reasonFor(n.premises(at), "h2", "clean", at), "some of its plants were treated")
}

func TestAnIntervalThatTheLabelSaysLongerAfterwardsIsKeptAndAShorterOneOpensNothing(t *testing.T) {
	for _, test := range []struct {
		says  string
		hours time.Duration
	}{{"48", 48}, {"2", 12}} {
		t.Run(test.says+" h", func(t *testing.T) {
			n, c := openNursery(t)
			end := c.now
			n.applyOutside(productsv1.Method_METHOD_BATH, end, n.newLot(), applied("thio", "10"))
			thio, err := n.products.GetProduct(asManager(), &productsv1.GetProductRequest{Name: name("products/thio")})
			require.NoError(t, err)
			for _, direction := range thio.GetDirections() {
				direction.RestrictedEntryInterval = q(test.says, "h")
			}
			_, err = n.products.UpdateProduct(asManager(), &productsv1.UpdateProductRequest{Product: thio, RequestId: id()})
			require.NoError(t, err)
			require.NotEmpty(t, n.reasonsAt(end.Add(test.hours*time.Hour-time.Minute)))
			require.Empty(t, n.reasonsAt(end.Add(test.hours*time.Hour)))
		})
	}
}

func TestFansMoveNoMoreAirThanTheHouseHas(t *testing.T) {
	n, c := openGreenhouse(t)
	house, err := n.stock.GetHouse(asManager(), &stockv1.GetHouseRequest{Name: name("houses/g1")})
	require.NoError(t, err)
	house.FanCapacity = q("1000", "m3/h")
	_, err = n.stock.UpdateHouse(asManager(), &stockv1.UpdateHouseRequest{House: house, RequestId: id()})
	require.NoError(t, err)
	_, err = n.treatment.RecordAiring(asWorker(), &treatmentv1.RecordAiringRequest{Parent: name("houses/g1"), RequestId: id(),
		Airing: &treatmentv1.Airing{Device: fans, StartTime: timestamppb.New(c.now), Flow: q("1000000", "m3/h")}})
	rpctest.RefusedField(t, err, "airing.flow")
	require.ErrorContains(t, err, "1000 m3/h")
}

func TestAnEarlyEntryCoversNoHandLabourAndNothingButTheInterval(t *testing.T) {
	n, c := openNursery(t)
	n.setJurisdiction("US")
	n.qualify("wandile", "WORKER_TRAINING", "2026-01-02")
	n.qualify("wandile", "FULL_AGE", "2020-01-02")
	program := n.start("phyllosticta-leaf-spot", "leaf-spots")
	c.now = day0.Add(time.Hour)
	n.applyOutside(productsv1.Method_METHOD_BATH, c.now, n.newLot(), applied("thio", "10"))
	c.now = day0.Add(7 * time.Hour)
	early := visit(c.now.Add(-time.Hour), time.Hour)
	_, err := n.treatment.RecordEntry(asWorker(), &treatmentv1.RecordEntryRequest{Parent: name("houses/h1"), Entry: early, RequestId: id()})
	require.NoError(t, err)
	_, err = n.confirm(program.GetName(), "isolate-1", did("isolate", c.now))
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.HouseClosed)
}

func TestAPlanMadeWhileWorkGoesOnKeepsPeopleOutAfterItsEndToo(t *testing.T) {
	n, c := openNursery(t)
	end := c.now.Add(2 * time.Minute) // a phone's clock runs ahead
	n.applyOutside(productsv1.Method_METHOD_BATH, end, n.newLot(), applied("thio", "10"))
	var until time.Time
	for _, place := range n.premises(c.now).ClosedPlaces(c.now) {
		if place.House == "h1" && place.End.After(until) {
			until = place.End
		}
	}
	require.Equal(t, end.Add(12*time.Hour), until)
}

func TestAHouseIntoWhichTreatedPlantsWereBroughtIsClosedToOrdinaryEntryAndShownSo(t *testing.T) {
	n, c := openNursery(t)
	n.awayFrom()
	lot := n.newLot()
	c.now = c.now.Add(time.Hour)
	end := c.now
	n.applyOutside(productsv1.Method_METHOD_BATH, end, lot, applied("thio", "10"))
	n.splitOff(lot, "part", "houses/h2/benches/far", 10)
	stands := func() *treatmentv1.HouseStanding {
		board, err := n.treatment.ListClosures(asManager(), &treatmentv1.ListClosuresRequest{Parent: "nurseries/test", House: name("houses/h2")})
		require.NoError(t, err)
		return board.GetHouses()[0]
	}
	entering := func() bool {
		checked, err := n.treatment.CheckEntry(asManager(), &treatmentv1.CheckEntryRequest{Parent: name("houses/h2"), Entry: &treatmentv1.HouseEntry{
			Kind: treatmentv1.EntryKind_ENTRY_KIND_ORDINARY, Purpose: "watering", StartTime: timestamppb.New(c.now),
		}})
		require.NoError(t, err)
		return checked.GetAllowed()
	}
	house := stands()
	require.False(t, house.GetOpen())
	require.Equal(t, end.Add(12*time.Hour), house.GetOpenTime().AsTime())
	require.Equal(t, []string{name("houses/h2/benches/far")}, house.GetClosures()[0].GetBenches())
	require.Contains(t, house.GetClosures()[0].GetMessage(), "Plants that were treated stand here now: bench far.")
	require.False(t, entering())
	c.now = end.Add(12 * time.Hour)
	require.True(t, stands().GetOpen())
	require.True(t, entering())
}
