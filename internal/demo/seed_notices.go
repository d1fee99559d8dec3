package demo

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

// addNotices records that what applications asked for was done in time: signs put up and
// taken down, displays hung and removed, supplies set out. What became due in the last day,
// and the signs of intervals that run, are left, so that there is something to do.
func (s *seeder) addNotices(ctx context.Context) error {
	recorded := 0
	// What comes down is due only once what went up is recorded.
	for done := 1; done > 0; recorded += done {
		due, err := s.treatment.ListNotices(s.as(ctx, s.manager().ID), &treatmentv1.ListNoticesRequest{Parent: s.parent()})
		if err != nil {
			return fmt.Errorf("list notices: %w", err)
		}
		done = 0
		for _, notice := range due.GetNotices() {
			at, past := s.noticedAt(notice)
			if !past {
				continue
			}
			_, err := s.treatment.RecordNotice(s.as(ctx, s.manager().ID), &treatmentv1.RecordNoticeRequest{
				Name: notice.GetName(), DoneTime: timestamppb.New(at), RequestId: requestID(notice.GetName()),
			})
			if err != nil {
				return fmt.Errorf("record %s: %w", notice.GetName(), err)
			}
			done++
		}
	}
	s.say("  %d signs, displays and supplies of past applications", recorded)
	return nil
}

// noticedAt is when a notice of the past was done: signs came down an hour after they might,
// and all else was done an hour before it was due, and not before its time. Where signs or
// words do, signs were put up.
func (s *seeder) noticedAt(notice *treatmentv1.Notice) (time.Time, bool) {
	now, due := s.Clock.Now(), notice.GetDueTime()
	if notice.GetKind() == treatmentv1.NoticeKind_NOTICE_KIND_SIGNS_DOWN {
		at := notice.GetNotBeforeTime().AsTime().Add(time.Hour)
		return at, notice.GetNotBeforeTime() != nil && !at.After(now)
	}
	instead := notice.GetEither() && notice.GetKind() == treatmentv1.NoticeKind_NOTICE_KIND_SPOKEN
	// Signs at the door would keep everybody out of the whole house while an interval runs.
	runs := notice.GetKind() == treatmentv1.NoticeKind_NOTICE_KIND_SIGNS_UP && notice.GetUntilTime().AsTime().After(now)
	if runs || due == nil || due.AsTime().After(now.Add(-24*time.Hour)) || instead {
		return time.Time{}, false
	}
	at := due.AsTime().Add(-time.Hour)
	if before := notice.GetNotBeforeTime(); before != nil && before.AsTime().After(at) {
		at = before.AsTime()
	}
	return at, true
}
