package stock_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	stockv1 "velamen/gen/velamen/stock/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

func TestLotIsStoredAsItWasGiven(t *testing.T) {
	n := newNursery(t)
	lot := &stockv1.Lot{
		BotanicalName: "Vanda coerulea", EppoCode: "VANCO", Cultivar: "Blue \"Sky\", clone 3", Container: "basket",
		GrowthStageBbch: "61", UnitValue: &typev1.Money{CurrencyCode: "ZAR", Amount: "310.50"}, Bench: bench2,
	}
	created, err := n.client.CreateLot(n.as, &stockv1.CreateLotRequest{
		Parent: parent, LotId: "v1", Lot: lot, Plants: 40, Origin: stockv1.LotEventKind_LOT_EVENT_KIND_RECEIVED,
		Note: "batch 7", EventTime: timestamppb.New(today.Add(-24 * time.Hour)), RequestId: newID(),
	})
	require.NoError(t, err)
	lot.Name, lot.Plants, lot.Etag, lot.CreateTime = lotNamed("v1"), 40, `"v1"`, timestamppb.New(today)
	require.True(t, proto.Equal(lot, created), "%v\n%v", lot, created)
	require.True(t, proto.Equal(lot, n.lot("v1")))

	history, err := n.client.ListLotEvents(n.as, &stockv1.ListLotEventsRequest{Name: lotNamed("v1")})
	require.NoError(t, err)
	require.Len(t, history.GetEvents(), 1)
	require.True(t, proto.Equal(&stockv1.LotEvent{
		Kind: stockv1.LotEventKind_LOT_EVENT_KIND_RECEIVED, Plants: 40, Bench: bench2, Note: "batch 7",
		Person: parent + "/people/mira", EventTime: timestamppb.New(today.Add(-24 * time.Hour)),
	}, history.GetEvents()[0]))
}

func TestPlantsComeMoveAndLeave(t *testing.T) {
	n := newNursery(t)
	n.addLot("a", 100)

	moved, err := n.client.MoveLot(n.as, &stockv1.MoveLotRequest{Name: lotNamed("a"), Bench: bench2, RequestId: newID()})
	require.NoError(t, err)
	require.Equal(t, bench2, moved.GetBench())
	split, err := n.client.SplitLot(n.as, &stockv1.SplitLotRequest{
		Name: lotNamed("a"), NewLotId: "b", Plants: 30, Bench: bench1, Etag: moved.GetEtag(), RequestId: newID(),
	})
	require.NoError(t, err)
	require.Equal(t, int64(70), split.GetSource().GetPlants())
	require.Equal(t, int64(30), split.GetCreated().GetPlants())
	require.Equal(t, "Phalaenopsis amabilis", split.GetCreated().GetBotanicalName())
	_, err = n.client.SellPlants(n.as, &stockv1.SellPlantsRequest{Name: lotNamed("a"), Plants: 20, RequestId: newID()})
	require.NoError(t, err)
	_, err = n.client.DisposePlants(n.as, &stockv1.DisposePlantsRequest{Name: lotNamed("b"), Plants: 5, Note: "black rot, binned", RequestId: newID()})
	require.NoError(t, err)
	joined, err := n.client.JoinLots(n.as, &stockv1.JoinLotsRequest{Name: lotNamed("a"), Sources: []string{lotNamed("b")}, RequestId: newID()})
	require.NoError(t, err)
	require.Equal(t, int64(75), joined.GetPlants())
	require.Zero(t, n.lot("b").GetPlants())

	require.Equal(t, []event{
		{"STARTED", 100, bench1, ""}, {"MOVED", 0, bench2, ""}, {"TRANSFERRED_OUT", -30, bench2, lotNamed("b")},
		{"SOLD", -20, bench2, ""}, {"TRANSFERRED_IN", 25, bench2, lotNamed("b")},
	}, n.events("a"))
	require.Equal(t, []event{
		{"TRANSFERRED_IN", 30, bench1, lotNamed("a")}, {"DISPOSED", -5, bench1, ""}, {"TRANSFERRED_OUT", -25, bench1, lotNamed("a")},
	}, n.events("b"))
	require.True(t, proto.Equal(&stockv1.PlantBalance{Started: 100, Disposed: 5, Sold: 20, OnHand: 75, Balanced: true}, n.balance()))
}

