// Package rpc is the gRPC side of the services: one interceptor chain, errors,
// permissions, remembered requests, page tokens, etags and field masks.
//
// The chain, outermost first: recover from panics; give the call an id and log
// how it ended; turn errors into statuses; find out who calls; refuse what their
// role or nursery does not allow; validate the request; run the handler.
package rpc

import (
	"context"
	"log/slog"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"buf.build/go/protovalidate"
	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/health"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/reflection"
	"google.golang.org/protobuf/proto"

	"velamen/internal/fault"
)

// Authenticator finds out who holds a token. It returns an Unauthenticated fault
// for an unknown or expired one.
type Authenticator interface {
	Authenticate(ctx context.Context, token string) (Principal, error)
}

// Server is a gRPC server with the interceptor chain, health and reflection.
type Server struct {
	*grpc.Server
	health *health.Server
}

// NewServer returns a server; services are registered on it before it serves.
func NewServer(logger *slog.Logger, authenticator Authenticator, options ...grpc.ServerOption) *Server {
	chain := &chain{logger: logger, authenticator: authenticator}
	options = append(options,
		grpc.ChainUnaryInterceptor(chain.unary),
		grpc.ChainStreamInterceptor(chain.stream),
		grpc.MaxRecvMsgSize(maxMessage),
	)
	server := &Server{Server: grpc.NewServer(options...), health: health.NewServer()}
	healthv1.RegisterHealthServer(server, server.health)
	reflection.Register(server)
	return server
}

// maxMessage is the largest message accepted, in bytes; files come in pieces of
// 1 MiB.
const maxMessage = 4 << 20

// SetServing reports the server ready or not to health checks.
func (s *Server) SetServing(serving bool) {
	state := healthv1.HealthCheckResponse_NOT_SERVING
	if serving {
		state = healthv1.HealthCheckResponse_SERVING
	}
	s.health.SetServingStatus("", state)
}

type chain struct {
	logger        *slog.Logger
	authenticator Authenticator
}

type callIDKey struct{}

// CallID returns the id under which a call is logged.
func CallID(ctx context.Context) string {
	id, _ := ctx.Value(callIDKey{}).(string)
	return id
}

func (c *chain) unary(ctx context.Context, request any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (response any, err error) {
	ctx = context.WithValue(ctx, callIDKey{}, uuid.NewString())
	began := time.Now()
	defer func() {
		err = c.finish(ctx, info.FullMethod, began, recover(), err)
	}()
	ctx, err = c.admit(ctx, info.FullMethod)
	if err != nil {
		return nil, err
	}
	if err := check(ctx, info.FullMethod, request); err != nil {
		return nil, err
	}
	return handler(ctx, request)
}

func (c *chain) stream(service any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) (err error) {
	ctx := context.WithValue(stream.Context(), callIDKey{}, uuid.NewString())
	began := time.Now()
	defer func() {
		err = c.finish(ctx, info.FullMethod, began, recover(), err)
	}()
	ctx, err = c.admit(ctx, info.FullMethod)
	if err != nil {
		return err
	}
	return handler(service, &checkedStream{ServerStream: stream, ctx: ctx, method: info.FullMethod})
}

// finish logs how a call ended and turns its error into a status.
func (c *chain) finish(ctx context.Context, method string, began time.Time, panicked any, err error) error {
	if panicked != nil {
		c.logger.ErrorContext(ctx, "panic in a call", "method", method, "call", CallID(ctx), "panic", panicked, "stack", string(debug.Stack()))
		err = fault.New(fault.Internal, fault.InternalReason, "internal error")
	}
	took := time.Since(began)
	if err == nil {
		c.logger.DebugContext(ctx, "call", "method", method, "call", CallID(ctx), "took", took)
		return nil
	}
	s := Status(err)
	level := slog.LevelInfo
	if s.Code() == codes.Internal || s.Code() == codes.Unknown {
		level = slog.LevelError
		s = faultStatus(fault.New(fault.Internal, fault.InternalReason, "internal error; the log has it under call %s", CallID(ctx)).
			With("call", CallID(ctx)))
	}
	c.logger.Log(ctx, level, "call refused", "method", method, "call", CallID(ctx), "code", s.Code().String(), "took", took, "error", causes(err))
	return s.Err()
}

// causes renders an error with what it wraps, for the log alone.
func causes(err error) string {
	f, ok := fault.As(err)
	if !ok || f.Unwrap() == nil {
		return err.Error()
	}
	return err.Error() + ": " + f.Unwrap().Error()
}

// admit finds out who calls and whether their role allows the method.
func (c *chain) admit(ctx context.Context, method string) (context.Context, error) {
	if slices.Contains(public, method) {
		return ctx, nil
	}
	token, err := bearer(ctx)
	if err != nil {
		return ctx, err
	}
	p, err := c.authenticator.Authenticate(ctx, token)
	if err != nil {
		return ctx, err
	}
	return WithPrincipal(ctx, p), permit(p, method)
}

func bearer(ctx context.Context) (string, error) {
	values := metadata.ValueFromIncomingContext(ctx, "authorization")
	if len(values) != 1 {
		return "", fault.New(fault.Unauthenticated, fault.NotSignedIn, "sign in first: the call carries no authorization")
	}
	token, found := strings.CutPrefix(values[0], "Bearer ")
	if !found || token == "" {
		return "", fault.New(fault.Unauthenticated, fault.NotSignedIn, "the authorization must be \"Bearer TOKEN\"")
	}
	return token, nil
}

// check validates a message against the contract and keeps it in the caller's
// nursery.
func check(ctx context.Context, method string, request any) error {
	if message, ok := request.(proto.Message); ok {
		if err := protovalidate.Validate(message); err != nil {
			return err
		}
		if err := storable(message); err != nil {
			return err
		}
	}
	if slices.Contains(public, method) {
		return nil
	}
	return withinNursery(ctx, request)
}

// checkedStream checks every message that it receives.
type checkedStream struct {
	grpc.ServerStream
	ctx    context.Context
	method string
}

func (s *checkedStream) Context() context.Context { return s.ctx }

func (s *checkedStream) RecvMsg(message any) error {
	if err := s.ServerStream.RecvMsg(message); err != nil {
		return err
	}
	return check(s.ctx, s.method, message)
}
