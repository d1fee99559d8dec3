package rpc_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"sync"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	identityv1 "velamen/gen/velamen/identity/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
)

// reached are services that note who got through the chain and answer as the
// test wants.
type reached struct {
	stockv1.UnimplementedStockServiceServer
	diagnosisv1.UnimplementedDiagnosisServiceServer
	identityv1.UnimplementedIdentityServiceServer
	answer  func(ctx context.Context) error
	callers []rpc.Principal
}

func (r *reached) enter(ctx context.Context) error {
	caller, err := rpc.Caller(ctx)
	if err == nil {
		r.callers = append(r.callers, caller)
	}
	if r.answer == nil {
		return nil
	}
	return r.answer(ctx)
}

func (r *reached) GetLot(ctx context.Context, _ *stockv1.GetLotRequest) (*stockv1.Lot, error) {
	return &stockv1.Lot{}, r.enter(ctx)
}

func (r *reached) CreateHouse(ctx context.Context, _ *stockv1.CreateHouseRequest) (*stockv1.House, error) {
	return &stockv1.House{}, r.enter(ctx)
}

func (r *reached) CreateLot(ctx context.Context, _ *stockv1.CreateLotRequest) (*stockv1.Lot, error) {
	return &stockv1.Lot{}, r.enter(ctx)
}

func (r *reached) UploadPhoto(stream diagnosisv1.DiagnosisService_UploadPhotoServer) error {
	for {
		if _, err := stream.Recv(); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return err
		}
	}
	if err := r.enter(stream.Context()); err != nil {
		return err
	}
	return stream.SendAndClose(&diagnosisv1.Photo{})
}

func (r *reached) SignIn(ctx context.Context, _ *identityv1.SignInRequest) (*identityv1.SignInResponse, error) {
	return &identityv1.SignInResponse{}, r.enter(ctx)
}

func (r *reached) register(server *rpc.Server) {
	stockv1.RegisterStockServiceServer(server, r)
	diagnosisv1.RegisterDiagnosisServiceServer(server, r)
	identityv1.RegisterIdentityServiceServer(server, r)
}

func lot() *stockv1.CreateLotRequest {
	return &stockv1.CreateLotRequest{
		Parent: "nurseries/test", LotId: "l1", Plants: 10, Origin: stockv1.LotEventKind_LOT_EVENT_KIND_STARTED, RequestId: uuid.NewString(),
		Lot: &stockv1.Lot{BotanicalName: "Vanda coerulea", Bench: "nurseries/test/houses/h1/benches/b1"},
	}
}

func house() *stockv1.CreateHouseRequest {
	return &stockv1.CreateHouseRequest{
		Parent: "nurseries/test", HouseId: "h1", RequestId: uuid.NewString(),
		House: &stockv1.House{DisplayName: "House 1", Area: &typev1.Quantity{Amount: "100", Unit: "m2"}},
	}
}

func TestWhoIsNotSignedInGetsNowhere(t *testing.T) {
	handler := &reached{}
	conn := rpctest.Serve(t, handler.register)
	for _, test := range []struct {
		name    string
		headers []string
	}{
		{"no authorization", nil},
		{"another scheme", []string{"authorization", "Basic bWlyYQ=="}},
		{"no token", []string{"authorization", "Bearer "}},
		{"unknown token", []string{"authorization", "Bearer nobody"}},
		{"two tokens", []string{"authorization", "Bearer mira", "authorization", "Bearer wandile"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			ctx := metadata.AppendToOutgoingContext(context.Background(), test.headers...)
			_, err := stockv1.NewStockServiceClient(conn).GetLot(ctx, &stockv1.GetLotRequest{Name: "nurseries/test/lots/l1"})
			rpctest.Refused(t, err, codes.Unauthenticated, fault.NotSignedIn)
			// Who is not signed in does not learn what a valid request looks like either.
			_, err = stockv1.NewStockServiceClient(conn).GetLot(ctx, &stockv1.GetLotRequest{})
			rpctest.Refused(t, err, codes.Unauthenticated, fault.NotSignedIn)
			stream, err := diagnosisv1.NewDiagnosisServiceClient(conn).UploadPhoto(ctx)
			require.NoError(t, err)
			_, err = stream.CloseAndRecv()
			rpctest.Refused(t, err, codes.Unauthenticated, fault.NotSignedIn)
		})
	}
	require.Empty(t, handler.callers)
}