func TestHistoryIsListedOldestFirstPageByPage(t *testing.T) {
	n := newNursery(t)
	n.addLot("a", 10)
	for _, day := range []int{3, 1, 2} {
		_, err := n.client.SellPlants(n.as, &stockv1.SellPlantsRequest{
			Name: lotNamed("a"), Plants: int64(day), EventTime: timestamppb.New(today.AddDate(0, 0, -day)), RequestId: newID(),
		})
		require.NoError(t, err)
	}
	var plants []int64
	request := &stockv1.ListLotEventsRequest{Name: lotNamed("a"), PageSize: 1}
	for {
		response, err := n.client.ListLotEvents(n.as, request)
		require.NoError(t, err)
		for _, e := range response.GetEvents() {
			plants = append(plants, e.GetPlants())
		}
		if request.PageToken = response.GetNextPageToken(); request.GetPageToken() == "" {
			break
		}
	}
	require.Equal(t, []int64{-3, -2, -1, 10}, plants)
}

func TestRefusals(t *testing.T) {
	n := newNursery(t)
	n.addLot("few", 10)
	n.addLot("other", 10)
	n.addLot("held", 10)
	n.hold("held", parent+"/cases/c1")
	n.addLot("empty", 1)
	_, err := n.client.SellPlants(n.as, &stockv1.SellPlantsRequest{Name: lotNamed("empty"), Plants: 1, RequestId: newID()})
	require.NoError(t, err)
	_, err = n.client.UpdateLot(n.as, &stockv1.UpdateLotRequest{Lot: &stockv1.Lot{Name: lotNamed("other"), Container: "tray"}, RequestId: newID()})
	require.NoError(t, err)

	sell := func(lot string, plants int64) error {
		_, err := n.client.SellPlants(n.as, &stockv1.SellPlantsRequest{Name: lot, Plants: plants, RequestId: newID()})
		return err
	}
	dispose := func(lot string, plants int64) error {
		_, err := n.client.DisposePlants(n.as, &stockv1.DisposePlantsRequest{Name: lot, Plants: plants, Note: "culled", RequestId: newID()})
		return err
	}
	move := func(lot, bench string) error {
		_, err := n.client.MoveLot(n.as, &stockv1.MoveLotRequest{Name: lot, Bench: bench, RequestId: newID()})
		return err
	}
	split := func(lot, created string, plants int64, bench string) error {
		_, err := n.client.SplitLot(n.as, &stockv1.SplitLotRequest{Name: lot, NewLotId: created, Plants: plants, Bench: bench, RequestId: newID()})
		return err
	}
	join := func(lot string, sources ...string) error {
		_, err := n.client.JoinLots(n.as, &stockv1.JoinLotsRequest{Name: lot, Sources: sources, RequestId: newID()})
		return err
	}
	for _, test := range []struct {
		name   string
		err    error
		code   codes.Code
		reason fault.Reason
	}{
		{"sell from an unknown lot", sell(lotNamed("none"), 1), codes.NotFound, fault.NotFoundReason},
		{"sell more than on hand", sell(lotNamed("few"), 11), codes.FailedPrecondition, fault.PlantsInsufficient},
		{"sell none", sell(lotNamed("few"), 0), codes.InvalidArgument, fault.InvalidField},
		{"sell negative plants", sell(lotNamed("few"), -1), codes.InvalidArgument, fault.InvalidField},
		{"sell from a held lot", sell(lotNamed("held"), 1), codes.FailedPrecondition, fault.LotHeld},
		{"sell from another nursery's lot", sell("nurseries/other/lots/few", 1), codes.PermissionDenied, fault.PermissionDenied},
		{"sell from something that is no lot", sell(bench1, 1), codes.InvalidArgument, fault.InvalidField},
		{"dispose of more than on hand", dispose(lotNamed("few"), 11), codes.FailedPrecondition, fault.PlantsInsufficient},
		{"dispose of negative plants", dispose(lotNamed("few"), -5), codes.InvalidArgument, fault.InvalidField},
		{"move to an unknown bench", move(lotNamed("few"), parent+"/houses/h1/benches/none"), codes.NotFound, fault.NotFoundReason},
		{"move to where it stands", move(lotNamed("few"), bench1), codes.InvalidArgument, fault.InvalidField},
		{"move to another nursery's bench", move(lotNamed("few"), "nurseries/other/houses/h1/benches/b1"), codes.PermissionDenied, fault.PermissionDenied},
		{"move a held lot to a bench without isolation", move(lotNamed("held"), bench2), codes.FailedPrecondition, fault.BenchNotIsolated},
		{"move an empty lot", move(lotNamed("empty"), bench2), codes.FailedPrecondition, fault.LotEmpty},
		{"split off more than on hand", split(lotNamed("few"), "new", 11, bench2), codes.FailedPrecondition, fault.PlantsInsufficient},
		{"split into a lot that exists", split(lotNamed("few"), "other", 1, bench2), codes.AlreadyExists, fault.AlreadyExists},
		{"split into itself", split(lotNamed("few"), "few", 1, bench2), codes.InvalidArgument, fault.InvalidField},
		{"split a held lot to a bench without isolation", split(lotNamed("held"), "new", 1, bench2), codes.FailedPrecondition, fault.BenchNotIsolated},
		{"join lots of another container", join(lotNamed("few"), lotNamed("other")), codes.FailedPrecondition, fault.LotsDiffer},
		{"join a held lot", join(lotNamed("few"), lotNamed("held")), codes.FailedPrecondition, fault.LotHeld},
		{"join into a held lot", join(lotNamed("held"), lotNamed("few")), codes.FailedPrecondition, fault.LotHeld},
		{"join an empty lot", join(lotNamed("few"), lotNamed("empty")), codes.FailedPrecondition, fault.LotEmpty},
		{"join an unknown lot", join(lotNamed("few"), lotNamed("none")), codes.NotFound, fault.NotFoundReason},
		{"join a lot into itself", join(lotNamed("few"), lotNamed("few")), codes.InvalidArgument, fault.InvalidField},
		{"join another nursery's lot", join(lotNamed("few"), "nurseries/other/lots/few"), codes.PermissionDenied, fault.PermissionDenied},
	} {
		t.Run(test.name, func(t *testing.T) { rpctest.Refused(t, test.err, test.code, test.reason) })
	}

	_, values := rpctest.Refused(t, sell(lotNamed("few"), 11), codes.FailedPrecondition, fault.PlantsInsufficient)
	require.Equal(t, map[string]string{"lot": "few", "on_hand": "10", "asked": "11"}, values)
	require.Equal(t, int64(10), n.lot("few").GetPlants())
	require.True(t, n.balance().GetBalanced())
}

