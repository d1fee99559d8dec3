package records

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"

	"velamen/internal/datafolder"
)

// SigningKey signs the closes of months (Ed25519, RFC 8032), and knows the public
// keys of those that signed before it.
type SigningKey struct {
	private ed25519.PrivateKey
	earlier []ed25519.PublicKey
}

// publicKey returns the public half.
func (k *SigningKey) publicKey() ed25519.PublicKey {
	return ed25519.PublicKey(k.private[ed25519.SeedSize:]) // Go keeps the public key behind the seed
}

// believes reports whether a public key is this one's, or that of an earlier key.
func (k *SigningKey) believes(public ed25519.PublicKey) bool {
	return public.Equal(k.publicKey()) || slices.ContainsFunc(k.earlier, func(one ed25519.PublicKey) bool { return one.Equal(public) })
}

// keyIDLength is how many hexadecimal digits name a key: enough to tell the keys of
// a nursery apart, few enough to be read aloud. The whole key decides.
const keyIDLength = 16

// keyID names a public key.
func keyID(public ed25519.PublicKey) string {
	sum := sha256.Sum256(public)
	return hex.EncodeToString(sum[:])[:keyIDLength]
}

// signingKey is what the key is called. The secret that datafolder makes is as long as a
// seed.
const signingKey = "signing key"

// earlierWord begins the line of an earlier public key.
const earlierWord = "earlier "

// ReadOrMakeSigningKey returns the key in a file that only its owner may read. The
// first call makes it. It fails when the file can be read by others or is malformed.
func ReadOrMakeSigningKey(file string) (*SigningKey, error) {
	key, err := ReadSigningKey(file)
	if !errors.Is(err, fs.ErrNotExist) {
		return key, err
	}
	if err := datafolder.MakeSecret(file, signingKey); err != nil {
		return nil, err
	}
	return ReadSigningKey(file)
}

// ReadSigningKey returns the key in a file: its first line is the secret seed, 32
// bytes in base64 (RFC 4648, URL alphabet, no padding). Lines "earlier HEX" after it
// are public keys of before. It refuses a file that others may read.
func ReadSigningKey(file string) (*SigningKey, error) {
	content, err := datafolder.ReadSecret(file, signingKey)
	if err != nil {
		return nil, err
	}
	key, err := parseSigningKey(content)
	if err != nil {
		return nil, fmt.Errorf("the signing key %s: %w", file, err)
	}
	return key, nil
}

// parseSigningKey never says what it read: it is a secret.
func parseSigningKey(text string) (*SigningKey, error) {
	lines := strings.Split(text, "\n")
	seed, err := base64.RawURLEncoding.Strict().DecodeString(strings.TrimSpace(lines[0]))
	if err != nil || len(seed) != ed25519.SeedSize {
		return nil, fmt.Errorf("line 1 is not %d bytes in base64; put the copy that was kept back", ed25519.SeedSize)
	}
	key := &SigningKey{private: ed25519.NewKeyFromSeed(seed)}
	for i, line := range lines[1:] {
		digits, found := strings.CutPrefix(strings.TrimSpace(line), earlierWord)
		public, err := hex.DecodeString(digits)
		if !found || err != nil || len(public) != ed25519.PublicKeySize {
			return nil, fmt.Errorf("line %d is not %q and a public key of %d hexadecimal digits", i+2, earlierWord, 2*ed25519.PublicKeySize)
		}
		key.earlier = append(key.earlier, public)
	}
	return key, nil
}
