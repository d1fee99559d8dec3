package main

import (
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"velamen/internal/cli"
	"velamen/internal/clock"
	"velamen/internal/datafolder"
	"velamen/internal/engine"
	"velamen/internal/postgres"
	"velamen/internal/server"
)

// listenFlags are those of every command that serves.
func listenFlags(flags *pflag.FlagSet, options *server.Options, level *string) {
	flags.StringVar(&options.Listen, "listen", cli.DefaultServer, "address on which calls are answered")
	flags.StringVar(&options.CertificateFile, "tls-certificate-file", "", "PEM file of the certificate that encrypts calls")
	flags.StringVar(&options.KeyFile, "tls-key-file", "", "PEM file of the certificate's key")
	flags.StringVar(level, "log-level", "info", "least severe level that is logged: debug, info, warn or error")
	cli.FromEnvironment(flags, "listen", "tls-certificate-file", "tls-key-file", "log-level")
}

func upCommand() *cobra.Command {
	options := server.Options{Clock: clock.System{}}
	var folder, level string
	cmd := &cobra.Command{
		Use:   "up",
		Short: "Run velamen on this machine, with everything it needs",
		Long: `Runs velamen for one machine: a private PostgreSQL cluster in the data folder and
a Temporal server in this process, with its state in the same cluster, so that a
backup of the data folder holds everything. PostgreSQL's programs must be
installed. The log is velamen.log in the data folder.

It runs until it is told to stop (Ctrl-C or SIGTERM), and then stops in order.`,
		Example: `  velamen up
  velamen up --data-folder /srv/velamen --listen 127.0.0.1:7900`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			options.DataFolder = datafolder.Folder(folder)
			options.Progress = cmd.ErrOrStderr()
			return serve(cmd, options, level)
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&folder, "data-folder", string(datafolder.Default()), "folder that holds everything")
	cli.FromEnvironment(flags, "data-folder")
	listenFlags(flags, &options, &level)
	return cmd
}

func serveCommand() *cobra.Command {
	external := &server.External{}
	options := server.Options{Clock: clock.System{}, External: external}
	var level string
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Run velamen with a PostgreSQL and a Temporal that others run",
		Long: `Runs velamen against an external PostgreSQL and an external Temporal cluster. Any
number of these may run side by side; they keep nothing but photos, in a folder
that they share. The log goes to standard error.

velamen migrate must have brought the database to this version's schema before.
Calls from other machines must be encrypted: give a certificate, or --plaintext
when something in front of velamen encrypts.

The database URL is that of the application role; prefer VELAMEN_DATABASE_URL, as
others on the machine can read a command line.`,
		Example: `  velamen serve --database-url postgres://velamen_app@db.internal/velamen --temporal-address temporal.internal:7233 \
    --photo-folder /srv/photos --setup-key-file /run/secrets/setup-key --listen 0.0.0.0:7843 \
    --tls-certificate-file /run/secrets/tls.crt --tls-key-file /run/secrets/tls.key`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			options.Log, options.Progress = cmd.ErrOrStderr(), io.Discard
			return serve(cmd, options, level)
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&external.DatabaseURL, "database-url", "", "URL of the database as the application role")
	flags.StringVar(&external.TemporalAddress, "temporal-address", "", "address of the Temporal frontend")
	flags.StringVar(&external.TemporalNamespace, "temporal-namespace", engine.Namespace, "Temporal namespace; registered when it is missing")
	flags.BoolVar(&external.TemporalTLS, "temporal-tls", false, "encrypt the connection to Temporal")
	flags.StringVar(&external.TemporalCAFile, "temporal-ca-file", "", "PEM file of the authority that signed Temporal's certificate")
	flags.StringVar(&external.TemporalCertificateFile, "temporal-certificate-file", "", "PEM file of the certificate that Temporal asks for")
	flags.StringVar(&external.TemporalKeyFile, "temporal-key-file", "", "PEM file of that certificate's key")
	flags.StringVar(&external.TemporalAPIKeyFile, "temporal-api-key-file", "", "file with the API key for Temporal")
	flags.StringVar(&external.PhotoFolder, "photo-folder", "", "folder of the photos, shared by all that serve")
	flags.StringVar(&external.SetupKeyFile, "setup-key-file", "", "file with the key with which nurseries are set up")
	flags.StringVar(&external.SigningKeyFile, "signing-key-file", "", "file with the key that signs the closes of the ledger; without it no month can be closed")
	cli.FromEnvironment(flags, "database-url", "temporal-address", "temporal-namespace", "temporal-tls", "temporal-ca-file",
		"temporal-certificate-file", "temporal-key-file", "temporal-api-key-file", "photo-folder", "setup-key-file",
		"signing-key-file")
	listenFlags(flags, &options, &level)
	return cmd
}

// serve runs the server until the command's context ends.
func serve(cmd *cobra.Command, options server.Options, level string) error {
	if err := options.LogLevel.UnmarshalText([]byte(level)); err != nil {
		return cli.Usage(fmt.Errorf("--log-level: %q is none of debug, info, warn, error", level))
	}
	var err error
	if options.Plaintext, err = cmd.Flags().GetBool("plaintext"); err != nil {
		return err
	}
	err = server.Run(cmd.Context(), options)
	if server.IsOption(err) {
		return cli.Usage(err)
	}
	return err
}

func migrateCommand() *cobra.Command {
	var url string
	cmd := &cobra.Command{
		Use:   "migrate",
		Short: "Bring a database to this version's schema",
		Long: `Brings the database of velamen serve to this version's schema, as the role that
owns it. Run it before the new version serves; it may be run again at any time.
velamen up does it by itself.`,
		Example: `  velamen migrate --database-url postgres://velamen_owner@db.internal/velamen`,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if url == "" {
				return cli.Usage(errors.New("--database-url is missing: name the database as its owner"))
			}
			if err := postgres.Migrate(cmd.Context(), url); err != nil {
				return err
			}
			version, err := postgres.SchemaVersion()
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "The database is at schema %d.\n", version)
			return err
		},
	}
	cmd.Flags().StringVar(&url, "database-url", "", "URL of the database as the role that owns the schema")
	cli.FromEnvironment(cmd.Flags(), "database-url")
	return cmd
}