func TestHeldLotMovesToIsolationAndItsPartStaysHeld(t *testing.T) {
	n := newNursery(t)
	n.addLot("a", 10)
	n.hold("a", parent+"/cases/c1")
	moved, err := n.client.MoveLot(n.as, &stockv1.MoveLotRequest{Name: lotNamed("a"), Bench: isolation, RequestId: newID()})
	require.NoError(t, err)
	require.Equal(t, isolation, moved.GetBench())
	split, err := n.client.SplitLot(n.as, &stockv1.SplitLotRequest{Name: lotNamed("a"), NewLotId: "b", Plants: 10, Bench: isolation, RequestId: newID()})
	require.NoError(t, err)
	require.Equal(t, parent+"/cases/c1", split.GetCreated().GetHoldingCase())
	_, err = n.client.DisposePlants(n.as, &stockv1.DisposePlantsRequest{Name: lotNamed("b"), Plants: 10, Note: "binned", RequestId: newID()})
	require.NoError(t, err, "held plants may be disposed of")
}

func TestCreateLotRules(t *testing.T) {
	n := newNursery(t)
	for _, test := range []struct {
		name   string
		change func(r *stockv1.CreateLotRequest)
		field  string
	}{
		{"negative plants", func(r *stockv1.CreateLotRequest) { r.Plants = -1 }, "plants"},
		{"sold is no origin", func(r *stockv1.CreateLotRequest) { r.Origin = stockv1.LotEventKind_LOT_EVENT_KIND_SOLD }, "origin"},
		{"in the future", func(r *stockv1.CreateLotRequest) { r.EventTime = timestamppb.New(today.Add(time.Hour)) }, "event_time"},
		{"no time", func(r *stockv1.CreateLotRequest) { r.EventTime = &timestamppb.Timestamp{Seconds: -1 << 60} }, "event_time"},
		{"control character in the note", func(r *stockv1.CreateLotRequest) { r.Note = "a\x00" }, "note"},
		{"space before the name", func(r *stockv1.CreateLotRequest) { r.Lot.BotanicalName = " Vanda" }, "lot.botanical_name"},
		{"no bench", func(r *stockv1.CreateLotRequest) { r.Lot.Bench = "b1" }, "lot.bench"},
		{"id with capitals", func(r *stockv1.CreateLotRequest) { r.LotId = "A1" }, "lot_id"},
		{"no request id", func(r *stockv1.CreateLotRequest) { r.RequestId = "1" }, "request_id"},
	} {
		t.Run(test.name, func(t *testing.T) {
			request := &stockv1.CreateLotRequest{
				Parent: parent, LotId: "a", Plants: 1, Origin: stockv1.LotEventKind_LOT_EVENT_KIND_STARTED, RequestId: newID(),
				Lot: &stockv1.Lot{BotanicalName: "Vanda", Bench: bench1},
			}
			test.change(request)
			_, err := n.client.CreateLot(n.as, request)
			rpctest.RefusedField(t, err, test.field)
		})
	}
	_, err := n.client.CreateLot(rpctest.As(context.Background(), rpctest.Worker), &stockv1.CreateLotRequest{})
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
}

