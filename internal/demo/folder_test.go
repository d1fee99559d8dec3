package demo

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/internal/datafolder"
)

func TestClaimFolder(t *testing.T) {
	folder := datafolder.Folder(filepath.Join(t.TempDir(), "new"))
	require.NoError(t, ClaimFolder(folder), "a folder that does not exist")
	require.NoError(t, os.WriteFile(folder.Log(), nil, 0o600))
	require.NoError(t, ClaimFolder(folder), "a demo's folder again")

	empty := datafolder.Folder(t.TempDir())
	require.NoError(t, ClaimFolder(empty), "an empty folder")

	real := datafolder.Folder(t.TempDir())
	require.NoError(t, os.WriteFile(real.SetupKeyFile(), []byte("a secret"), 0o600))
	require.ErrorContains(t, ClaimFolder(real), "something other than a demo")
}
