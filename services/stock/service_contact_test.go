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
	"velamen/services/stock"
)

func metres(amount string) *typev1.Quantity { return &typev1.Quantity{Amount: amount, Unit: "m"} }

func (n *nursery) bench(name string) *stockv1.Bench {
	n.t.Helper()
	bench, err := n.client.GetBench(n.as, &stockv1.GetBenchRequest{Name: name})
	require.NoError(n.t, err)
	return bench
}

func TestBenchKeepsWaterLinePlaceAndNeighbours(t *testing.T) {
	n := newNursery(t)
	far := parent + "/houses/h2/benches/b1"
	given := &stockv1.Bench{
		DisplayName: "b9", Area: square("6"), WaterLine: "ebb 1", NeighbourBenches: []string{far, bench1},
		Place: &stockv1.BenchPlace{X: metres("0"), Y: metres("1.5"), Length: metres("4"), Width: metres("1.50")},
	}
	created, err := n.client.CreateBench(n.as, &stockv1.CreateBenchRequest{Parent: parent + "/houses/h1", BenchId: "b9", Bench: given, RequestId: newID()})
	require.NoError(t, err)
	require.Equal(t, "ebb 1", created.GetWaterLine())
	require.Equal(t, []string{bench1, far}, created.GetNeighbourBenches(), "in order")
	require.Equal(t, "0", created.GetPlace().GetX().GetAmount())
	require.Equal(t, "1.5", created.GetPlace().GetWidth().GetAmount())
	require.True(t, proto.Equal(created, n.bench(created.GetName())))
	for _, other := range []string{bench1, far} {
		require.Equal(t, []string{created.GetName()}, n.bench(other).GetNeighbourBenches(), "beside counts in both directions")
		require.Equal(t, `"v2"`, n.bench(other).GetEtag())
	}

	changed, err := n.client.UpdateBench(n.as, &stockv1.UpdateBenchRequest{
		Bench:      &stockv1.Bench{Name: bench1, NeighbourBenches: []string{bench2}, WaterLine: "ebb 2"},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"neighbour_benches", "water_line"}}, RequestId: newID(),
	})
	require.NoError(t, err)
	require.Equal(t, []string{bench2}, changed.GetNeighbourBenches())
	require.Equal(t, []string{far}, n.bench(created.GetName()).GetNeighbourBenches())
	require.Equal(t, []string{bench1}, n.bench(bench2).GetNeighbourBenches())

	changed, err = n.client.UpdateBench(n.as, &stockv1.UpdateBenchRequest{
		Bench: &stockv1.Bench{Name: created.GetName()}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"place"}}, RequestId: newID(),
	})
	require.NoError(t, err)
	require.Nil(t, changed.GetPlace(), "a bench that was moved is no longer measured")
	require.Equal(t, "ebb 1", changed.GetWaterLine())
	listed, err := n.client.ListBenches(n.as, &stockv1.ListBenchesRequest{Parent: parent + "/houses/h1"})
	require.NoError(t, err)
	require.True(t, proto.Equal(changed, listed.GetBenches()[2]))
}

func TestBenchPlaceRules(t *testing.T) {
	n := newNursery(t)
	place := func(x, y, length, width *typev1.Quantity) *stockv1.BenchPlace {
		return &stockv1.BenchPlace{X: x, Y: y, Length: length, Width: width}
	}
	one := metres("1")
	for _, test := range []struct {
		name  string
		bench *stockv1.Bench
		field string
	}{
		{"west of the plan", &stockv1.Bench{Place: place(metres("-0.5"), one, one, one)}, "bench.place.x"},
		{"in feet", &stockv1.Bench{Place: place(one, &typev1.Quantity{Amount: "3", Unit: "ft"}, one, one)}, "bench.place.y"},
		{"no length", &stockv1.Bench{Place: place(one, one, metres("0"), one)}, "bench.place.length"},
		{"longer than any house", &stockv1.Bench{Place: place(one, one, metres("500.1"), one)}, "bench.place.length"},
		{"width missing", &stockv1.Bench{Place: place(one, one, one, nil)}, "bench.place.width"},
		{"beside itself", &stockv1.Bench{NeighbourBenches: []string{parent + "/houses/h1/benches/b9"}}, "bench.neighbour_benches[0]"},
		{"beside a house", &stockv1.Bench{NeighbourBenches: []string{bench1, parent + "/houses/h1"}}, "bench.neighbour_benches[1]"},
		{"water line with a tab", &stockv1.Bench{WaterLine: "a\tb"}, "bench.water_line"},
	} {
		t.Run(test.name, func(t *testing.T) {
			test.bench.DisplayName, test.bench.Area = "b9", square("5")
			_, err := n.client.CreateBench(n.as, &stockv1.CreateBenchRequest{
				Parent: parent + "/houses/h1", BenchId: "b9", Bench: test.bench, RequestId: newID(),
			})
			rpctest.RefusedField(t, err, test.field)
		})
	}
	_, err := n.client.CreateBench(n.as, &stockv1.CreateBenchRequest{
		Parent: parent + "/houses/h1", BenchId: "b9", RequestId: newID(),
		Bench: &stockv1.Bench{DisplayName: "b9", Area: square("5"), NeighbourBenches: []string{parent + "/houses/h1/benches/none"}},
	})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
}

