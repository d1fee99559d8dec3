package diagnosis

import (
	"context"
	"database/sql"
	"testing"

	"github.com/stretchr/testify/require"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/postgres/pgtest"
)

// seenBefore are rows as schema 11 holds them: an inspection with a photo, and a
// diagnosis that rests on it.
var seenBefore = []string{
	`INSERT INTO identity.nursery (id, display_name, time_zone, jurisdiction, address, create_time) VALUES ('test', 'Test', 'UTC', 'ZA', '', now())`,
	`INSERT INTO identity.person (nursery, id, display_name, role, password_hash, create_time) VALUES ('test', 'wandile', 'Wandile Worker', 'WORKER', '', now())`,
	`INSERT INTO stock.house (nursery, id, display_name, area, area_unit, create_time) VALUES ('test', 'h1', 'House 1', 400, 'm2', now())`,
	`INSERT INTO stock.bench (nursery, house, id, display_name, area_m2, create_time) VALUES ('test', 'h1', 'b1', 'b1', 12, now())`,
	`INSERT INTO diagnosis.inspection (nursery, id, house, bench, plants_sampled, plants_affected, severity_percent, inspect_time, inspector, create_time)
		VALUES ('test', 'i-1', 'h1', 'b1', 10, 1, 0, now(), 'wandile', now())`,
	`INSERT INTO diagnosis.observation (nursery, inspection, position, organ, sign, observed) VALUES ('test', 'i-1', 0, 'LEAF', 'sunken', true)`,
	`INSERT INTO diagnosis.photo (nursery, inspection, sha256, media_type, size_bytes, uploader, create_time)
		VALUES ('test', 'i-1', repeat('a', 64), 'image/jpeg', 9, 'wandile', now())`,
	`INSERT INTO diagnosis.diagnosis (nursery, id, disorder, grounds, confirmer, confirm_time, create_time)
		VALUES ('test', 'd-1', 'black-rot', 'seen', 'wandile', now(), now())`,
	`INSERT INTO diagnosis.ground (nursery, diagnosis, position, inspection) VALUES ('test', 'd-1', 0, 'i-1')`,
}

// What was seen and concluded before stays as it was: photos without sizes, and
// diagnoses without what would have been proposed.
func TestWhatWasSeenBeforeStays(t *testing.T) {
	ctx, older := context.Background(), pgtest.NewOlder(t, 11, seenBefore...)
	db := older.Upgrade(t, 12)
	inspection, err := readInspection(ctx, db, "test", "i-1")
	require.NoError(t, err)
	photo := inspection.contract().GetPhotos()[0]
	require.Zero(t, photo.GetWidth())
	require.Zero(t, photo.GetHeight())
	held, err := readDiagnosis(ctx, db, "test", "d-1", withAssessment)
	require.NoError(t, err)
	require.Nil(t, held.contract().GetAssessment())
	require.Empty(t, held.contract().GetSamples())
	require.Empty(t, held.contract().GetDuties())

	_, err = older.Owner.ExecContext(ctx, `INSERT INTO diagnosis.observation (nursery, inspection, position, organ, sign, observed) VALUES ('test', 'i-1', 1, 'BENCH', 'scattered-plants', true)`)
	require.NoError(t, err)
	inspection, err = readInspection(ctx, db, "test", "i-1")
	require.NoError(t, err)
	require.Equal(t, diagnosisv1.Organ_ORGAN_BENCH, inspection.contract().GetObservations()[1].GetOrgan())
}

// The tables hold what no code may get wrong.
func TestSamplesAndDutiesThatCannotBe(t *testing.T) {
	ctx := context.Background()
	db := pgtest.New(t)
	owner, err := sql.Open("pgx", db.OwnerURL)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, owner.Close()) })
	for _, statement := range seenBefore {
		_, err := owner.ExecContext(ctx, statement)
		require.NoError(t, err, statement)
	}
	const (
		sample = `INSERT INTO diagnosis.sample (nursery, id, inspection, test, organs, plants, laboratory, note, sender, send_time, create_time`
		sent   = `'test', 's-1', 'i-1', 'moist-chamber', '{LEAF}', 1, 'lab', '', 'wandile', '2026-03-01Z', now()`
		duty   = `INSERT INTO diagnosis.duty (nursery, id, pest, disorder, demand, authority, source, no_masking, raiser, create_time, suspect_time, notify_by_time`
		raised = `'test', 'x-1', 'ramorum-us', 'ramorum-blight', 'd', 'a', 's', false, 'wandile', now(), '2026-03-02Z', '2026-03-03Z'`
	)
	for constraint, statement := range map[string]string{
		"sample_reported_whole":              sample + `, outcome) VALUES (` + sent + `, 'NEGATIVE')`,
		"sample_received_whole":              sample + `, receive_time) VALUES (` + sent + `, '2026-03-02Z')`,
		"sample_disorder_only_when_positive": sample + `, outcome, disorder, report, report_time, reporter) VALUES (` + sent + `, 'NEGATIVE', 'grey-mould', '', '2026-03-02Z', 'wandile')`,
		"sample_in_order":                    sample + `, receive_time, receiver) VALUES (` + sent + `, '2026-02-28Z', 'wandile')`,
		"duty_notified_whole":                duty + `, notify_time) VALUES (` + raised + `, '2026-03-02Z')`,
		"duty_ended_whole":                   duty + `, end_time) VALUES (` + raised + `, '2026-03-02Z')`,
		"duty_in_order":                      duty + `, end_time, ender, end_grounds) VALUES (` + raised + `, '2026-03-01Z', 'wandile', 'g')`,
	} {
		_, err := owner.ExecContext(ctx, statement)
		require.ErrorContains(t, err, constraint)
	}
	for _, statement := range []string{sample + `) VALUES (` + sent + `)`, duty + `) VALUES (` + raised + `)`} {
		_, err := owner.ExecContext(ctx, statement)
		require.NoError(t, err, statement)
	}
}
