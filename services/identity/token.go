package identity

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"time"
)

const (
	// tokenLife is how long a sign-in lasts: a working day and the way home, so
	// that a phone left in a house overnight is signed out by morning. Common
	// practice, no source.
	tokenLife = 12 * time.Hour
	// tokenBytes of randomness make guessing hopeless.
	tokenBytes = 32
)

// newToken returns a token and the hash under which it is kept.
func newToken() (token string, hash []byte) {
	secret := make([]byte, tokenBytes)
	rand.Read(secret) // never fails (documented): it ends the program instead
	token = base64.RawURLEncoding.EncodeToString(secret)
	return token, tokenHash(token)
}

// tokenHash needs no salt or slowness: a token is random already.
func tokenHash(token string) []byte {
	sum := sha256.Sum256([]byte(token))
	return sum[:]
}
