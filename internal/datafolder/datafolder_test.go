package datafolder

import (
	"os"
	"path/filepath"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestDefaultFolder(t *testing.T) {
	for _, test := range []struct {
		name        string
		user        int
		environment map[string]string
		want        Folder
	}{
		{"root has the system's folder", 0, map[string]string{"HOME": "/root"}, "/var/lib/velamen"},
		{"XDG_DATA_HOME comes before home", 1000, map[string]string{"HOME": "/home/w", "XDG_DATA_HOME": "/data"}, "/data/velamen"},
		{"a relative XDG_DATA_HOME is ignored", 1000, map[string]string{"HOME": "/home/w", "XDG_DATA_HOME": "data"}, "/home/w/.local/share/velamen"},
		{"without a home there is none", 1000, nil, ""},
	} {
		t.Run(test.name, func(t *testing.T) {
			require.Equal(t, test.want, defaultFor(test.user, func(name string) string { return test.environment[name] }))
		})
	}
}

func TestSetupKeyIsMadeOnceForItsOwnerAlone(t *testing.T) {
	file := Folder(t.TempDir()).SetupKeyFile()

	keys := make([]string, 8)
	var starts sync.WaitGroup
	for i := range keys {
		starts.Go(func() {
			key, err := ReadOrMakeSetupKey(file)
			if err == nil {
				keys[i] = key
			}
		})
	}
	starts.Wait()

	require.Len(t, keys[0], 43, "256 bits in base64")
	for _, key := range keys {
		require.Equal(t, keys[0], key)
	}
	info, err := os.Stat(file)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	left, err := os.ReadDir(filepath.Dir(file))
	require.NoError(t, err)
	require.Len(t, left, 1, "no draft is left")
}

func TestSetupKeyThatOthersCanReadIsRefused(t *testing.T) {
	file := filepath.Join(t.TempDir(), "key")
	require.NoError(t, os.WriteFile(file, []byte("secret\n"), 0o644))
	_, err := ReadSetupKey(file)
	require.ErrorContains(t, err, "chmod 600")
}

func TestEmptySetupKeyIsRefused(t *testing.T) {
	file := filepath.Join(t.TempDir(), "key")
	require.NoError(t, os.WriteFile(file, []byte("\n"), 0o600))
	_, err := ReadOrMakeSetupKey(file)
	require.ErrorContains(t, err, "is empty")
}
