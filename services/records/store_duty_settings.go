package records

import (
	"context"
	"strings"

	"github.com/jackc/pgx/v5"

	recordsv1 "velamen/gen/velamen/records/v1"
	"velamen/internal/clock"
	"velamen/internal/postgres"
)

// readDutySettings returns the newest answers; where nobody gave any, that nothing was said.
func readDutySettings(ctx context.Context, r postgres.Reader, nursery string) (dutySettings, error) {
	var s dutySettings
	var performer string
	var trades, summary, electronic, longer *bool
	err := r.QueryRow(ctx, `
		SELECT performer, trades_in_products, monthly_summary, electronic_at_once, longer_conversion, version, person, create_time,
			EXISTS (SELECT FROM records.duty_settings o WHERE o.nursery = s.nursery AND o.trades_in_products)
		FROM records.duty_settings s WHERE nursery = $1 ORDER BY version DESC LIMIT 1`, nursery).
		Scan(&performer, &trades, &summary, &electronic, &longer, &s.version, &s.person, &s.at, &s.tradedOnce)
	if postgres.NoRows(err) {
		return dutySettings{}, nil
	}
	if err != nil {
		return dutySettings{}, postgres.Translate(err)
	}
	s.performer = recordsv1.Performer(recordsv1.Performer_value[performerPrefix+performer])
	s.trades, s.monthlySummary, s.electronicAtOnce, s.longerConversion = answerOf(trades), answerOf(summary), answerOf(electronic), answerOf(longer)
	s.at = clock.Stored(s.at)
	return s, nil
}

// insertDutySettings adds answers after those of a version.
func insertDutySettings(ctx context.Context, tx pgx.Tx, nursery string, s dutySettings) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO records.duty_settings (nursery, version, performer, trades_in_products, monthly_summary, electronic_at_once,
			longer_conversion, person, create_time)
		VALUES (@nursery, @version, @performer, @trades, @summary, @electronic, @longer, @person, @at)`,
		pgx.NamedArgs{
			"nursery": nursery, "version": s.version, "performer": strings.TrimPrefix(s.performer.String(), performerPrefix),
			"trades": said(s.trades), "summary": said(s.monthlySummary), "electronic": said(s.electronicAtOnce),
			"longer": said(s.longerConversion), "person": s.person, "at": s.at,
		})
	return err
}
