package records

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"time"
)

// seal returns the hash of an entry: that of the entry before and its body. The
// first entry follows 32 zero bytes.
func seal(prevHash []byte, body string) []byte {
	sum := sha256.Sum256(append(bytes.Clone(prevHash), body...))
	return sum[:]
}

// head is where a ledger ends.
type head struct {
	sequence int64
	hash     []byte
}

// start is the head of a ledger without entries.
func start() head { return head{hash: make([]byte, sha256.Size)} }

// row is an entry as its table holds it, before anything is believed.
type row struct {
	sequence    int64
	body        string
	prevHash    []byte
	hash        []byte
	application string
	house       string
	product     string
	startTime   time.Time
	endTime     time.Time
	corrects    *int64
}

// broken is the first entry of a ledger that is not as it was written.
type broken struct {
	sequence int64
	fault    string
	// month is that of the signed close that shows it, or empty.
	month string
}

// chain is a ledger that is being verified, entry by entry. It begins at the start of
// the ledger, or after an entry whose hash is believed.
type chain struct {
	nursery string
	last    head
	// marks are the hashes that closes signed for entries to come, in their order.
	marks []mark
	// found counts the marks that the chain agreed with, and signed is the last entry
	// of those.
	found, signed int64
	// begins is the first entry of the ledger: the one after those that were purged.
	begins int64
}

// begin checks the hash that the chain begins from against the closes, and leaves out
// what they signed before it.
func (c *chain) begin() *broken {
	for len(c.marks) > 0 && c.marks[0].sequence < c.last.sequence {
		c.signed = c.marks[0].sequence
		c.marks = c.marks[1:]
	}
	return c.agree(c.last)
}

// agree checks the hash of an entry against the closes that signed it.
func (c *chain) agree(at head) *broken {
	for len(c.marks) > 0 && c.marks[0].sequence == at.sequence {
		next := c.marks[0]
		if !bytes.Equal(next.hash, at.hash) {
			return &broken{at.sequence, c.contradicts(next), next.month}
		}
		c.marks = c.marks[1:]
		c.found, c.signed = c.found+1, at.sequence
	}
	return nil
}

// contradicts says which entries may have been replaced: a chain that was sealed anew
// shows only that it is another up to the entry that was signed.
func (c *chain) contradicts(m mark) string {
	text := fmt.Sprintf("Its hash is not the one that the close of %s signed: ", m.month)
	if m.sequence <= c.signed+1 {
		return text + "it was replaced."
	}
	return text + fmt.Sprintf("it was replaced, or one of the entries from %d on.", c.signed+1)
}

// follow checks that a row is the next entry of the chain, as it was written. It
// returns nil when it is, and the chain goes on from it.
func (c *chain) follow(r row) *broken {
	next := c.last.sequence + 1
	if r.sequence != next {
		return &broken{sequence: next, fault: fmt.Sprintf("It is missing: the next entry that is there is %d.", r.sequence) + c.noTombstone(next)}
	}
	if !bytes.Equal(r.prevHash, c.last.hash) {
		return &broken{sequence: next, fault: "It does not carry the hash of the entry before it."}
	}
	if !bytes.Equal(r.hash, seal(r.prevHash, r.body)) {
		return &broken{sequence: next, fault: "Its hash is not that of what it says: it was changed after it was written."}
	}
	if fault := checkRow(c.nursery, r); fault != "" {
		return &broken{sequence: next, fault: fault}
	}
	if first := c.agree(head{sequence: r.sequence, hash: r.hash}); first != nil {
		return first
	}
	c.last = head{sequence: r.sequence, hash: r.hash}
	return nil
}

// noTombstone says of a missing first entry that nothing says that it was purged.
func (c *chain) noTombstone(missing int64) string {
	if missing != c.begins {
		return ""
	}
	return " No tombstone says that it was purged."
}

// endsAt checks that a range that stops before the end of the ledger is all there.
func (c *chain) endsAt(sequence int64) *broken {
	if c.last.sequence >= sequence {
		return nil
	}
	return &broken{sequence: c.last.sequence + 1, fault: fmt.Sprintf("It is missing: the last one of the range that is there is %d.", c.last.sequence)}
}

// end checks that the chain ends where the ledger says it does.
func (c *chain) end(ledger head) *broken {
	if ledger.sequence > c.last.sequence {
		return &broken{sequence: c.last.sequence + 1, fault: fmt.Sprintf("It is missing: the ledger ends at entry %d, and the last one that is there is %d.",
			ledger.sequence, c.last.sequence)}
	}
	if ledger.sequence < c.last.sequence {
		return &broken{sequence: ledger.sequence + 1, fault: fmt.Sprintf("It was added past the end of the ledger, which is at entry %d.", ledger.sequence)}
	}
	if !bytes.Equal(ledger.hash, c.last.hash) {
		return &broken{sequence: c.last.sequence, fault: "Its hash is not that of the ledger's end: it was replaced."}
	}
	if len(c.marks) > 0 {
		m := c.marks[0]
		return &broken{c.last.sequence + 1, fmt.Sprintf("It is missing: the close of %s signed the entries up to %d, and the ledger ends at %d.",
			m.month, m.sequence, c.last.sequence), m.month}
	}
	return nil
}

// checkRow returns what is wrong with a row whose hash is right, or nothing.
func checkRow(nursery string, r row) string {
	e, err := parseEntry(r.body)
	if err != nil {
		return "What it says cannot be read as an entry in the canonical form."
	}
	if e.Nursery != nursery || e.Sequence != r.sequence {
		return fmt.Sprintf("It says that it is entry %d of the nursery %s.", e.Sequence, e.Nursery)
	}
	if column := differs(e, r); column != "" {
		return fmt.Sprintf("Its column %s differs from what it says.", column)
	}
	recomputed := e
	if err := recomputed.computeActives(); err != nil {
		return "Its active ingredients cannot be computed from the amount of product."
	}
	for i, active := range recomputed.Actives {
		if !active.Amount.Amount.Equal(e.Actives[i].Amount.Amount) || active.Amount.Unit != e.Actives[i].Amount.Unit {
			return fmt.Sprintf("It says %s of %s, and the product holds %s.", e.Actives[i].Amount, active.ActiveIngredient, active.Amount)
		}
	}
	return ""
}

// differs names the first column that is not what the body says.
func differs(e entry, r row) string {
	switch {
	case e.Application != r.application:
		return "application"
	case e.House != r.house:
		return "house"
	case e.Product != r.product:
		return "product"
	case !e.StartTime.Equal(r.startTime):
		return "start_time"
	case !e.EndTime.Equal(r.endTime):
		return "end_time"
	case !sameCorrection(e.Correction, r.corrects):
		return "corrects"
	default:
		return ""
	}
}

func sameCorrection(c *correction, corrects *int64) bool {
	if c == nil || corrects == nil {
		return c == nil && corrects == nil
	}
	return c.Corrects == *corrects
}
