package main

import (
	"bytes"
	"io"
	"net"
	"path/filepath"
	"testing"

	"github.com/spf13/cobra"
	"github.com/stretchr/testify/require"

	"velamen/internal/cli"
	"velamen/internal/cli/clitest"
)

func TestHelpTellsTheTruth(t *testing.T) {
	clitest.CheckHelp(t, func() *cobra.Command {
		return cli.Tree(cli.Options{Out: io.Discard, Err: io.Discard, Commands: commands()})
	})
}

// command runs a command line and returns what it said and its exit code.
func command(t *testing.T, environment map[string]string, args ...string) (said string, code int) {
	t.Helper()
	var stderr bytes.Buffer
	code = cli.Run(t.Context(), cli.Options{
		Args: args, Out: io.Discard, Err: &stderr, Commands: commands(),
		Environment: func(name string) string { return environment[name] },
	})
	return stderr.String(), code
}

func TestOptionsThatCannotBeMeantNameTheirFlag(t *testing.T) {
	folder := t.TempDir()
	external := []string{"serve", "--database-url", "postgres://velamen_app@127.0.0.1:1/velamen", "--temporal-address", "127.0.0.1:1",
		"--photo-folder", folder, "--setup-key-file", filepath.Join(folder, "key")}
	for _, test := range []struct {
		name        string
		args        []string
		environment map[string]string
		says        string
	}{
		{"address without port", []string{"up", "--listen", "127.0.0.1"}, nil, "--listen"},
		{"port that is none", []string{"up", "--listen", "127.0.0.1:http"}, nil, "--listen"},
		{"port 0", []string{"up", "--listen", "127.0.0.1:0"}, nil, "--listen"},
		{"address from the environment", []string{"up"}, map[string]string{"VELAMEN_LISTEN": "here"}, `--listen: "here"`},
		{"passwords in the clear", []string{"up", "--listen", "0.0.0.0:7843"}, nil, "would travel unencrypted"},
		{"certificate without key", []string{"up", "--tls-certificate-file", "x.crt"}, nil, "--tls-certificate-file"},
		{"log level", []string{"up", "--log-level", "loud"}, nil, "--log-level"},
		{"no folder", []string{"up", "--data-folder", ""}, nil, "--data-folder"},
		{"no database", []string{"serve", "--temporal-address", "127.0.0.1:7233"}, nil, "--database-url"},
		{"database that is no URL", append(external, "--database-url", "s3cret host"), nil, "--database-url"},
		{"no Temporal", append(external, "--temporal-address", ""), nil, "--temporal-address"},
		{"no photos", append(external, "--photo-folder", filepath.Join(folder, "none")), nil, "--photo-folder"},
		{"no setup key", append(external, "--setup-key-file", ""), nil, "--setup-key-file"},
		{"API key in the clear", append(external, "--temporal-api-key-file", "key"), nil, "--temporal-tls"},
		{"migrate without database", []string{"migrate"}, nil, "--database-url"},
	} {
		t.Run(test.name, func(t *testing.T) {
			said, code := command(t, test.environment, test.args...)
			require.Equal(t, 2, code, said)
			require.Contains(t, said, test.says)
			require.NotContains(t, said, "s3cret")
		})
	}
}

func TestBusyAddressIsNamedAndNothingIsStarted(t *testing.T) {
	busy, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer func() { require.NoError(t, busy.Close()) }()
	folder := t.TempDir()

	said, code := command(t, nil, "up", "--data-folder", folder, "--listen", busy.Addr().String())
	require.Equal(t, 1, code)
	require.Contains(t, said, busy.Addr().String()+" is in use")
	require.Contains(t, said, "--listen")
	require.NoDirExists(t, filepath.Join(folder, "postgresql"))
}

func TestDatabaseThatDoesNotAnswer(t *testing.T) {
	said, code := command(t, map[string]string{"VELAMEN_DATABASE_URL": "postgres://velamen_owner@127.0.0.1:1/velamen"}, "migrate")
	require.Equal(t, 1, code)
	require.Contains(t, said, "the database does not answer")
}