func TestPublicMethodsNeedNoSignIn(t *testing.T) {
	conn := rpctest.Serve(t, func(server *rpc.Server) {
		(&reached{}).register(server)
		server.SetServing(true)
	})
	_, err := identityv1.NewIdentityServiceClient(conn).SignIn(context.Background(), &identityv1.SignInRequest{Person: "nurseries/test/people/mira", Password: "x"})
	require.NoError(t, err)
	health, err := healthv1.NewHealthClient(conn).Check(context.Background(), &healthv1.HealthCheckRequest{})
	require.NoError(t, err)
	require.Equal(t, healthv1.HealthCheckResponse_SERVING, health.GetStatus())
	_, err = identityv1.NewIdentityServiceClient(conn).SignIn(context.Background(), &identityv1.SignInRequest{})
	rpctest.RefusedField(t, err, "person")
}

func TestARoleOpensWhatItHolds(t *testing.T) {
	for _, test := range []struct {
		caller                rpc.Principal
		reads, creates, photo bool
	}{
		{rpctest.Owner, true, true, true},
		{rpctest.Manager, true, true, true},
		{rpctest.Worker, true, false, true},
		{rpctest.Auditor, true, false, false},
	} {
		t.Run(test.caller.Person, func(t *testing.T) {
			handler := &reached{}
			conn := rpctest.Serve(t, handler.register)
			ctx := rpctest.As(context.Background(), test.caller)
			expect := func(err error, allowed bool) {
				t.Helper()
				if allowed {
					require.NoError(t, err)
					require.Equal(t, test.caller, handler.callers[len(handler.callers)-1])
					return
				}
				_, values := rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
				require.NotEmpty(t, values["role"])
				require.NotEmpty(t, values["method"])
			}
			_, err := stockv1.NewStockServiceClient(conn).GetLot(ctx, &stockv1.GetLotRequest{Name: "nurseries/test/lots/l1"})
			expect(err, test.reads)
			_, err = stockv1.NewStockServiceClient(conn).CreateHouse(ctx, house())
			expect(err, test.creates)
			stream, err := diagnosisv1.NewDiagnosisServiceClient(conn).UploadPhoto(ctx)
			require.NoError(t, err)
			_, err = stream.CloseAndRecv()
			expect(err, test.photo)
		})
	}
}

func TestAnotherNurserysNamesAreRefusedWhereverTheyStand(t *testing.T) {
	handler := &reached{}
	conn := rpctest.Serve(t, handler.register)
	manager := rpctest.As(context.Background(), rpctest.Manager)
	plants := stockv1.NewStockServiceClient(conn)
	for _, test := range []struct {
		name string
		call func() error
	}{
		{"in the name", func() error {
			_, err := plants.GetLot(manager, &stockv1.GetLotRequest{Name: "nurseries/other/lots/l1"})
			return err
		}},
		{"in the parent", func() error {
			request := lot()
			request.Parent = "nurseries/other"
			_, err := plants.CreateLot(manager, request)
			return err
		}},
		{"nested", func() error {
			request := lot()
			request.Lot.Bench = "nurseries/other/houses/h1/benches/b1"
			_, err := plants.CreateLot(manager, request)
			return err
		}},
		{"in a list, nested", func() error {
			request := house()
			request.House.AdjoiningHouses = []string{"nurseries/test/houses/h2", "nurseries/other/houses/h1"}
			_, err := plants.CreateHouse(manager, request)
			return err
		}},
		{"in a later message of a stream", func() error {
			stream, err := diagnosisv1.NewDiagnosisServiceClient(conn).UploadPhoto(manager)
			require.NoError(t, err)
			require.NoError(t, stream.Send(&diagnosisv1.UploadPhotoRequest{Parent: "nurseries/test/inspections/i"}))
			_ = stream.Send(&diagnosisv1.UploadPhotoRequest{Parent: "nurseries/other/inspections/i"})
			_, err = stream.CloseAndRecv()
			return err
		}},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, values := rpctest.Refused(t, test.call(), codes.PermissionDenied, fault.PermissionDenied)
			require.Contains(t, values["name"], "nurseries/other")
			require.Empty(t, handler.callers)
		})
	}
	_, err := plants.GetLot(rpctest.As(context.Background(), rpctest.Stranger), &stockv1.GetLotRequest{Name: "nurseries/other/lots/l1"})
	require.NoError(t, err, "their own")
}

