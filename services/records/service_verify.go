package records

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	recordsv1 "velamen/gen/velamen/records/v1"
	"velamen/internal/resource"
	"velamen/services/identity"
)

// VerifyLedger recomputes the hash chain, all of it or a range, checks the closes,
// and names the first broken entry.
func (s *Service) VerifyLedger(ctx context.Context, request *recordsv1.VerifyLedgerRequest) (*recordsv1.VerifyLedgerResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	var found verdict
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		asked, err := askedFor(ctx, tx, ids[0], request)
		if err != nil {
			return err
		}
		found, err = verify(ctx, tx, ids[0], asked, s.key)
		return err
	})
	if err != nil {
		return nil, err
	}
	return found.contract(), nil
}

// askedFor returns the entries that a request asks about.
func askedFor(ctx context.Context, tx pgx.Tx, nursery string, request *recordsv1.VerifyLedgerRequest) (extent, error) {
	days, err := byDays(request)
	if err != nil {
		return extent{}, err
	}
	if days {
		place, err := identity.ReadNursery(ctx, tx, nursery)
		if err != nil {
			return extent{}, err
		}
		s, err := readSpan(request.GetFromDate(), request.GetToDate(), place.Zone)
		if err != nil {
			return extent{}, err
		}
		return extentOf(ctx, tx, nursery, s)
	}
	asked, err := readNumbers(request)
	if err != nil {
		return extent{}, err
	}
	ledger, err := readHead(ctx, tx, nursery)
	if err != nil {
		return extent{}, err
	}
	if err := asked.refuseBeyond(ledger); err != nil {
		return extent{}, err
	}
	purged, err := purgedThrough(ctx, tx, nursery)
	if err != nil {
		return extent{}, err
	}
	return asked, asked.refusePurged(purged)
}

// verify checks the tombstones of purges, then the closes, and then the entries of an
// extent against them.
func verify(ctx context.Context, tx pgx.Tx, nursery string, asked extent, key *SigningKey) (verdict, error) {
	v := verdict{nursery: nursery, asked: asked}
	if key != nil {
		v.keyName = keyID(key.publicKey())
	}
	purges, err := readPurges(ctx, tx, nursery)
	if err != nil {
		return verdict{}, err
	}
	if v.purged, v.purge = verifyPurges(nursery, key, purges); v.purge != nil {
		v.asked = extent{from: 1, to: 0}
		v.trusts = append(v.trusts, "No entry was checked: nothing says where the ledger begins.")
		return v, nil
	}
	rows, err := readCloses(ctx, tx, nursery)
	if err != nil {
		return verdict{}, err
	}
	marks, wrong := verifyCloses(nursery, key, rows)
	v.close = wrong
	if len(marks) > 0 {
		v.signed = marks[len(marks)-1].sequence
	}
	for _, m := range marks {
		if m.sequence > 0 && m.sequence < v.purged.sequence {
			v.older++
		}
	}
	if asked.empty() {
		v.trusts = append(v.trusts, "No work in the ledger ended on these days, so no entry was checked.")
		return v, nil
	}
	asked.from = max(asked.from, v.purged.sequence+1)
	v.asked = asked
	before, found, err := hashAt(ctx, tx, nursery, asked.from-1)
	if err != nil {
		return verdict{}, err
	}
	v.before, v.last = before, before
	if !found {
		v.entry = &broken{sequence: before.sequence, fault: fmt.Sprintf("It is missing, so nothing says what entry %d follows.", asked.from)}
		return v, nil
	}
	if back, err := firstBack(ctx, tx, nursery, v.purged.sequence); err != nil || back > 0 {
		v.entry = &broken{sequence: back, fault: "It was purged, and is there again."}
		return v, err
	}
	checked := chain{nursery: nursery, last: before, marks: marks, begins: v.purged.sequence + 1}
	return follow(ctx, tx, v, checked)
}

// follow reads the entries of a verdict's extent from where the chain begins.
func follow(ctx context.Context, tx pgx.Tx, v verdict, checked chain) (verdict, error) {
	ledger, err := readHead(ctx, tx, v.nursery)
	if err != nil {
		return verdict{}, err
	}
	v.entry = checked.begin()
	switch v.before.sequence {
	case 0:
	case v.purged.sequence:
		v.trusts = append(v.trusts, trustsPurge(v.purged))
	default:
		v.trusts = append(v.trusts, trustsBefore(v.before, checked.found > 0))
	}
	if v.entry == nil {
		err = walk(ctx, tx, v.nursery, v.asked, func(r row) bool {
			v.entry = checked.follow(r)
			return v.entry == nil
		})
	}
	if err != nil {
		return verdict{}, err
	}
	if v.entry == nil && v.asked.to >= ledger.sequence {
		v.entry = checked.end(ledger)
	}
	if v.entry == nil && v.asked.to < ledger.sequence {
		v.entry = checked.endsAt(v.asked.to)
	}
	v.asked.to = min(v.asked.to, ledger.sequence)
	v.last, v.marks = checked.last, checked.found
	if text := unsigned(v.asked.from, v.asked.to, v.signed); text != "" {
		v.trusts = append(v.trusts, text)
	}
	return v, nil
}