func TestUpdateLotNeverChangesPlantsOrPlace(t *testing.T) {
	n := newNursery(t)
	lot := n.addLot("a", 10)
	updated, err := n.client.UpdateLot(n.as, &stockv1.UpdateLotRequest{
		Lot:       &stockv1.Lot{Name: lot.GetName(), Cultivar: "Snow", Plants: 99, Bench: bench2, Etag: lot.GetEtag()},
		RequestId: newID(),
	})
	require.NoError(t, err)
	require.Equal(t, "Snow", updated.GetCultivar())
	require.Equal(t, int64(10), updated.GetPlants())
	require.Equal(t, bench1, updated.GetBench())

	_, err = n.client.UpdateLot(n.as, &stockv1.UpdateLotRequest{
		Lot:        &stockv1.Lot{Name: lot.GetName(), Bench: bench2},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"bench"}}, RequestId: newID(),
	})
	rpctest.RefusedField(t, err, "update_mask")
	_, err = n.client.UpdateLot(n.as, &stockv1.UpdateLotRequest{
		Lot: &stockv1.Lot{Name: lot.GetName(), Cultivar: "Ice", Etag: lot.GetEtag()}, RequestId: newID(),
	})
	rpctest.Refused(t, err, codes.Aborted, fault.StaleETag)
	_, err = n.client.SellPlants(n.as, &stockv1.SellPlantsRequest{Name: lot.GetName(), Plants: 1, Etag: lot.GetEtag(), RequestId: newID()})
	rpctest.Refused(t, err, codes.Aborted, fault.StaleETag)
}

