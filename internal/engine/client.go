package engine

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"

	"go.temporal.io/sdk/client"
	sdklog "go.temporal.io/sdk/log"
)

// Options says which Temporal server to use and how to reach it.
type Options struct {
	// Address is host:port of the Temporal frontend. Required.
	Address string
	// Namespace defaults to [Namespace].
	Namespace string
	// Logger receives what the SDK reports; nil drops it.
	Logger *slog.Logger
	// TLS is nil for the server on loopback in our own process. An external
	// cluster should always set it, with a client certificate if it asks for one.
	TLS *tls.Config
	// APIKey is sent as a bearer token when it is not empty. It is refused
	// without TLS, since anyone on the way could read it.
	APIKey string
}

// ErrAddressMissing is returned when Options.Address is empty: the SDK would
// silently try its own default address instead.
var ErrAddressMissing = errors.New("engine: the address of the Temporal server is missing")

// ErrAPIKeyWithoutTLS is returned when an API key would travel in the clear.
var ErrAPIKeyWithoutTLS = errors.New("engine: an API key needs TLS")

// Dial connects to the server and checks that it answers. The caller closes the
// client. The namespace is not checked: see [EnsureNamespace].
func Dial(ctx context.Context, options Options) (client.Client, error) {
	sdk, err := options.sdk()
	if err != nil {
		return nil, err
	}
	c, err := client.DialContext(ctx, sdk)
	if err != nil {
		return nil, fmt.Errorf("engine: connect to Temporal at %s: %w", options.Address, err)
	}
	return c, nil
}

func (o Options) sdk() (client.Options, error) {
	if o.Address == "" {
		return client.Options{}, ErrAddressMissing
	}
	if o.APIKey != "" && o.TLS == nil {
		return client.Options{}, ErrAPIKeyWithoutTLS
	}
	sdk := client.Options{
		HostPort:          o.Address,
		Namespace:         o.namespace(),
		Logger:            sdkLogger(o.Logger),
		ConnectionOptions: client.ConnectionOptions{TLS: o.TLS},
	}
	if o.APIKey != "" {
		sdk.Credentials = client.NewAPIKeyStaticCredentials(o.APIKey)
	}
	return sdk, nil
}

func (o Options) namespace() string {
	if o.Namespace == "" {
		return Namespace
	}
	return o.Namespace
}

// sdkLogger hands the SDK's lines to slog, marked with where they come from.
func sdkLogger(logger *slog.Logger) sdklog.Logger {
	if logger == nil {
		logger = slog.New(slog.DiscardHandler)
	}
	return sdklog.NewStructuredLogger(logger.With(slog.String("component", "temporal-sdk")))
}
