package records

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/postgres"
	"velamen/services/identity"
	"velamen/services/records/duty"
)

// readKeeper reads all that decides about a nursery's entries: its laws, those that it was
// under before, what was said of it, its standing holds, and the corrections.
func readKeeper(ctx context.Context, r postgres.Reader, id string, now time.Time) (*keeper, error) {
	k := &keeper{now: now, corrections: map[int64]*together{}}
	var err error
	if k.nursery, err = identity.ReadNursery(ctx, r, id); err != nil {
		return nil, err
	}
	if k.jurisdictions, err = identity.ReadJurisdictions(ctx, r, id); err != nil {
		return nil, err
	}
	if k.settings, err = readDutySettings(ctx, r, id); err != nil {
		return nil, err
	}
	standing, err := holds(ctx, r, id)
	if err != nil {
		return nil, err
	}
	for _, h := range standing {
		k.holds = append(k.holds, duty.Hold{Name: holdName(id, h.number), Reason: h.reason, House: h.house, FromDay: h.from, ToDay: h.to})
	}
	err = eachEntry(ctx, r, correctedOrCorrecting, pgx.NamedArgs{"nursery": id}, func(e entry) bool {
		k.join(e)
		return true
	})
	return k, err
}
