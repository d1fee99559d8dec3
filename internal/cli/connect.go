package cli

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"net"
	"os"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/connectivity"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"

	identityv1 "velamen/gen/velamen/identity/v1"
	"velamen/internal/resource"
)

// maxAnswer is the largest answer accepted, in bytes: a use record of many
// years comes in one message.
const maxAnswer = 64 << 20

// client returns the connection to the server, made on first use.
func (a *app) client() (grpc.ClientConnInterface, error) {
	if a.conn != nil {
		return a.conn, nil
	}
	if a.Connect != nil {
		conn, err := a.Connect(a.flags.server)
		a.conn = conn
		return conn, err
	}
	transport, err := a.transport()
	if err != nil {
		return nil, err
	}
	conn, err := grpc.NewClient(a.flags.server, grpc.WithTransportCredentials(transport),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxAnswer)))
	if err != nil {
		return nil, usagef("--server %s: %w", a.flags.server, err)
	}
	a.conn, a.closer = conn, conn
	return conn, nil
}

// connected reports whether the connection to the server stands.
func (a *app) connected() bool {
	conn, tells := a.conn.(interface{ GetState() connectivity.State })
	return tells && conn.GetState() == connectivity.Ready
}

func (a *app) disconnect() {
	if a.closer != nil {
		_ = a.closer.Close() // the process ends now, and all answers are here
	}
}

// transport encrypts everything that leaves the machine, because passwords and
// tokens travel with it.
func (a *app) transport() (credentials.TransportCredentials, error) {
	host, _, err := net.SplitHostPort(a.flags.server)
	if err != nil {
		return nil, usagef("--server %s: it must be HOST:PORT", a.flags.server)
	}
	if a.flags.caFile == "" && (a.flags.plaintext || isLoopback(host)) {
		return insecure.NewCredentials(), nil
	}
	config := &tls.Config{MinVersion: tls.VersionTLS12}
	if a.flags.caFile == "" {
		return credentials.NewTLS(config), nil
	}
	pem, err := os.ReadFile(a.flags.caFile)
	if err != nil {
		return nil, usagef("--ca-file: %w", err)
	}
	config.RootCAs = x509.NewCertPool()
	if !config.RootCAs.AppendCertsFromPEM(pem) {
		return nil, usagef("--ca-file %s: it holds no certificate in PEM form", a.flags.caFile)
	}
	return credentials.NewTLS(config), nil
}

func isLoopback(host string) bool {
	return host == "localhost" || net.ParseIP(host).IsLoopback()
}

// signedIn adds the token to the calls made under ctx. Without one the server
// answers that nobody is signed in.
func (a *app) signedIn(ctx context.Context) (context.Context, error) {
	s, err := a.currentSession()
	if err != nil || s.Token == "" {
		return ctx, err
	}
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+s.Token), nil
}

// change returns the request id of the change that a command makes.
func (a *app) change() (string, error) {
	if a.flags.requestID == "" {
		a.mutation = uuid.NewString()
		return a.mutation, nil
	}
	if err := uuid.Validate(a.flags.requestID); err != nil {
		return "", usagef("--request-id %s: it must be a UUID", a.flags.requestID)
	}
	a.mutation = a.flags.requestID
	return a.mutation, nil
}

// nursery returns the id of the nursery that a command is about.
func (a *app) nursery() (string, error) {
	if a.flags.nursery != "" {
		if _, err := resource.Parse("nursery", "nurseries/"+a.flags.nursery, "nurseries"); err != nil {
			return "", usagef("--nursery %q: it must be the nursery's id, as in vanda", a.flags.nursery)
		}
		return a.flags.nursery, nil
	}
	s, err := a.currentSession()
	if err != nil {
		return "", err
	}
	if id, known := resource.NurseryOf(s.Person); known {
		return id, nil
	}
	if s.Token != "" {
		return "", usagef("--nursery is missing: VELAMEN_TOKEN does not say which nursery it is for")
	}
	return "", outcomeError{exitNotAllowed, fmt.Errorf("%w at %s; sign in with velamen sign-in, or set VELAMEN_TOKEN and VELAMEN_NURSERY", errNotSignedIn, a.flags.server)}
}

func (a *app) parent() (string, error) {
	id, err := a.nursery()
	if err != nil {
		return "", err
	}
	return resource.Of("nurseries", id), nil
}

// nurseryZone returns the time zone in which the nursery counts days.
func (a *app) nurseryZone(ctx context.Context) (*time.Location, error) {
	if a.zone != nil {
		return a.zone, nil
	}
	name, err := a.parent()
	if err != nil {
		return nil, err
	}
	conn, err := a.client()
	if err != nil {
		return nil, err
	}
	if ctx, err = a.signedIn(ctx); err != nil {
		return nil, err
	}
	nursery, err := identityv1.NewIdentityServiceClient(conn).GetNursery(ctx, &identityv1.GetNurseryRequest{Name: name})
	if err != nil {
		return nil, err
	}
	zone, err := time.LoadLocation(nursery.GetTimeZone())
	if err != nil {
		return nil, fmt.Errorf("the nursery's time zone: %w", err)
	}
	a.zone = zone
	return zone, nil
}

// call runs one call of a signed-in person through a service's client.
func call[Client, Request, Response any](ctx context.Context, a *app, service func(grpc.ClientConnInterface) Client,
	method func(Client, context.Context, Request, ...grpc.CallOption) (Response, error), request Request) (Response, error) {
	var none Response
	conn, err := a.client()
	if err != nil {
		return none, err
	}
	if ctx, err = a.signedIn(ctx); err != nil {
		return none, err
	}
	return method(service(conn), ctx, request)
}
