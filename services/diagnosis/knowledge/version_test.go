package knowledge

import (
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"
)

func TestTheVersionNamesTheFiles(t *testing.T) {
	require.Regexp(t, `^[0-9a-f]{64}$`, Version())
	hash := func(name, content string) string {
		text, err := versionOf(fstest.MapFS{"signs.yaml": {Data: []byte("a")}, name: {Data: []byte(content)}})
		require.NoError(t, err)
		return text
	}
	first := hash("tests.yaml", "b")
	require.Equal(t, first, hash("tests.yaml", "b"))
	require.NotEqual(t, first, hash("tests.yaml", "c"), "another content")
	require.NotEqual(t, first, hash("disorders/tests.yaml", "b"), "another name")
}
