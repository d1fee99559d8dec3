package rpc

import (
	"context"

	identityv1 "velamen/gen/velamen/identity/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
)

// Principal is who makes a call.
type Principal struct {
	// Nursery is the id of the nursery they work in.
	Nursery string
	// Person is their id in that nursery.
	Person string
	// Role says what they may do.
	Role identityv1.Role
}

// Name returns the person's resource name.
func (p Principal) Name() string {
	return resource.Of("nurseries", p.Nursery, "people", p.Person)
}

type principalKey struct{}

// WithPrincipal returns a context in which calls are made by p.
func WithPrincipal(ctx context.Context, p Principal) context.Context {
	return context.WithValue(ctx, principalKey{}, p)
}

// Caller returns who makes the call, or an Unauthenticated fault.
func Caller(ctx context.Context) (Principal, error) {
	p, ok := ctx.Value(principalKey{}).(Principal)
	if !ok {
		return Principal{}, fault.New(fault.Unauthenticated, fault.NotSignedIn, "sign in first")
	}
	return p, nil
}
