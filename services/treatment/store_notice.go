package treatment

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/postgres"
	"velamen/services/treatment/entry"
)

// readNoticesDone returns which notices of some applications were done.
func readNoticesDone(ctx context.Context, r postgres.Reader, nursery string, applications []entry.Application) (map[noticeKey]noticeDone, error) {
	ids := make([]string, len(applications))
	for i, a := range applications {
		ids[i] = a.ID
	}
	rows, err := r.Query(ctx, `
		SELECT application, house, kind, done_time, person, note FROM treatment.notice_done
		WHERE nursery = $1 AND application = ANY($2::text[])`, nursery, ids)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	done := map[noticeKey]noticeDone{}
	var d noticeDone
	var kind string
	_, err = pgx.ForEachRow(rows, []any{&d.application, &d.house, &kind, &d.time, &d.person, &d.note}, func() error {
		d.kind = treatmentv1.NoticeKind(treatmentv1.NoticeKind_value[noticeKindPrefix+kind])
		d.time = d.time.UTC()
		done[noticeKey{d.application, d.house, d.kind}] = d
		return nil
	})
	return done, postgres.Translate(err)
}

func insertNoticeDone(ctx context.Context, tx pgx.Tx, nursery string, d noticeDone, now time.Time) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO treatment.notice_done (nursery, application, house, kind, done_time, person, note, create_time)
		VALUES (@nursery, @application, @house, @kind, @time, @person, @note, @now)`,
		pgx.NamedArgs{
			"nursery": nursery, "application": d.application, "house": d.house, "kind": storedNoticeKind(d.kind),
			"time": d.time, "person": d.person, "note": d.note, "now": now,
		})
	return err
}
