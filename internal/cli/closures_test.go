package cli_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	identityv1 "velamen/gen/velamen/identity/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
)

// closureAnswers serves fixed answers about closures and airings and keeps the request.
type closureAnswers struct {
	treatmentv1.UnimplementedTreatmentServiceServer
	asked   proto.Message
	givesUp bool
}

func aBoard() *treatmentv1.ListClosuresResponse {
	const closed, open = "nurseries/test/houses/h1", "nurseries/test/houses/h2"
	return &treatmentv1.ListClosuresResponse{AsOfTime: utc(2, 7), Caution: entryCaution, Houses: []*treatmentv1.HouseStanding{
		{House: closed, HouseDisplayName: "House 1", OpenTime: utc(2, 18), Inside: []*treatmentv1.HouseEntry{anEntry()}, Closures: []*treatmentv1.Closure{{
			Reason: treatmentv1.ClosureReason_CLOSURE_REASON_INTERVAL, Extent: treatmentv1.ClosedExtent_CLOSED_EXTENT_TREATED_AREA, Feet: 25,
			Application: "nurseries/test/applications/p-1-systemic-1-1", Benches: []string{closed + "/benches/b1"}, StartTime: utc(2, 6), EndTime: utc(2, 18),
			Message: "The restricted-entry interval of application p-1-systemic-1-1 lasts 12 h.", Source: "40 CFR 170.407",
			Sooner: []*treatmentv1.SoonerOpening{{Device: treatmentv1.AiringDevice_AIRING_DEVICE_FANS, OpenTime: utc(2, 9), Message: "start the fans now in House 1"}},
		}}},
		{House: open, HouseDisplayName: "House 2", Open: true, Notes: []string{"What adjoins it is not entered."}},
	}}
}

func anAiring() *treatmentv1.Airing {
	return &treatmentv1.Airing{
		Name: "nurseries/test/houses/h1/airings/a-1", Device: treatmentv1.AiringDevice_AIRING_DEVICE_FANS, StartTime: utc(2, 7),
		Flow: &typev1.Quantity{Amount: "20000", Unit: "m3/h"}, Recorder: "nurseries/test/people/wandile", CreateTime: utc(2, 7),
	}
}

func aVoidAiring() *treatmentv1.Airing {
	airing := anAiring()
	airing.Voider, airing.VoidReason = "nurseries/test/people/mira", "the fuse had blown"
	return airing
}

func (a *closureAnswers) ListClosures(_ context.Context, r *treatmentv1.ListClosuresRequest) (*treatmentv1.ListClosuresResponse, error) {
	a.asked = r
	return aBoard(), nil
}

// WatchClosures sends the board twice and keeps whether the caller gives up at some time.
func (a *closureAnswers) WatchClosures(r *treatmentv1.WatchClosuresRequest, stream grpc.ServerStreamingServer[treatmentv1.WatchClosuresResponse]) error {
	a.asked = r
	_, a.givesUp = stream.Context().Deadline()
	for range 2 {
		if err := stream.Send(&treatmentv1.WatchClosuresResponse{Board: aBoard()}); err != nil {
			return err
		}
	}
	return nil
}

func (a *closureAnswers) RecordAiring(_ context.Context, r *treatmentv1.RecordAiringRequest) (*treatmentv1.Airing, error) {
	r.RequestId = ""
	a.asked = r
	return anAiring(), nil
}

func (a *closureAnswers) EndAiring(_ context.Context, r *treatmentv1.EndAiringRequest) (*treatmentv1.Airing, error) {
	r.RequestId = ""
	a.asked = r
	ended := anAiring()
	ended.EndTime = r.GetEndTime()
	return ended, nil
}

func (a *closureAnswers) VoidAiring(_ context.Context, r *treatmentv1.VoidAiringRequest) (*treatmentv1.Airing, error) {
	r.RequestId = ""
	a.asked = r
	return aVoidAiring(), nil
}

func (a *closureAnswers) ListAirings(_ context.Context, r *treatmentv1.ListAiringsRequest) (*treatmentv1.ListAiringsResponse, error) {
	r.PageSize = 0
	a.asked = r
	return &treatmentv1.ListAiringsResponse{Airings: []*treatmentv1.Airing{anAiring(), aVoidAiring()}}, nil
}

func (a *closureAnswers) RecordAirMeasurement(_ context.Context, r *treatmentv1.RecordAirMeasurementRequest) (*treatmentv1.AirMeasurement, error) {
	r.RequestId = ""
	a.asked = proto.CloneOf(r)
	kept := r.GetAirMeasurement()
	kept.Name, kept.Recorder = "nurseries/test/houses/h1/airMeasurements/m-1", "nurseries/test/people/wandile"
	return kept, nil
}

func TestClosuresAreShownAndAiringsRecorded(t *testing.T) {
	a := &closureAnswers{}
	c := newClient(t)
	c.conn = rpctest.Serve(t, func(server *rpc.Server) {
		identityv1.RegisterIdentityServiceServer(server, c.answers)
		treatmentv1.RegisterTreatmentServiceServer(server, a)
	})
	run := func(file string, asked proto.Message, args ...string) {
		t.Helper()
		out, errors, code := c.run(append([]string{"closures"}, args...)...)
		require.Zero(t, code, errors)
		golden(t, file, out)
		require.True(t, proto.Equal(asked, a.asked), "%v", a.asked)
	}
	const house = "nurseries/test/houses/h1"
	run("closures-list.txt", &treatmentv1.ListClosuresRequest{Parent: "nurseries/test"}, "list")
	run("closures-list.txt", &treatmentv1.ListClosuresRequest{Parent: "nurseries/test", House: house}, "list", "h1")
	run("closures-watch.txt", &treatmentv1.WatchClosuresRequest{Parent: "nurseries/test"}, "watch")
	require.False(t, a.givesUp, "a board is watched all day")
	run("closures-air.txt", &treatmentv1.RecordAiringRequest{Parent: house, Airing: &treatmentv1.Airing{
		Device: treatmentv1.AiringDevice_AIRING_DEVICE_FANS, StartTime: utc(2, 7), Flow: &typev1.Quantity{Amount: "20000", Unit: "m3/h"},
	}}, "air", "h1", "--device", "fans", "--start", "2026-03-02 09:00", "--flow", "20000m3/h")
	run("closures-air-end.txt", &treatmentv1.EndAiringRequest{Name: house + "/airings/a-1", EndTime: utc(2, 9)}, "air-end", "h1/a-1", "--end", "2026-03-02 11:00")
	run("closures-air-void.txt", &treatmentv1.VoidAiringRequest{Name: house + "/airings/a-1", Reason: "the fuse had blown"}, "air-void", "h1/a-1", "--reason", "the fuse had blown")
	run("closures-airings.txt", &treatmentv1.ListAiringsRequest{Parent: "nurseries/test/houses/-"}, "airings")
	run("closures-measure.txt", &treatmentv1.RecordAirMeasurementRequest{Parent: house, AirMeasurement: &treatmentv1.AirMeasurement{
		Application: "nurseries/test/applications/p-1-systemic-1-1", Product: "nurseries/test/products/topspray",
		MeasureTime: utc(2, 9), Value: &typev1.Quantity{Amount: "0.4", Unit: "ppm"},
	}}, "measure", "h1", "--application", "p-1-systemic-1-1", "--product", "topspray", "--value", "0.4ppm", "--when", "2026-03-02 11:00")
}
