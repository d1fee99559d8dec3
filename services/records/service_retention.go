package records

import (
	"cmp"
	"context"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/types/known/timestamppb"

	recordsv1 "velamen/gen/velamen/records/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/records/duty"
)

// ListRetention sums up how many entries may be purged and what keeps the others.
func (s *Service) ListRetention(ctx context.Context, request *recordsv1.ListRetentionRequest) (*recordsv1.ListRetentionResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	var response *recordsv1.ListRetentionResponse
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		k, err := readKeeper(ctx, tx, ids[0], s.db.Now())
		if err != nil {
			return err
		}
		days, err := readSpan(request.GetFromDate(), request.GetToDate(), k.nursery.Zone)
		if err != nil {
			return err
		}
		if response, err = k.sumUp(ctx, tx, days); err != nil {
			return err
		}
		response.PurgeableThrough, err = k.mayGoThrough(ctx, tx)
		return err
	})
	return response, err
}

// retentionKey is what the entries of a group have in common.
type retentionKey struct {
	month string
	state recordsv1.RetentionState
	row   string
	holds string
}

// sumUp groups the entries whose work ended on some days.
func (k *keeper) sumUp(ctx context.Context, tx pgx.Tx, days span) (*recordsv1.ListRetentionResponse, error) {
	where, args := days.where(k.nursery.ID)
	response := &recordsv1.ListRetentionResponse{Caution: duty.Caution, Jurisdictions: k.jurisdictions}
	groups := map[retentionKey]*recordsv1.RetentionGroup{}
	err := eachEntry(ctx, tx, where, args, func(e entry) bool {
		f := k.fateOf(e)
		response.Entries++
		if f.state == mayGo {
			response.MayGo++
		}
		key := retentionKey{e.EndTime.In(k.nursery.Zone).Format(monthForm), f.state, f.row, strings.Join(f.holds, " ")}
		group := groups[key]
		if group == nil {
			group = &recordsv1.RetentionGroup{Month: key.month, State: f.state, Row: f.row, FirstEntry: e.Sequence, Holds: f.holds, Message: f.why}
			groups[key] = group
		}
		group.Entries++
		group.LastEntry = e.Sequence
		widen(group, f.until)
		return true
	})
	if err != nil {
		return nil, err
	}
	response.Groups = slices.SortedFunc(maps.Values(groups), func(a, b *recordsv1.RetentionGroup) int {
		return cmp.Or(cmp.Compare(a.GetMonth(), b.GetMonth()), cmp.Compare(a.GetState(), b.GetState()), cmp.Compare(a.GetRow(), b.GetRow()),
			cmp.Compare(a.GetFirstEntry(), b.GetFirstEntry()))
	})
	return response, nil
}

// widen takes the end of one more time into a group.
func widen(group *recordsv1.RetentionGroup, until time.Time) {
	if until.IsZero() {
		return
	}
	if group.GetFirstTime() == nil || until.Before(group.GetFirstTime().AsTime()) {
		group.FirstTime = timestamppb.New(until)
	}
	if group.GetLastTime() == nil || until.After(group.GetLastTime().AsTime()) {
		group.LastTime = timestamppb.New(until)
	}
}

// where selects the entries of a nursery whose work ended on the days.
func (s span) where(nursery string) (string, pgx.NamedArgs) {
	where, args := "", pgx.NamedArgs{"nursery": nursery}
	if s.begin != nil {
		where, args["begin"] = where+" AND "+endedFrom, *s.begin
	}
	if s.end != nil {
		where, args["end"] = where+" AND "+endedBefore, *s.end
	}
	return where, args
}

// mayGoThrough is the last entry through which the ledger can be purged now, 0 for none.
func (k *keeper) mayGoThrough(ctx context.Context, tx pgx.Tx) (int64, error) {
	purged, err := purgedThrough(ctx, tx, k.nursery.ID)
	if err != nil {
		return 0, err
	}
	last := purged
	err = eachEntry(ctx, tx, "", pgx.NamedArgs{"nursery": k.nursery.ID}, func(e entry) bool {
		if k.fateOf(e).state != mayGo {
			return false
		}
		last = e.Sequence
		return true
	})
	return k.purgeableThrough(purged, last), err
}

