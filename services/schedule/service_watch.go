package schedule

import (
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/clock"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

// message returns the plan as the contract carries it.
func (row *planRow) message() *schedulev1.DayPlan {
	message := row.contract()
	message.Etag = rpc.ETag(row.version)
	return message
}

// watchEvery is how often a watched plan is looked at.
const watchEvery = 500 * time.Millisecond

// WatchDayPlan sends how far a plan has come, whenever that changes, until it is
// worked out.
func (s *Service) WatchDayPlan(request *schedulev1.WatchDayPlanRequest, stream grpc.ServerStreamingServer[schedulev1.WatchDayPlanResponse]) error {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "dayPlans")
	if err != nil {
		return err
	}
	ctx := stream.Context()
	var sent *schedulev1.WatchDayPlanResponse
	for {
		row, err := readWatched(ctx, s.db, ids[0], ids[1])
		if err != nil {
			return err
		}
		if now := row.watched(); !proto.Equal(sent, now) {
			if err := stream.Send(now); err != nil {
				return err
			}
			sent = now
		}
		if row.state != schedulev1.DayPlanState_DAY_PLAN_STATE_SOLVING {
			return nil
		}
		if err := clock.Pause(ctx, watchEvery); err != nil {
			return err
		}
	}
}