func TestViolationsNameFieldAndRule(t *testing.T) {
	handler := &reached{}
	conn := rpctest.Serve(t, handler.register)
	manager := rpctest.As(context.Background(), rpctest.Manager)
	for _, test := range []struct {
		name  string
		spoil func(*stockv1.CreateLotRequest)
		field string
		rule  string
	}{
		{"too few plants", func(r *stockv1.CreateLotRequest) { r.Plants = 0 }, "plants", "int64.gte_lte"},
		{"no request id", func(r *stockv1.CreateLotRequest) { r.RequestId = "" }, "request_id", "string.uuid_empty"},
		{"no lot", func(r *stockv1.CreateLotRequest) { r.Lot = nil }, "lot", "required"},
		{"nested", func(r *stockv1.CreateLotRequest) { r.Lot.BotanicalName = "" }, "lot.botanical_name", "string.min_len"},
		{"deeply nested", func(r *stockv1.CreateLotRequest) {
			r.Lot.UnitValue = &typev1.Money{CurrencyCode: "rand", Amount: "1"}
		}, "lot.unit_value.currency_code", "string.pattern"},
		{"a NUL", func(r *stockv1.CreateLotRequest) { r.Lot.Cultivar = "a\x00b" }, "lot.cultivar", ""},
	} {
		t.Run(test.name, func(t *testing.T) {
			request := lot()
			test.spoil(request)
			_, err := stockv1.NewStockServiceClient(conn).CreateLot(manager, request)
			rpctest.Refused(t, err, codes.InvalidArgument, fault.InvalidField)
			violation := violations(err)[0]
			require.Equal(t, test.field, violation.GetField())
			require.Equal(t, test.rule, violation.GetReason())
			require.NotEmpty(t, violation.GetDescription())
			require.Contains(t, status.Convert(err).Message(), test.field)
		})
	}
	t.Run("all at once", func(t *testing.T) {
		_, err := stockv1.NewStockServiceClient(conn).CreateLot(manager, &stockv1.CreateLotRequest{})
		require.Greater(t, len(violations(err)), 3)
	})
	t.Run("in a list", func(t *testing.T) {
		request := house()
		request.House.AdjoiningHouses = []string{"nurseries/test/houses/h2", "a\x00"}
		_, err := stockv1.NewStockServiceClient(conn).CreateHouse(manager, request)
		rpctest.RefusedField(t, err, "house.adjoining_houses[1]")
	})
	require.Empty(t, handler.callers)
}

func violations(err error) []*errdetails.BadRequest_FieldViolation {
	for _, detail := range status.Convert(err).Details() {
		if bad, ok := detail.(*errdetails.BadRequest); ok {
			return bad.GetFieldViolations()
		}
	}
	return nil
}

// journal is a log that a test reads while the server writes.
type journal struct {
	mu   sync.Mutex
	body bytes.Buffer
}

func (j *journal) Write(p []byte) (int, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.body.Write(p)
}

func (j *journal) String() string {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.body.String()
}

type onlyManager struct{}

func (onlyManager) Authenticate(context.Context, string) (rpc.Principal, error) {
	return rpctest.Manager, nil
}

func serveLogged(t *testing.T, handler *reached) (*grpc.ClientConn, *journal) {
	t.Helper()
	log := &journal{}
	server := rpc.NewServer(slog.New(slog.NewJSONHandler(log, nil)), onlyManager{})
	handler.register(server)
	listener := bufconn.Listen(1 << 20)
	go func() { _ = server.Serve(listener) }()
	t.Cleanup(server.Stop)
	conn, err := grpc.NewClient("passthrough:///test",
		grpc.WithContextDialer(func(context.Context, string) (net.Conn, error) { return listener.Dial() }),
		grpc.WithTransportCredentials(insecure.NewCredentials()))
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	return conn, log
}