func handling(lots ...string) *stockv1.Handling {
	h := &stockv1.Handling{
		Work: "potting on", ToolSet: "knives 1", DisinfectedBetween: true, Crate: "trolley 2",
		StartTime: timestamppb.New(today.Add(-3 * time.Hour)), EndTime: timestamppb.New(today.Add(-2 * time.Hour)),
	}
	for _, lot := range lots {
		h.Lots = append(h.Lots, lotNamed(lot))
	}
	return h
}

func (n *nursery) record(h *stockv1.Handling) (*stockv1.Handling, error) {
	return n.client.RecordHandling(n.as, &stockv1.RecordHandlingRequest{Parent: parent, Handling: h, RequestId: newID()})
}

func TestHandlingIsKeptAsItWasRecorded(t *testing.T) {
	n := newNursery(t)
	n.addLot("a", 10)
	n.addLot("b", 10)
	first, err := n.record(handling("b", "a"))
	require.NoError(t, err)
	require.Equal(t, []string{lotNamed("b"), lotNamed("a")}, first.GetLots(), "in the order of the work")
	require.Equal(t, mira, first.GetWorker(), "the caller, when nobody else is named")
	require.Equal(t, mira, first.GetPerson())
	second := handling("a")
	second.Worker = parent + "/people/wandile"
	second.StartTime = timestamppb.New(today.Add(-150 * time.Minute))
	later, err := n.record(second)
	require.NoError(t, err)
	require.Equal(t, parent+"/people/wandile", later.GetWorker())

	var listed []*stockv1.Handling
	request := &stockv1.ListHandlingsRequest{Parent: parent, PageSize: 1}
	for {
		response, err := n.client.ListHandlings(n.as, request)
		require.NoError(t, err)
		listed = append(listed, response.GetHandlings()...)
		request.PageToken = response.GetNextPageToken()
		if request.GetPageToken() == "" {
			break
		}
	}
	require.Len(t, listed, 2)
	require.True(t, proto.Equal(later, listed[0]), "newest first")
	require.True(t, proto.Equal(first, listed[1]))
	ofB, err := n.client.ListHandlings(n.as, &stockv1.ListHandlingsRequest{Parent: parent, Lot: lotNamed("b")})
	require.NoError(t, err)
	require.Len(t, ofB.GetHandlings(), 1)
	require.Equal(t, first.GetName(), ofB.GetHandlings()[0].GetName())

	for _, test := range []struct {
		from, until time.Time
		found       int
	}{
		{today.Add(-4 * time.Hour), today.Add(-181 * time.Minute), 0},
		{today.Add(-4 * time.Hour), today.Add(-3 * time.Hour), 1},
		{today.Add(-2 * time.Hour), today, 2},
		{today.Add(-119 * time.Minute), today, 0},
	} {
		read, err := stock.ReadHandlings(context.Background(), n.db, "test", test.from, test.until)
		require.NoError(t, err)
		require.Len(t, read, test.found, "%s to %s", test.from, test.until)
	}
}

func TestHandlingRules(t *testing.T) {
	n := newNursery(t)
	n.addLot("a", 10)
	n.addLot("gone", 5)
	_, err := n.client.DisposePlants(n.as, &stockv1.DisposePlantsRequest{
		Name: lotNamed("gone"), Plants: 5, Note: "binned", EventTime: timestamppb.New(today), RequestId: newID(),
	})
	require.NoError(t, err)
	for _, test := range []struct {
		name   string
		change func(h *stockv1.Handling)
		field  string
	}{
		{"ends before it begins", func(h *stockv1.Handling) { h.EndTime = timestamppb.New(today.Add(-4 * time.Hour)) }, "handling.end_time"},
		{"ends tomorrow", func(h *stockv1.Handling) { h.EndTime = timestamppb.New(today.Add(20 * time.Hour)) }, "handling.end_time"},
		{"takes more than a day", func(h *stockv1.Handling) { h.StartTime = timestamppb.New(today.Add(-26*time.Hour - time.Second)) }, "handling.end_time"},
		{"disinfects no tools", func(h *stockv1.Handling) { h.ToolSet = "" }, "handling.disinfected_between"},
		{"work with a control character", func(h *stockv1.Handling) { h.Work = "a\x01" }, "handling.work"},
		{"a bench for a lot", func(h *stockv1.Handling) { h.Lots = append(h.Lots, bench1) }, "handling.lots[1]"},
		{"a lot twice", func(h *stockv1.Handling) { h.Lots = append(h.Lots, lotNamed("a")) }, "handling.lots"},
		{"a lot for a worker", func(h *stockv1.Handling) { h.Worker = lotNamed("a") }, "handling.worker"},
	} {
		t.Run(test.name, func(t *testing.T) {
			h := handling("a")
			test.change(h)
			_, err := n.record(h)
			rpctest.RefusedField(t, err, test.field)
		})
	}
	_, err = n.record(handling("none"))
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	absent := handling("a")
	absent.Worker = parent + "/people/nobody"
	_, err = n.record(absent)
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	late := handling("a", "gone")
	late.StartTime, late.EndTime = timestamppb.New(today.Add(time.Second)), timestamppb.New(today.Add(2*time.Second))
	_, err = n.record(late)
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.LotEmpty)
	require.ErrorContains(t, err, "handling.lots[1]: lot gone")
	_, err = n.client.ListHandlings(n.as, &stockv1.ListHandlingsRequest{Parent: parent, Lot: lotNamed("none")})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	_, err = n.client.ListHandlings(n.as, &stockv1.ListHandlingsRequest{Parent: parent, PageToken: "x"})
	rpctest.Refused(t, err, codes.InvalidArgument, fault.InvalidPageToken)
}