// PurgeEntries removes entries from the start of the ledger, if every one of them may be
// purged, and leaves a signed tombstone.
func (s *Service) PurgeEntries(ctx context.Context, request *recordsv1.PurgeEntriesRequest) (*recordsv1.Purge, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	if (request.GetThroughSequence() > 0) == (request.GetThroughDate() != nil) {
		return nil, fault.Field("through_sequence", "say through which entry or through which day, one of the two")
	}
	if s.key == nil {
		return nil, noKey("nothing can be purged: without a signed tombstone nobody can tell a purge from a loss")
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*recordsv1.Purge, error) {
		ledger, err := lockHead(ctx, tx, ids[0])
		if err != nil {
			return nil, err
		}
		now := s.db.Now()
		if err := refuseWrongClock(ctx, tx, now); err != nil {
			return nil, err
		}
		k, err := readKeeper(ctx, tx, ids[0], now)
		if err != nil {
			return nil, err
		}
		before, err := readPurges(ctx, tx, ids[0])
		if err != nil {
			return nil, err
		}
		p := purging{
			Nursery: ids[0], Number: 1, FirstSequence: 1, Jurisdictions: k.jurisdictions, Reason: request.GetReason(), Person: caller.Name(),
			PurgeTime: now, PrevPurge: noPurge(),
		}
		if len(before) > 0 {
			last := before[len(before)-1]
			p.Number, p.FirstSequence, p.PrevPurge = last.number+1, last.through+1, last.hash()
		}
		if p.ThroughSequence, err = askedThrough(ctx, tx, request, k, ledger, p.FirstSequence); err != nil {
			return nil, err
		}
		if err := refuseBroken(ctx, tx, p, s.key); err != nil {
			return nil, err
		}
		if p, err = k.clear(ctx, tx, p); err != nil {
			return nil, err
		}
		return removeAndSign(ctx, tx, p, s.key)
	})
}

// refuseWrongClock refuses a purge by a server whose clock is ahead of the database's: by
// it the time to keep records would seem to be over.
func refuseWrongClock(ctx context.Context, tx pgx.Tx, now time.Time) error {
	database, err := aheadOfDatabase(ctx, tx, now)
	if err != nil || database.IsZero() {
		return err
	}
	return fault.New(fault.Precondition, fault.RecordKept, "the clock of this server says %s, and that of the database %s: put them right, and purge then",
		moment(now), moment(database)).With("server_time", moment(now)).With("database_time", moment(database))
}

// askedThrough returns the last entry of a purge that a request asks for.
func askedThrough(ctx context.Context, tx pgx.Tx, request *recordsv1.PurgeEntriesRequest, k *keeper, ledger head, first int64) (int64, error) {
	through := request.GetThroughSequence()
	switch {
	case through > ledger.sequence:
		return 0, fault.Field("through_sequence", "the ledger ends at entry %d", ledger.sequence).With("last_entry", fmt.Sprint(ledger.sequence))
	case through > 0 && through < first:
		return 0, fault.Field("through_sequence", "the entries up to %d were purged before", first-1).With("purged_through", fmt.Sprint(first-1))
	case through > 0:
		return through, nil
	}
	day := request.GetThroughDate().GetValue()
	_, end, err := clock.Day(day, k.nursery.Zone)
	if err != nil {
		return 0, fault.Field("through_date", "%s", err).With("through_date", day)
	}
	if through, err = endedBy(ctx, tx, k.nursery.ID, end, ledger); err != nil {
		return 0, err
	}
	if through < first {
		return 0, fault.Field("through_date", "the ledger does not begin with an entry whose work ended on %s or before", day).With("through_date", day)
	}
	return through, nil
}

