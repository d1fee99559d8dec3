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
}

// chain is a ledger that is being verified, entry by entry from the first.
type chain struct {
	nursery string
	last    head
}

// follow checks that a row is the next entry of the chain, as it was written. It
// returns nil when it is, and the chain goes on from it.
func (c *chain) follow(r row) *broken {
	next := c.last.sequence + 1
	if r.sequence != next {
		return &broken{next, fmt.Sprintf("It is missing: the next entry that is there is %d.", r.sequence)}
	}
	if !bytes.Equal(r.prevHash, c.last.hash) {
		return &broken{next, "It does not carry the hash of the entry before it."}
	}
	if !bytes.Equal(r.hash, seal(r.prevHash, r.body)) {
		return &broken{next, "Its hash is not that of what it says: it was changed after it was written."}
	}
	if fault := checkRow(c.nursery, r); fault != "" {
		return &broken{next, fault}
	}
	c.last = head{sequence: r.sequence, hash: r.hash}
	return nil
}

// end checks that the chain ends where the ledger says it does.
func (c *chain) end(ledger head) *broken {
	if ledger.sequence > c.last.sequence {
		return &broken{c.last.sequence + 1, fmt.Sprintf("It is missing: the ledger ends at entry %d, and the last one that is there is %d.",
			ledger.sequence, c.last.sequence)}
	}
	if ledger.sequence < c.last.sequence {
		return &broken{ledger.sequence + 1, fmt.Sprintf("It was added past the end of the ledger, which is at entry %d.", ledger.sequence)}
	}
	if !bytes.Equal(ledger.hash, c.last.hash) {
		return &broken{c.last.sequence, "Its hash is not that of the ledger's end: it was replaced."}
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
