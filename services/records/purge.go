package records

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strconv"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	recordsv1 "velamen/gen/velamen/records/v1"
	"velamen/internal/clock"
	"velamen/internal/resource"
)

// purging is what the tombstone of removed entries says. Its JSON is the canonical form
// that is signed: the names and their order must never change.
type purging struct {
	Nursery         string `json:"nursery"`
	Number          int64  `json:"number"`
	FirstSequence   int64  `json:"first_sequence"`
	ThroughSequence int64  `json:"through_sequence"`
	// Head is the hash of the last entry that was removed, hexadecimal.
	Head    string `json:"head"`
	Entries int64  `json:"entries"`
	// KeptUntil is when the last of the times to keep them ended.
	KeptUntil     time.Time `json:"kept_until"`
	Jurisdictions []string  `json:"jurisdictions"`
	Reason        string    `json:"reason"`
	Person        string    `json:"person"`
	PurgeTime     time.Time `json:"purge_time"`
	PrevPurge     string    `json:"prev_purge"`
	KeyID         string    `json:"key_id"`
}

// purgePrefix says what is signed, so that no other text signed with the key can be
// taken for a tombstone.
const purgePrefix = "velamen records purge v1\n"

func purgeMessage(body string) []byte { return []byte(purgePrefix + body) }

// purgeRow is a tombstone as the database keeps it.
type purgeRow struct {
	number    int64
	body      string
	signature []byte
	publicKey []byte
	through   int64
	head      []byte
	at        time.Time
}

// hash is what the next tombstone carries of this one.
func (r purgeRow) hash() string {
	sum := sha256.Sum256(append([]byte(r.body), r.signature...))
	return hex.EncodeToString(sum[:])
}

// noPurge is what the first tombstone carries as the hash of the one before it.
func noPurge() string { return hex.EncodeToString(make([]byte, sha256.Size)) }

func purgeName(nursery string, number int64) string {
	return resource.Of("nurseries", nursery, "purges", strconv.FormatInt(number, 10))
}

// parsePurging reads a body and refuses one that is not in the canonical form.
func parsePurging(body string) (purging, error) {
	decoder := json.NewDecoder(bytes.NewReader([]byte(body)))
	decoder.DisallowUnknownFields()
	var p purging
	if err := decoder.Decode(&p); err != nil {
		return purging{}, fmt.Errorf("read a tombstone: %w", err)
	}
	p.KeptUntil, p.PurgeTime = clock.Stored(p.KeptUntil), clock.Stored(p.PurgeTime)
	again, err := canonical(p)
	if err != nil {
		return purging{}, err
	}
	if again != body {
		return purging{}, fmt.Errorf("the tombstone %d is not in the canonical form", p.Number)
	}
	return p, nil
}

// sign returns the row of a tombstone, signed with the key in place.
func (p purging) sign(key *SigningKey) (purgeRow, error) {
	p.KeyID = keyID(key.publicKey())
	body, err := canonical(p)
	if err != nil {
		return purgeRow{}, fmt.Errorf("write the tombstone %d: %w", p.Number, err)
	}
	head, err := hex.DecodeString(p.Head)
	if err != nil {
		return purgeRow{}, fmt.Errorf("write the tombstone %d: %w", p.Number, err)
	}
	return purgeRow{
		number: p.Number, body: body, signature: ed25519.Sign(key.private, purgeMessage(body)), publicKey: key.publicKey(),
		through: p.ThroughSequence, head: head, at: p.PurgeTime,
	}, nil
}

// contract returns the tombstone as the contract carries it.
func (r purgeRow) contract() (*recordsv1.Purge, error) {
	p, err := parsePurging(r.body)
	if err != nil {
		return nil, err
	}
	return &recordsv1.Purge{
		Name: purgeName(p.Nursery, p.Number), FirstEntry: p.FirstSequence, LastEntry: p.ThroughSequence, Head: p.Head, Entries: p.Entries,
		KeptUntil: timestamppb.New(p.KeptUntil), Jurisdictions: p.Jurisdictions, Reason: p.Reason, Person: p.Person,
		CreateTime: timestamppb.New(p.PurgeTime), KeyId: p.KeyID, PublicKey: hex.EncodeToString(r.publicKey),
		Signature: hex.EncodeToString(r.signature), SignedText: r.body,
	}, nil
}

// brokenPurge is the first tombstone that is not as it was signed.
type brokenPurge struct {
	number int64
	fault  string
}

// verifyPurges returns where the ledger begins by its tombstones, or the first of them
// that is broken.
func verifyPurges(nursery string, key *SigningKey, rows []purgeRow) (head, *brokenPurge) {
	last, hash := start(), noPurge()
	for i, r := range rows {
		number := int64(i) + 1
		if r.number != number {
			return head{}, &brokenPurge{number, fmt.Sprintf("It is missing: the next tombstone that is there is %d.", r.number)}
		}
		if fault := checkPurge(nursery, key, r, last, hash); fault != "" {
			return head{}, &brokenPurge{number, fault}
		}
		last, hash = head{sequence: r.through, hash: r.head}, r.hash()
	}
	return last, nil
}

// checkPurge says in a sentence what is wrong with a tombstone that comes after another.
func checkPurge(nursery string, key *SigningKey, r purgeRow, before head, hash string) string {
	p, err := parsePurging(r.body)
	if err != nil {
		return "What it says cannot be read as a tombstone in the canonical form."
	}
	if fault := checkSignature(key, p.KeyID, r.publicKey, purgeMessage(r.body), r.signature); fault != "" {
		return fault
	}
	switch {
	case p.Nursery != nursery || p.Number != r.number:
		return fmt.Sprintf("It says that it is tombstone %d of the nursery %s.", p.Number, p.Nursery)
	case p.ThroughSequence != r.through:
		return "Its column through_sequence differs from what it says."
	case p.Head != hex.EncodeToString(r.head):
		return "Its column head differs from what it says."
	case !p.PurgeTime.Equal(r.at):
		return "Its column create_time differs from what it says."
	case p.PrevPurge != hash:
		return "It does not carry the hash of the tombstone before it: that one was replaced."
	case p.FirstSequence != before.sequence+1 || p.ThroughSequence < p.FirstSequence || p.Entries != p.ThroughSequence-before.sequence:
		return "It does not go on where the tombstone before it ends."
	default:
		return ""
	}
}
