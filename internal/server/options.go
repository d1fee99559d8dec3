package server

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/url"
	"os"
	"strconv"
	"strings"

	"velamen/internal/clock"
	"velamen/internal/datafolder"
	"velamen/internal/engine"
	"velamen/internal/engine/embedded"
)

// Options says how the server runs. Exactly one of DataFolder and External is
// set.
type Options struct {
	// DataFolder holds everything of a nursery that runs on one machine.
	DataFolder datafolder.Folder
	// External names the servers of somebody else.
	External *External
	// Listen is HOST:PORT for gRPC.
	Listen string
	// CertificateFile and KeyFile (PEM) encrypt the calls.
	CertificateFile, KeyFile string
	// Plaintext allows calls from other machines without a certificate: for a
	// server behind something that encrypts.
	Plaintext bool
	// Log receives the log as JSON lines; nil is velamen.log in the data folder.
	Log io.Writer
	// LogLevel is the least severe level that is logged.
	LogLevel slog.Level
	// Progress receives what happens, in plain words for a person.
	Progress io.Writer
	// Clock says what time it is.
	Clock clock.Clock
	// Ready, when set, is called with the address once calls are answered.
	Ready func(address string)
}

// External names a PostgreSQL and a Temporal server that others run.
type External struct {
	// DatabaseURL connects as the application role.
	DatabaseURL string
	// TemporalAddress is HOST:PORT of the Temporal frontend.
	TemporalAddress string
	// TemporalNamespace is registered when it is missing.
	TemporalNamespace string
	// TemporalTLS encrypts the connection to Temporal.
	TemporalTLS bool
	// TemporalCAFile, TemporalCertificateFile and TemporalKeyFile (PEM) are for
	// a Temporal with an authority of its own, or that asks for a certificate.
	TemporalCAFile, TemporalCertificateFile, TemporalKeyFile string
	// TemporalAPIKeyFile holds the API key in its first line; empty for none.
	TemporalAPIKeyFile string
	// PhotoFolder is shared by all replicas.
	PhotoFolder string
	// SetupKeyFile holds the key with which nurseries are set up.
	SetupKeyFile string
	// SigningKeyFile holds the key that signs the closes of the ledger; empty for none,
	// and then no month can be closed.
	SigningKeyFile string
}

// OptionError is an option that cannot be meant.
type OptionError struct {
	// Flag is the flag of the command line that sets it.
	Flag string
	// Rule says what it must be.
	Rule string
}

// Error names the flag and the rule.
func (e *OptionError) Error() string { return "--" + e.Flag + ": " + e.Rule }

func optionError(flag, format string, args ...any) error {
	return &OptionError{Flag: flag, Rule: fmt.Sprintf(format, args...)}
}

// check finds what cannot be meant before anything is started.
func (o Options) check() error {
	if err := o.checkListen(); err != nil {
		return err
	}
	if o.External != nil {
		return o.External.check()
	}
	if !embedded.BuiltIn {
		return errors.New("this velamen was built without the Temporal server (build tag external), which velamen up needs; " +
			"use velamen serve with --temporal-address, or a full build")
	}
	if o.DataFolder == "" {
		return optionError("data-folder", "there is no default place for the data without a home folder; name a folder")
	}
	return nil
}

func (o Options) checkListen() error {
	host, port, err := net.SplitHostPort(o.Listen)
	if err != nil {
		return optionError("listen", "%q is not HOST:PORT, as in 127.0.0.1:7843", o.Listen)
	}
	if number, err := strconv.ParseUint(port, 10, 16); err != nil {
		return optionError("listen", "the port %q is not a number up to 65535", port)
	} else if number == 0 && o.Ready == nil {
		return optionError("listen", "port 0 would be found by nobody; choose one, as in 127.0.0.1:7843")
	}
	if (o.CertificateFile == "") != (o.KeyFile == "") {
		return optionError("tls-certificate-file", "it goes together with --tls-key-file")
	}
	loopback := host == "localhost" || net.ParseIP(host).IsLoopback()
	if !loopback && o.CertificateFile == "" && !o.Plaintext {
		return optionError("listen", "on %s passwords would travel unencrypted; give --tls-certificate-file and --tls-key-file, "+
			"or --plaintext when something in front of velamen encrypts", o.Listen)
	}
	return nil
}

func (e *External) check() error {
	parsed, err := url.Parse(e.DatabaseURL)
	if err != nil || !strings.HasPrefix(parsed.Scheme, "postgres") {
		// The text is not repeated: it may hold a password.
		return optionError("database-url", "it is not a URL such as postgres://velamen_app@HOST/velamen")
	}
	if _, _, err := net.SplitHostPort(e.TemporalAddress); err != nil {
		return optionError("temporal-address", "%q is not HOST:PORT, as in temporal.example:7233", e.TemporalAddress)
	}
	if (e.TemporalCertificateFile == "") != (e.TemporalKeyFile == "") {
		return optionError("temporal-certificate-file", "it goes together with --temporal-key-file")
	}
	if !e.TemporalTLS && (e.TemporalCAFile != "" || e.TemporalCertificateFile != "" || e.TemporalAPIKeyFile != "") {
		return optionError("temporal-tls", "it is needed for certificates and API keys")
	}
	if info, err := os.Stat(e.PhotoFolder); err != nil || !info.IsDir() {
		return optionError("photo-folder", "%q is not a folder; make one that all replicas share", e.PhotoFolder)
	}
	if e.SetupKeyFile == "" {
		return optionError("setup-key-file", "name a file that holds a secret of your choice; it is needed to set nurseries up")
	}
	return nil
}

// engine returns how Temporal is reached.
func (e *External) engine(logger *slog.Logger) (engine.Options, error) {
	options := engine.Options{Address: e.TemporalAddress, Namespace: e.TemporalNamespace, Logger: logger}
	if !e.TemporalTLS {
		return options, nil
	}
	var err error
	if options.TLS, err = e.temporalTLS(); err != nil {
		return options, err
	}
	if e.TemporalAPIKeyFile != "" {
		key, err := os.ReadFile(e.TemporalAPIKeyFile)
		if err != nil {
			return options, optionError("temporal-api-key-file", "%v", err)
		}
		options.APIKey = strings.TrimSpace(string(key))
	}
	return options, nil
}

func (e *External) temporalTLS() (*tls.Config, error) {
	config := &tls.Config{MinVersion: tls.VersionTLS12}
	if e.TemporalCAFile != "" {
		pem, err := os.ReadFile(e.TemporalCAFile)
		if err != nil {
			return nil, optionError("temporal-ca-file", "%v", err)
		}
		config.RootCAs = x509.NewCertPool()
		if !config.RootCAs.AppendCertsFromPEM(pem) {
			return nil, optionError("temporal-ca-file", "it holds no certificate in PEM form")
		}
	}
	if e.TemporalCertificateFile != "" {
		pair, err := tls.LoadX509KeyPair(e.TemporalCertificateFile, e.TemporalKeyFile)
		if err != nil {
			return nil, optionError("temporal-certificate-file", "%v", err)
		}
		config.Certificates = []tls.Certificate{pair}
	}
	return config, nil
}

// IsOption reports whether an error is an option that cannot be meant.
func IsOption(err error) bool {
	var option *OptionError
	return errors.As(err, &option)
}
