package identity

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/crypto/argon2"
	"google.golang.org/protobuf/proto"

	"velamen/internal/fault"
)

// The shortest and longest password, in characters; the contract's own limits.
const (
	minPassword = 10
	maxPassword = 200
)

// cost is what a guess at a password costs.
type cost struct {
	// memory in KiB.
	memory uint32
	// passes over that memory.
	passes uint32
	// lanes that may be computed side by side.
	lanes uint8
}

// present is the cost of new hashes. Source: OWASP Password Storage Cheat
// Sheet, minimum configuration for Argon2id (19 MiB, 2 passes, 1 lane), from
// memory. RFC 9106's second recommended option takes 64 MiB a hash, which is a
// lot beside a database on a small machine.
var present = cost{memory: 19 * 1024, passes: 2, lanes: 1}

const (
	saltBytes = 16
	keyBytes  = 32
	// hashingAtOnce bounds the memory that sign-ins can take together: 2 × 19 MiB.
	hashingAtOnce = 2
)

// passwords hashes and verifies passwords, a few at a time.
type passwords struct {
	slots chan struct{}
}

func newPasswords() *passwords {
	return &passwords{slots: make(chan struct{}, hashingAtOnce)}
}

// derive waits for its turn and computes Argon2id. It fails only when the
// context ends first.
func (p *passwords) derive(ctx context.Context, password string, salt []byte, c cost, length uint32) ([]byte, error) {
	select {
	case p.slots <- struct{}{}:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	defer func() { <-p.slots }()
	return argon2.IDKey([]byte(password), salt, c.passes, c.memory, c.lanes, length), nil
}

// hash returns a new hash of a password with its salt and cost, in the PHC
// string format.
func (p *passwords) hash(ctx context.Context, password string) (string, error) {
	salt := make([]byte, saltBytes)
	rand.Read(salt) // never fails (documented): it ends the program instead
	key, err := p.derive(ctx, password, salt, present, keyBytes)
	if err != nil {
		return "", err
	}
	return hashed{cost: present, salt: salt, key: key}.String(), nil
}

// verify reports whether a password belongs to a stored hash. An empty or
// unreadable hash matches no password and takes as long as a wrong one, so that
// the time does not tell who exists.
func (p *passwords) verify(ctx context.Context, stored, password string) (bool, error) {
	want, err := parseHashed(stored)
	readable := err == nil
	if !readable {
		want = hashed{cost: present, salt: make([]byte, saltBytes), key: make([]byte, keyBytes)}
	}
	key, err := p.derive(ctx, password, want.salt, want.cost, uint32(len(want.key)))
	if err != nil {
		return false, err
	}
	return subtle.ConstantTimeCompare(key, want.key) == 1 && readable, nil
}

// content identifies a request that carries a password to the memory of answered
// requests. bare is the request without its secrets. The password goes in
// through the slow hash, salted by the request id: the plain hash that serves
// other requests would let a reader of that table try passwords quickly.
func (p *passwords) content(ctx context.Context, bare proto.Message, requestID, password string) ([sha256.Size]byte, error) {
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(bare)
	if err != nil {
		return [sha256.Size]byte{}, fmt.Errorf("hash the request: %w", err)
	}
	if password == "" {
		return sha256.Sum256(body), nil
	}
	salt := sha256.Sum256([]byte(requestID))
	key, err := p.derive(ctx, password, salt[:saltBytes], present, keyBytes)
	if err != nil {
		return [sha256.Size]byte{}, err
	}
	return sha256.Sum256(append(key, body...)), nil
}

// checkLength refuses a password that is too short or too long.
func checkLength(field, password string) error {
	if n := len([]rune(password)); n < minPassword || n > maxPassword {
		return fault.Field(field, "must have %d to %d characters", minPassword, maxPassword)
	}
	return nil
}

// hashed is a password's hash with all that is needed to compute it again.
type hashed struct {
	cost cost
	salt []byte
	key  []byte
}

// String writes the PHC string format.
func (h hashed) String() string {
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, h.cost.memory, h.cost.passes, h.cost.lanes,
		base64.RawStdEncoding.EncodeToString(h.salt), base64.RawStdEncoding.EncodeToString(h.key))
}

var errNotHashed = errors.New("not an Argon2id hash in the PHC string format")

// The largest cost that is read, so that a damaged row cannot take the machine.
const (
	largestMemory = 1 << 20 // KiB
	mostPasses    = 64
	longest       = 64 // bytes of salt or key
)

// parseHashed reads the PHC string format as String writes it.
func parseHashed(text string) (hashed, error) {
	parts := strings.Split(text, "$")
	if len(parts) != 6 {
		return hashed{}, errNotHashed
	}
	var h hashed
	if _, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &h.cost.memory, &h.cost.passes, &h.cost.lanes); err != nil {
		return hashed{}, errNotHashed
	}
	var saltErr, keyErr error
	h.salt, saltErr = base64.RawStdEncoding.DecodeString(parts[4])
	h.key, keyErr = base64.RawStdEncoding.DecodeString(parts[5])
	if saltErr != nil || keyErr != nil || !h.bounded() || h.String() != text {
		return hashed{}, errNotHashed
	}
	return h, nil
}

func (h hashed) bounded() bool {
	c := h.cost
	return c.lanes >= 1 && c.passes >= 1 && c.passes <= mostPasses && c.memory >= 8 && c.memory <= largestMemory &&
		len(h.salt) >= 8 && len(h.salt) <= longest && len(h.key) >= 16 && len(h.key) <= longest
}
