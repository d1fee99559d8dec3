package embedded

import (
	"errors"
	"log/slog"
)

// Options says where the server keeps its state.
type Options struct {
	// SocketFolder is the folder of the PostgreSQL socket. Required.
	SocketFolder string
	// Port is the port number in the name of the PostgreSQL socket. Required.
	Port int
	// User is the role that owns both databases; Password is its password. Both required.
	User     string
	Password string
	// Database and VisibilityDatabase exist already and are empty or were used
	// by this server before. They default to "temporal" and "temporal_visibility".
	Database           string
	VisibilityDatabase string
	// Namespace defaults to engine.Namespace.
	Namespace string
	// Logger receives what the server reports; nil drops it.
	Logger *slog.Logger
	// LogLevel is the least severe level that is passed on. It defaults to
	// slog.LevelWarn: at info the server writes hundreds of lines for one start.
	LogLevel slog.Leveler
}

// ErrNotBuiltIn is returned by Start in a binary built with the tag "external".
var ErrNotBuiltIn = errors.New("embedded: this binary was built without the Temporal server; give the address of an external one with --temporal-address")

func (o Options) withDefaults() (Options, error) {
	if o.SocketFolder == "" || o.Port == 0 || o.User == "" || o.Password == "" {
		return o, errors.New("embedded: SocketFolder, Port, User and Password are all required")
	}
	if o.Database == "" {
		o.Database = "temporal"
	}
	if o.VisibilityDatabase == "" {
		o.VisibilityDatabase = "temporal_visibility"
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if o.LogLevel == nil {
		o.LogLevel = slog.LevelWarn
	}
	return o, nil
}