// refuseBroken refuses to remove entries that are not as they were written: they are the
// evidence of that.
func refuseBroken(ctx context.Context, tx pgx.Tx, p purging, key *SigningKey) error {
	found, err := verify(ctx, tx, p.Nursery, extent{from: p.FirstSequence, to: p.ThroughSequence}, key)
	if err != nil {
		return err
	}
	verdict := found.contract()
	if verdict.GetIntact() {
		return nil
	}
	broken := cmp.Or(verdict.GetBrokenPurge(), verdict.GetBrokenEntry(), verdict.GetBrokenClose())
	return fault.New(fault.Precondition, fault.RecordKept, "the ledger is broken at %s, so nothing of it is purged: %s", broken, verdict.GetFault()).
		With("broken", broken).With("fault", verdict.GetFault())
}

// clear refuses a purge unless every one of its entries may go, and says of the tombstone
// how many they are and until when they had to be kept.
func (k *keeper) clear(ctx context.Context, tx pgx.Tx, p purging) (purging, error) {
	var refused error
	err := eachEntry(ctx, tx, ` AND e.sequence BETWEEN @first AND @through`,
		pgx.NamedArgs{"nursery": p.Nursery, "first": p.FirstSequence, "through": p.ThroughSequence}, func(e entry) bool {
			f := k.fateOf(e)
			if f.state != mayGo {
				refused = refuseKept(p.Nursery, e.Sequence, f)
				return false
			}
			if group := k.corrections[e.Sequence]; group != nil && group.last > p.ThroughSequence {
				refused = fault.New(fault.Precondition, fault.RecordKept,
					"entry %d was corrected by entry %d, which would stay: they go together or not at all", e.Sequence, group.last).
					With("entry", entryName(p.Nursery, e.Sequence)).With("correction", entryName(p.Nursery, group.last))
				return false
			}
			p.Entries++
			if f.until.After(p.KeptUntil) {
				p.KeptUntil = f.until
			}
			return true
		})
	p.KeptUntil = clock.Stored(p.KeptUntil)
	return p, cmp.Or(err, refused)
}

// refuseKept names the first entry that must be kept, until when, and why.
func refuseKept(nursery string, sequence int64, f fate) error {
	refused := fault.New(fault.Precondition, fault.RecordKept, "%s", f.why).
		With("entry", entryName(nursery, sequence)).With("sequence", strconv.FormatInt(sequence, 10)).With("row", f.row).With("holds", strings.Join(f.holds, " "))
	if !f.until.IsZero() {
		refused = refused.With("until", moment(f.until))
	}
	return refused
}

// removeAndSign signs the tombstone and adds it, with which the entries go.
func removeAndSign(ctx context.Context, tx pgx.Tx, p purging, key *SigningKey) (*recordsv1.Purge, error) {
	last, _, err := hashAt(ctx, tx, p.Nursery, p.ThroughSequence)
	if err != nil {
		return nil, err
	}
	p.Head = hex.EncodeToString(last.hash)
	signed, err := p.sign(key)
	if err != nil {
		return nil, err
	}
	if err := insertPurge(ctx, tx, p.Nursery, signed); err != nil {
		return nil, err
	}
	return signed.contract()
}

// ListPurges returns the signed tombstones, the oldest first.
func (s *Service) ListPurges(ctx context.Context, request *recordsv1.ListPurgesRequest) (*recordsv1.ListPurgesResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 1)
	if err != nil {
		return nil, err
	}
	after, err := page.Number(0)
	if err != nil {
		return nil, err
	}
	purges, err := listPurges(ctx, s.db, ids[0], after, page.Size+1)
	if err != nil {
		return nil, err
	}
	purges, next := rpc.Cut(page, purges, func(p purgeRow) []string { return []string{strconv.FormatInt(p.number, 10)} })
	response := &recordsv1.ListPurgesResponse{NextPageToken: next}
	for _, p := range purges {
		message, err := p.contract()
		if err != nil {
			return nil, err
		}
		response.Purges = append(response.Purges, message)
	}
	return response, nil
}