func TestWhatBreaksInsideStaysInside(t *testing.T) {
	const secret = "relation stock.lot, password=hunter2"
	for _, test := range []struct {
		name   string
		answer func(context.Context) error
	}{
		{"a panic", func(context.Context) error { panic(secret) }},
		{"an error of ours", func(context.Context) error { return fmt.Errorf("read the lot: %w", errors.New(secret)) }},
		{"a fault's cause", func(context.Context) error {
			return fault.New(fault.Internal, fault.InternalReason, "internal error").Because(errors.New(secret))
		}},
		{"a status of a library", func(context.Context) error { return status.Error(codes.Unknown, secret) }},
	} {
		for kind, call := range map[string]func(*grpc.ClientConn, context.Context) error{
			"unary": func(conn *grpc.ClientConn, ctx context.Context) error {
				_, err := stockv1.NewStockServiceClient(conn).GetLot(ctx, &stockv1.GetLotRequest{Name: "nurseries/test/lots/l1"})
				return err
			},
			"stream": func(conn *grpc.ClientConn, ctx context.Context) error {
				stream, err := diagnosisv1.NewDiagnosisServiceClient(conn).UploadPhoto(ctx)
				require.NoError(t, err)
				_, err = stream.CloseAndRecv()
				return err
			},
		} {
			t.Run(test.name+", "+kind, func(t *testing.T) {
				conn, log := serveLogged(t, &reached{answer: test.answer})
				ctx := rpctest.As(context.Background(), rpctest.Manager)
				err := call(conn, ctx)
				message, values := rpctest.Refused(t, err, codes.Internal, fault.InternalReason)
				require.NotContains(t, status.Convert(err).Proto().String(), "hunter2")
				require.NotEmpty(t, values["call"])
				require.Contains(t, message, values["call"])
				require.Contains(t, log.String(), values["call"], "the log has it under that id")
				require.Contains(t, log.String(), "hunter2")

				require.Error(t, call(conn, ctx), "the server goes on")
			})
		}
	}
}

func TestFaultsBecomeStatuses(t *testing.T) {
	for kind, code := range map[fault.Kind]codes.Code{
		fault.Invalid: codes.InvalidArgument, fault.NotFound: codes.NotFound, fault.Exists: codes.AlreadyExists,
		fault.Precondition: codes.FailedPrecondition, fault.Aborted: codes.Aborted, fault.Unauthenticated: codes.Unauthenticated,
		fault.Denied: codes.PermissionDenied, fault.Unavailable: codes.Unavailable,
	} {
		conn := rpctest.Serve(t, (&reached{answer: func(context.Context) error {
			return fmt.Errorf("in a use case: %w", fault.FieldReason(kind, fault.LotHeld, "lot", "it is held by %s", "case 7").With("case", "7").
				Because(errors.New("hunter2")))
		}}).register)
		_, err := stockv1.NewStockServiceClient(conn).GetLot(rpctest.As(context.Background(), rpctest.Manager), &stockv1.GetLotRequest{Name: "nurseries/test/lots/l1"})
		message, values := rpctest.Refused(t, err, code, fault.LotHeld)
		require.Equal(t, "lot: it is held by case 7", message)
		require.Equal(t, map[string]string{"case": "7"}, values)
		require.Equal(t, "lot", violations(err)[0].GetField())
		require.NotContains(t, status.Convert(err).Proto().String(), "hunter2")
	}
}

func TestACallerWhoLeavesIsNoFailureOfOurs(t *testing.T) {
	require.Equal(t, codes.Canceled, rpc.Status(fmt.Errorf("query: %w", context.Canceled)).Code())
	require.Equal(t, codes.DeadlineExceeded, rpc.Status(fmt.Errorf("query: %w", context.DeadlineExceeded)).Code())
}
