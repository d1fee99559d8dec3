package treatment

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/postgres"
	"velamen/services/treatment/entry"
)

// signed names the warning signs of one application in one house.
type signed struct{ application, house string }

// readSigns returns the warning signs that stand at or after a moment, by the
// application and house that they are for.
func readSigns(ctx context.Context, r postgres.Reader, nursery string, moment time.Time) (map[signed]entry.Signs, error) {
	rows, err := r.Query(ctx, `
		SELECT up.application, up.house, up.done_time, down.done_time
		FROM treatment.notice_done up
		LEFT JOIN treatment.notice_done down ON down.nursery = up.nursery AND down.application = up.application
			AND down.house = up.house AND down.kind = 'SIGNS_DOWN'
		WHERE up.nursery = $1 AND up.kind = 'SIGNS_UP' AND coalesce(down.done_time, 'infinity') > $2`, nursery, moment)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	signs := map[signed]entry.Signs{}
	var of signed
	var posted time.Time
	var removed *time.Time
	_, err = pgx.ForEachRow(rows, []any{&of.application, &of.house, &posted, &removed}, func() error {
		put := entry.Signs{Posted: posted.UTC()}
		if removed != nil {
			put.Removed = removed.UTC()
		}
		signs[of] = put
		return nil
	})
	return signs, postgres.Translate(err)
}
