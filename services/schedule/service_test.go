package schedule

import (
	"context"
	"fmt"
	"log/slog"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	productsv1 "velamen/gen/velamen/products/v1"
	schedulev1 "velamen/gen/velamen/schedule/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/postgres/pgtest"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

func setUp(t *testing.T) (schedulev1.ScheduleServiceClient, context.Context) {
	t.Helper()
	db := pgtest.New(t)
	pgtest.AddNursery(t, db)
	outbox := postgres.NewOutbox(db.DB, slog.New(slog.DiscardHandler), unread(Topics()...))
	conn := rpctest.Serve(t, func(server *rpc.Server) {
		schedulev1.RegisterScheduleServiceServer(server, New(db.DB, outbox))
	})
	return schedulev1.NewScheduleServiceClient(conn), rpctest.As(t.Context(), rpctest.Manager)
}

// unread takes events that are of no interest in a test.
func unread(topics ...string) postgres.Consumer {
	return postgres.Consumer{
		Name: "unread", Topics: topics,
		Send: func(context.Context, postgres.Event) error { return nil },
	}
}

func knapsack() *schedulev1.Sprayer {
	return &schedulev1.Sprayer{
		DisplayName: "Knapsack", TankVolume: &typev1.Quantity{Amount: "15.5", Unit: "L"},
		Methods: []productsv1.Method{productsv1.Method_METHOD_SPRAY, productsv1.Method_METHOD_DRENCH},
	}
}

func create(id string, sprayer *schedulev1.Sprayer) *schedulev1.CreateSprayerRequest {
	return &schedulev1.CreateSprayerRequest{Parent: "nurseries/test", SprayerId: id, Sprayer: sprayer, RequestId: uuid.NewString()}
}

func TestSprayerIsKept(t *testing.T) {
	client, manager := setUp(t)
	request := create("k1", knapsack())
	made, err := client.CreateSprayer(manager, request)
	require.NoError(t, err)
	require.Equal(t, "nurseries/test/sprayers/k1", made.GetName())
	want := knapsack()
	want.Name, want.Etag, want.CreateTime = made.GetName(), made.GetEtag(), made.GetCreateTime()
	require.True(t, proto.Equal(want, made))

	again, err := client.CreateSprayer(manager, request)
	require.NoError(t, err)
	require.True(t, proto.Equal(made, again))

	read, err := client.GetSprayer(manager, &schedulev1.GetSprayerRequest{Name: made.GetName()})
	require.NoError(t, err)
	require.True(t, proto.Equal(made, read))

	_, err = client.CreateSprayer(manager, create("k1", knapsack()))
	rpctest.Refused(t, err, codes.AlreadyExists, fault.AlreadyExists)
	_, err = client.GetSprayer(manager, &schedulev1.GetSprayerRequest{Name: "nurseries/test/sprayers/absent"})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	_, err = client.CreateSprayer(rpctest.As(t.Context(), rpctest.Worker), create("k2", knapsack()))
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
}

func TestSprayerIsRefusedByField(t *testing.T) {
	client, manager := setUp(t)
	for _, test := range []struct {
		name, field string
		change      func(*schedulev1.Sprayer)
	}{
		{"a tank of nothing", "tank_volume", func(s *schedulev1.Sprayer) { s.TankVolume.Amount = "0" }},
		{"a tank below zero", "tank_volume", func(s *schedulev1.Sprayer) { s.TankVolume.Amount = "-5" }},
		{"a tank by weight", "tank_volume", func(s *schedulev1.Sprayer) { s.TankVolume.Unit = "kg" }},
		{"no method", "sprayer.methods", func(s *schedulev1.Sprayer) { s.Methods = nil }},
		{"no name", "sprayer.display_name", func(s *schedulev1.Sprayer) { s.DisplayName = "" }},
	} {
		t.Run(test.name, func(t *testing.T) {
			sprayer := knapsack()
			test.change(sprayer)
			_, err := client.CreateSprayer(manager, create("refused", sprayer))
			rpctest.RefusedField(t, err, test.field)
		})
	}
}

func TestSprayerIsTakenOutOfServiceAndBack(t *testing.T) {
	client, manager := setUp(t)
	made, err := client.CreateSprayer(manager, create("k1", knapsack()))
	require.NoError(t, err)
	update := func(sprayer *schedulev1.Sprayer, paths ...string) (*schedulev1.Sprayer, error) {
		sprayer.Name = made.GetName()
		return client.UpdateSprayer(manager, &schedulev1.UpdateSprayerRequest{
			Sprayer: sprayer, UpdateMask: &fieldmaskpb.FieldMask{Paths: paths}, RequestId: uuid.NewString(),
		})
	}
	out, err := update(&schedulev1.Sprayer{OutOfService: true, Etag: made.GetEtag()}, "out_of_service")
	require.NoError(t, err)
	require.True(t, out.GetOutOfService())
	require.Equal(t, "15.5", out.GetTankVolume().GetAmount())

	_, err = update(&schedulev1.Sprayer{Etag: made.GetEtag()}, "out_of_service")
	rpctest.Refused(t, err, codes.Aborted, fault.StaleETag)
	back, err := update(&schedulev1.Sprayer{Etag: out.GetEtag()}, "out_of_service")
	require.NoError(t, err)
	require.False(t, back.GetOutOfService())

	_, err = update(&schedulev1.Sprayer{TankVolume: &typev1.Quantity{Amount: "0", Unit: "L"}}, "tank_volume")
	rpctest.RefusedField(t, err, "tank_volume")
}

func TestSprayersAreListedByNameInPages(t *testing.T) {
	client, manager := setUp(t)
	for i := range 3 {
		_, err := client.CreateSprayer(manager, create(fmt.Sprintf("s%d", i), knapsack()))
		require.NoError(t, err)
	}
	var names []string
	request := &schedulev1.ListSprayersRequest{Parent: "nurseries/test", PageSize: 2}
	for {
		page, err := client.ListSprayers(manager, request)
		require.NoError(t, err)
		for _, sprayer := range page.GetSprayers() {
			names = append(names, sprayer.GetName())
		}
		if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
			break
		}
	}
	require.Equal(t, []string{"nurseries/test/sprayers/s0", "nurseries/test/sprayers/s1", "nurseries/test/sprayers/s2"}, names)
}
