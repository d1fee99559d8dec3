package treatment

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/postgres"
)

// readTreatedHouses returns, by house, the application that began before a moment whose
// interval ended last, of those whose interval, or they themselves, ended at another
// moment or later.
func readTreatedHouses(ctx context.Context, r postgres.Reader, nursery string, since, before time.Time) (map[string]TreatedHouse, error) {
	rows, err := r.Query(ctx, `
		SELECT DISTINCT ON (t.house) t.house, a.id, a.end_time + a.rei_hours * interval '1 hour' AS ended
		FROM treatment.application AS a
		JOIN treatment.application_active AS t ON t.nursery = a.nursery AND t.application = a.id
		WHERE a.nursery = @nursery AND a.start_time < @before
			AND (a.rei_hours IS NULL OR a.end_time + a.rei_hours * interval '1 hour' >= @since)
		ORDER BY t.house, ended DESC NULLS FIRST, a.id`,
		pgx.NamedArgs{"nursery": nursery, "since": since, "before": before})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	treated := map[string]TreatedHouse{}
	var house TreatedHouse
	var ended *time.Time
	_, err = pgx.ForEachRow(rows, []any{&house.House, &house.Application, &ended}, func() error {
		house.Ended = time.Time{}
		if ended != nil {
			house.Ended = ended.UTC()
		}
		treated[house.House] = house
		return nil
	})
	return treated, postgres.Translate(err)
}
