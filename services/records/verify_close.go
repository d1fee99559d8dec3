package records

import (
	"crypto/ed25519"
	"encoding/hex"
	"fmt"
)

// mark is the hash that a signed close has for an entry.
type mark struct {
	sequence int64
	hash     []byte
	month    string
}

// closeChain is the closes of a nursery that are being verified, one by one from the
// first.
type closeChain struct {
	nursery string
	// key is the one in place, nil where there is none.
	key    *SigningKey
	number int64
	hash   string
	month  string
	last   int64
}

// brokenClose is the first close that is not as it was signed.
type brokenClose struct {
	month string
	fault string
}

// verifyCloses returns the marks of the closes up to the first that is broken, in
// the order of entries.
func verifyCloses(nursery string, key *SigningKey, rows []closeRow) ([]mark, *brokenClose) {
	checked := closeChain{nursery: nursery, key: key, hash: noClose()}
	var marks []mark
	for _, r := range rows {
		next, fault := checked.follow(r)
		if fault != "" {
			return marks, &brokenClose{month: r.month, fault: fault}
		}
		marks = append(marks, next)
	}
	return marks, nil
}

// follow checks that a row is the next close, as it was signed. It returns its mark,
// or a sentence about what is wrong.
func (c *closeChain) follow(r closeRow) (mark, string) {
	if r.number != c.number+1 {
		return mark{}, fmt.Sprintf("Close number %d, which was before it, is missing.", c.number+1)
	}
	body, err := parseClosing(r.body)
	if err != nil {
		return mark{}, "What it says cannot be read as a close in the canonical form."
	}
	if fault := checkSignature(c.key, body.KeyID, r.publicKey, signedMessage(r.body), r.signature); fault != "" {
		return mark{}, fault
	}
	if column := differsFromClose(body, r); column != "" {
		return mark{}, fmt.Sprintf("Its column %s differs from what it says.", column)
	}
	if body.Nursery != c.nursery {
		return mark{}, fmt.Sprintf("It says that it is of the nursery %s.", body.Nursery)
	}
	if body.PrevClose != c.hash {
		return mark{}, "It does not carry the hash of the close before it: that one was replaced."
	}
	if body.Month <= c.month || body.LastSequence < c.last {
		return mark{}, "It goes back behind the close before it."
	}
	head, err := hex.DecodeString(body.Head)
	if err != nil {
		return mark{}, "Its hash of the last entry is not one."
	}
	c.number, c.hash, c.month, c.last = r.number, r.hash(), body.Month, body.LastSequence
	return mark{sequence: body.LastSequence, hash: head, month: body.Month}, ""
}

// checkSignature believes only the key in place and those that its file names: a key
// that stands beside what is signed is changed by whoever changes that.
func checkSignature(key *SigningKey, said string, public ed25519.PublicKey, message, signature []byte) string {
	switch {
	case key == nil:
		return "No signing key is in place on this server, so nothing says whether it is genuine. Put the key back and verify again."
	case !key.believes(public):
		return fmt.Sprintf("It is signed with the key %s, which is neither the key in place, %s, nor an earlier one that the key's file names.",
			keyID(public), keyID(key.publicKey()))
	case said != keyID(public):
		return fmt.Sprintf("It says that the key %s signed it, and %s stands beside it.", said, keyID(public))
	case !ed25519.Verify(public, message, signature):
		return "Its signature is not that of what it says: it was changed after it was signed."
	default:
		return ""
	}
}

// differsFromClose names the first column that is not what the body says.
func differsFromClose(body closing, r closeRow) string {
	switch {
	case body.Number != r.number:
		return "number"
	case body.Month != r.month:
		return "month"
	case !body.EndTime.Equal(r.endTime):
		return "end_time"
	case body.LastSequence != r.lastSequence:
		return "last_sequence"
	default:
		return ""
	}
}
