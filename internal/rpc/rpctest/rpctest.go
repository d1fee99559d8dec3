// Package rpctest serves services in a test through the real interceptor chain,
// with callers of the test's choice.
package rpctest

import (
	"context"
	"log/slog"
	"net"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"

	identityv1 "velamen/gen/velamen/identity/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc"
)

// Nursery is the id of the nursery in which test callers work.
const Nursery = "test"

// Manager and Worker are callers in the test nursery.
var (
	Owner   = rpc.Principal{Nursery: Nursery, Person: "olwen", Role: identityv1.Role_ROLE_OWNER}
	Manager = rpc.Principal{Nursery: Nursery, Person: "mira", Role: identityv1.Role_ROLE_MANAGER}
	Worker  = rpc.Principal{Nursery: Nursery, Person: "wandile", Role: identityv1.Role_ROLE_WORKER}
	Auditor = rpc.Principal{Nursery: Nursery, Person: "ada", Role: identityv1.Role_ROLE_AUDITOR}
	// Stranger works in another nursery.
	Stranger = rpc.Principal{Nursery: "other", Person: "sol", Role: identityv1.Role_ROLE_OWNER}
)

// Serve serves what register adds until the test ends, and returns a connection
// on which the token of a call is the id of one of the callers above.
func Serve(t testing.TB, register func(server *rpc.Server)) *grpc.ClientConn {
	t.Helper()
	listener := bufconn.Listen(1 << 20)
	server := rpc.NewServer(slog.New(slog.DiscardHandler), callers{})
	register(server)
	go func() { _ = server.Serve(listener) }()
	t.Cleanup(server.Stop)
	conn, err := grpc.NewClient("passthrough:///test",
		grpc.WithContextDialer(func(context.Context, string) (net.Conn, error) { return listener.Dial() }),
		grpc.WithTransportCredentials(insecure.NewCredentials()))
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// As returns a context in which calls are made by a caller.
func As(ctx context.Context, caller rpc.Principal) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+caller.Person)
}

type callers struct{}

func (callers) Authenticate(_ context.Context, token string) (rpc.Principal, error) {
	for _, caller := range []rpc.Principal{Owner, Manager, Worker, Auditor, Stranger} {
		if caller.Person == token {
			return caller, nil
		}
	}
	return rpc.Principal{}, fault.New(fault.Unauthenticated, fault.NotSignedIn, "unknown token")
}

// Refused holds an error to be a refusal with a code and a reason; it returns
// the message and the metadata.
func Refused(t testing.TB, err error, code codes.Code, reason fault.Reason) (message string, values map[string]string) {
	t.Helper()
	require.Error(t, err)
	s := status.Convert(err)
	require.Equal(t, code.String(), s.Code().String(), s.Message())
	for _, detail := range s.Details() {
		if info, ok := detail.(*errdetails.ErrorInfo); ok {
			require.Equal(t, string(reason), info.GetReason(), s.Message())
			require.Equal(t, rpc.ErrorDomain, info.GetDomain())
			return s.Message(), info.GetMetadata()
		}
	}
	require.Fail(t, "the error carries no ErrorInfo", s.Message())
	return "", nil
}

// RefusedField holds an error to be an INVALID_ARGUMENT that names a field.
func RefusedField(t testing.TB, err error, field string) (message string) {
	t.Helper()
	require.Error(t, err)
	s := status.Convert(err)
	require.Equal(t, codes.InvalidArgument.String(), s.Code().String(), s.Message())
	var fields []string
	for _, detail := range s.Details() {
		if bad, ok := detail.(*errdetails.BadRequest); ok {
			for _, violation := range bad.GetFieldViolations() {
				fields = append(fields, violation.GetField())
			}
		}
	}
	require.Contains(t, fields, field, s.Message())
	return s.Message()
}