func TestRetryReturnsTheFirstAnswerAndChangesNothing(t *testing.T) {
	n := newNursery(t)
	n.addLot("a", 10)
	request := &stockv1.SellPlantsRequest{Name: lotNamed("a"), Plants: 4, RequestId: newID()}
	first, err := n.client.SellPlants(n.as, request)
	require.NoError(t, err)
	_, err = n.client.DisposePlants(n.as, &stockv1.DisposePlantsRequest{Name: lotNamed("a"), Plants: 1, Note: "culled", RequestId: newID()})
	require.NoError(t, err)

	again, err := n.client.SellPlants(n.as, request)
	require.NoError(t, err)
	require.True(t, proto.Equal(first, again))
	require.Equal(t, int64(5), n.lot("a").GetPlants())
	require.Len(t, n.events("a"), 3)

	request.Plants = 5
	_, err = n.client.SellPlants(n.as, request)
	rpctest.Refused(t, err, codes.InvalidArgument, fault.RequestIDReused)
}

func TestListLotsFilters(t *testing.T) {
	n := newNursery(t)
	for _, lot := range []struct{ id, bench, cultivar string }{
		{"a", bench1, "Snow"}, {"b", bench2, "100% Rose"}, {"c", parent + "/houses/h2/benches/b1", ""}, {"gone", bench1, ""},
	} {
		_, err := n.client.CreateLot(n.as, &stockv1.CreateLotRequest{
			Parent: parent, LotId: lot.id, Plants: 1, Origin: stockv1.LotEventKind_LOT_EVENT_KIND_STARTED, RequestId: newID(),
			Lot: &stockv1.Lot{BotanicalName: "Vanda " + lot.id, Cultivar: lot.cultivar, Bench: lot.bench},
		})
		require.NoError(t, err)
	}
	_, err := n.client.SellPlants(n.as, &stockv1.SellPlantsRequest{Name: lotNamed("gone"), Plants: 1, RequestId: newID()})
	require.NoError(t, err)
	for _, test := range []struct {
		name    string
		request *stockv1.ListLotsRequest
		want    []string
	}{
		{"all with plants", &stockv1.ListLotsRequest{}, []string{"a", "b", "c"}},
		{"all", &stockv1.ListLotsRequest{IncludeEmpty: true}, []string{"a", "b", "c", "gone"}},
		{"in a house", &stockv1.ListLotsRequest{Place: parent + "/houses/h1"}, []string{"a", "b"}},
		{"on a bench", &stockv1.ListLotsRequest{Place: bench2}, []string{"b"}},
		{"by cultivar", &stockv1.ListLotsRequest{Query: "sNOW"}, []string{"a"}},
		{"by botanical name", &stockv1.ListLotsRequest{Query: "vanda c"}, []string{"c"}},
		{"by id", &stockv1.ListLotsRequest{Query: "gon", IncludeEmpty: true}, []string{"gone"}},
		{"a percent sign is text", &stockv1.ListLotsRequest{Query: "%"}, []string{"b"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			test.request.Parent, test.request.PageSize = parent, 2
			var got []string
			for {
				response, err := n.client.ListLots(n.as, test.request)
				require.NoError(t, err)
				for _, lot := range response.GetLots() {
					got = append(got, lot.GetName()[len(lotNamed("")):])
				}
				if test.request.PageToken = response.GetNextPageToken(); test.request.GetPageToken() == "" {
					break
				}
			}
			require.Equal(t, test.want, got)
		})
	}
	_, err = n.client.ListLots(n.as, &stockv1.ListLotsRequest{Parent: parent, Place: parent + "/houses/none"})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	_, err = n.client.ListLots(n.as, &stockv1.ListLotsRequest{Parent: parent, Place: "h1"})
	rpctest.RefusedField(t, err, "place")
	_, err = n.client.ListLots(n.as, &stockv1.ListLotsRequest{Parent: parent, Query: "\x00"})
	rpctest.RefusedField(t, err, "query")
}