const (
	duty1 = parent + "/duties/d1"
	duty2 = parent + "/duties/d2"
)

func TestAnAuthorityHoldsLots(t *testing.T) {
	n := newNursery(t)
	n.addLot("before", 10)
	_, err := n.client.SplitLot(n.as, &stockv1.SplitLotRequest{Name: lotNamed("before"), NewLotId: "part", Plants: 4, Bench: bench2, RequestId: newID()})
	require.NoError(t, err)
	held := stock.Restrict{Duty: duty1, Lots: []string{lotNamed("before")}, NoMasking: true, Disorder: "ramorum-blight", Time: today.Add(-time.Hour)}
	second := held
	second.Duty, second.NoMasking = duty2, false
	require.Zero(t, n.send(stock.TopicRestrict, held, held, second))
	require.Equal(t, []string{duty1, duty2}, n.lot("before").GetOfficialHolds())
	require.Equal(t, `"v4"`, n.lot("before").GetEtag(), "the second command changed nothing")
	require.Empty(t, n.lot("part").GetOfficialHolds(), "what was split off before is not held")

	refused := func(err error) {
		t.Helper()
		rpctest.Refused(t, err, codes.FailedPrecondition, fault.LotOfficiallyHeld)
		require.ErrorContains(t, err, duty1+", "+duty2)
	}
	_, err = n.client.MoveLot(n.as, &stockv1.MoveLotRequest{Name: lotNamed("before"), Bench: isolation, RequestId: newID()})
	refused(err)
	_, err = n.client.SplitLot(n.as, &stockv1.SplitLotRequest{Name: lotNamed("before"), NewLotId: "x", Plants: 1, Bench: isolation, RequestId: newID()})
	refused(err)
	_, err = n.client.SellPlants(n.as, &stockv1.SellPlantsRequest{Name: lotNamed("before"), Plants: 1, RequestId: newID()})
	refused(err)
	_, err = n.client.JoinLots(n.as, &stockv1.JoinLotsRequest{Name: lotNamed("before"), Sources: []string{lotNamed("part")}, RequestId: newID()})
	refused(err)
	_, err = n.client.JoinLots(n.as, &stockv1.JoinLotsRequest{Name: lotNamed("part"), Sources: []string{lotNamed("before")}, RequestId: newID()})
	refused(err)
	_, err = n.client.DisposePlants(n.as, &stockv1.DisposePlantsRequest{Name: lotNamed("before"), Plants: 1, Note: "burnt, by order", RequestId: newID()})
	require.NoError(t, err)

	read, err := stock.ReadRestrictions(context.Background(), n.db, "test", []string{"before", "part"})
	require.NoError(t, err)
	require.Equal(t, stock.Restriction{
		Duty: duty1, Lot: "before", NoMasking: true, Disorder: "ramorum-blight", Start: today.Add(-time.Hour),
	}, read[0])
	open, err := stock.ReadOpenRestrictions(context.Background(), n.db, "test")
	require.NoError(t, err)
	require.Equal(t, read, open)

	require.Zero(t, n.send(stock.TopicUnrestrict, stock.Unrestrict{Duty: duty1}, stock.Unrestrict{Duty: duty1}))
	require.Equal(t, []string{duty2}, n.lot("before").GetOfficialHolds())
	require.Zero(t, n.send(stock.TopicUnrestrict, stock.Unrestrict{Duty: duty2}))
	require.Empty(t, n.lot("before").GetOfficialHolds())
	read, err = stock.ReadRestrictions(context.Background(), n.db, "test", []string{"before"})
	require.NoError(t, err)
	require.Len(t, read, 2, "a hold that has ended stays")
	require.False(t, read[0].End.IsZero())
	_, err = n.client.MoveLot(n.as, &stockv1.MoveLotRequest{Name: lotNamed("before"), Bench: bench2, RequestId: newID()})
	require.NoError(t, err)
}
