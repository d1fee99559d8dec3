//go:build external

package embedded

import "context"

// BuiltIn says whether this binary holds the server.
const BuiltIn = false

// Server cannot be had in this build.
type Server struct{}

// Start always fails with [ErrNotBuiltIn].
func Start(context.Context, Options) (*Server, error) { return nil, ErrNotBuiltIn }

// Address is the host:port of the frontend.
func (*Server) Address() string { return "" }

// Failed reports when the server has given up.
func (*Server) Failed() <-chan error { return nil }

// Stop ends the server.
func (*Server) Stop() error { return nil }
