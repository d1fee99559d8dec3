package identity_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/internal/postgres/pgtest"
	"velamen/services/identity"
)

// oldTrainings are rows as schema 21 holds them: days of training in work patterns, one
// of them with the same training on record, one with a training that was voided, one
// with an older training, one to come and one never.
var oldTrainings = []string{
	`INSERT INTO identity.nursery (id, display_name, time_zone, jurisdiction, address, create_time) VALUES
		('test', 'Test', 'America/New_York', 'US-FL', '', now()), ('bare', 'Without an owner', 'UTC', 'ZA', '', now())`,
	`INSERT INTO identity.person (nursery, id, display_name, role, disabled, password_hash, create_time) VALUES
		('test', 'gone', 'Gone', 'OWNER', true, '', now()), ('test', 'olwen', 'Olwen', 'OWNER', false, '', now()),
		('test', 'leap', 'Leap', 'WORKER', false, '', now()), ('test', 'march', 'March', 'WORKER', false, '', now()),
		('test', 'known', 'Known', 'WORKER', false, '', now()), ('test', 'voided', 'Voided', 'WORKER', false, '', now()),
		('test', 'older', 'Older', 'WORKER', false, '', now()), ('test', 'coming', 'Coming', 'WORKER', false, '', now()),
		('test', 'never', 'Never', 'WORKER', false, '', now()), ('bare', 'alone', 'Alone', 'WORKER', false, '', now())`,
	`INSERT INTO schedule.work_pattern (nursery, person, shifts, absences, applies, training_date, max_protected_minutes) VALUES
		('test', 'leap', '[]', '[]', true, '2024-02-29', 0), ('test', 'march', '[]', '[]', true, '2023-03-01', 0),
		('test', 'known', '[]', '[]', true, '2025-05-05', 0), ('test', 'voided', '[]', '[]', true, '2025-05-05', 0),
		('test', 'older', '[]', '[]', true, '2025-05-05', 0), ('test', 'coming', '[]', '[]', true, '2999-01-01', 0),
		('test', 'never', '[]', '[]', true, NULL, 0), ('bare', 'alone', '[]', '[]', true, '2025-01-01', 0)`,
	`INSERT INTO identity.qualification (nursery, person, id, kind, date, end_date, description, provider, recorder, create_time, void_reason, voider, void_time) VALUES
		('test', 'known', 'k', 'HANDLER_TRAINING', '2025-05-05', '2026-05-04', 'a course', 'a trainer', 'olwen', now(), NULL, NULL, NULL),
		('test', 'voided', 'v', 'HANDLER_TRAINING', '2025-05-05', '2026-05-04', 'a course', 'a trainer', 'olwen', now(), 'not him', 'olwen', now()),
		('test', 'older', 'o', 'HANDLER_TRAINING', '2025-05-04', '2026-05-03', 'a course', 'a trainer', 'olwen', now(), NULL, NULL, NULL)`,
}

// What a work pattern said of training counts as it did, and only once.
func TestTrainingsOfWorkPatternsOfTheOldSchemaAreOnRecord(t *testing.T) {
	ctx, older := context.Background(), pgtest.NewOlder(t, 21, oldTrainings...)
	db := older.Upgrade(t, 25)
	trained := map[string]identity.Qualification{}
	for _, nursery := range []string{"test", "bare"} {
		people, err := identity.ReadPeople(ctx, db, nursery)
		require.NoError(t, err)
		for _, person := range people {
			for _, q := range person.Qualifications {
				require.Equal(t, identity.HandlerTraining, q.Kind)
				trained[person.ID+" "+q.Date+" "+q.EndDate] = q
			}
		}
	}
	require.Len(t, trained, 7)
	for _, as := range []string{
		"leap 2024-02-29 2025-02-28", "march 2023-03-01 2024-02-29", "voided 2025-05-05 2026-05-04", "older 2025-05-05 2026-05-04", "alone 2025-01-01 2025-12-31",
	} {
		require.Contains(t, trained[as].Description, "moved from the work pattern", as)
		require.NotEmpty(t, trained[as].Provider, as)
	}
	require.Equal(t, "a course", trained["known 2025-05-05 2026-05-04"].Description)
	require.Equal(t, "a course", trained["older 2025-05-04 2026-05-03"].Description)

	var recorders []string
	require.NoError(t, db.QueryRow(ctx, `SELECT array_agg(DISTINCT recorder ORDER BY recorder) FROM identity.qualification`).Scan(&recorders))
	require.Equal(t, []string{"alone", "olwen"}, recorders, "an owner who works there, else the person")
	_, err := older.Owner.ExecContext(ctx, `DELETE FROM identity.qualification`)
	require.ErrorContains(t, err, "written once")
}
