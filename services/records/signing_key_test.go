package records

import (
	"crypto/ed25519"
	"encoding/base64"
	"encoding/hex"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

// rfcSeed and rfcPublic are the secret and the public key of TEST 1 in RFC 8032,
// section 7.1.
const (
	rfcSeed   = "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60"
	rfcPublic = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"
)

// writeKey writes a key's file and returns its path.
func writeKey(t *testing.T, content string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "signing-key")
	require.NoError(t, os.WriteFile(file, []byte(content), 0o600))
	return file
}

// seedLine is the first line of a key's file, for a seed in hexadecimal.
func seedLine(t *testing.T, digits string) string {
	t.Helper()
	seed, err := hex.DecodeString(digits)
	require.NoError(t, err)
	return base64.RawURLEncoding.EncodeToString(seed) + "\n"
}

// testKey is a key that tests sign with: its seed is one byte, repeated.
func testKey(seed byte) *SigningKey {
	bytes := make([]byte, ed25519.SeedSize)
	for i := range bytes {
		bytes[i] = seed
	}
	return &SigningKey{private: ed25519.NewKeyFromSeed(bytes)}
}

// RFC 8032, section 7.1, TEST 1.
func TestTheKeyOfASeedIsThePublishedOne(t *testing.T) {
	key, err := ReadSigningKey(writeKey(t, seedLine(t, rfcSeed)))
	require.NoError(t, err)
	require.Equal(t, rfcPublic, hex.EncodeToString(key.publicKey()))
}

func TestTheSigningKeyIsMadeOnceForItsOwnerAlone(t *testing.T) {
	file := filepath.Join(t.TempDir(), "signing-key")
	keys := make([]*SigningKey, 8)
	var starts sync.WaitGroup
	for i := range keys {
		starts.Go(func() {
			if key, err := ReadOrMakeSigningKey(file); err == nil {
				keys[i] = key
			}
		})
	}
	starts.Wait()
	for _, key := range keys {
		require.NotNil(t, key)
		require.True(t, keys[0].private.Equal(key.private), "servers that start at once sign with the same key")
	}
	info, err := os.Stat(file)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	left, err := os.ReadDir(filepath.Dir(file))
	require.NoError(t, err)
	require.Len(t, left, 1, "no draft is left")
}

func TestASigningKeyThatIsNoneIsRefusedAndNotReplaced(t *testing.T) {
	good := seedLine(t, rfcSeed)
	for _, test := range []struct{ name, content, says string }{
		{"empty", "", "line 1 is not 32 bytes in base64"},
		{"too short", "AAAA\n", "line 1 is not 32 bytes in base64"},
		{"an earlier key without its word", good + rfcPublic, "line 2 is not"},
		{"an earlier key that is too short", good + "earlier d75a98", "line 2 is not"},
	} {
		t.Run(test.name, func(t *testing.T) {
			file := writeKey(t, test.content)
			_, err := ReadOrMakeSigningKey(file)
			require.ErrorContains(t, err, test.says)
			require.NotContains(t, err.Error(), good[:20], "the secret is not said")
			kept, err := os.ReadFile(file)
			require.NoError(t, err)
			require.Equal(t, test.content, string(kept))
		})
	}
}

func TestASigningKeyThatOthersCanReadIsRefused(t *testing.T) {
	file := writeKey(t, seedLine(t, rfcSeed))
	require.NoError(t, os.Chmod(file, 0o644))
	_, err := ReadOrMakeSigningKey(file)
	require.ErrorContains(t, err, "chmod 600")
}

func TestAnEarlierKeyIsBelieved(t *testing.T) {
	earlier, stranger := testKey(1), testKey(2)
	key, err := ReadSigningKey(writeKey(t, seedLine(t, rfcSeed)+"earlier "+hex.EncodeToString(earlier.publicKey())+"\n"))
	require.NoError(t, err)
	require.True(t, key.believes(key.publicKey()))
	require.True(t, key.believes(earlier.publicKey()))
	require.False(t, key.believes(stranger.publicKey()))
}
