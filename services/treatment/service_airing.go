package treatment

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/stock"
	"velamen/services/treatment/entry"
)

// RecordAiring records that a house is or was aired, or was shut.
func (s *Service) RecordAiring(ctx context.Context, request *treatmentv1.RecordAiringRequest) (*treatmentv1.Airing, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries", "houses")
	if err != nil {
		return nil, err
	}
	recorded, err := airingFrom(request.GetAiring(), s.db.Clock())
	if err != nil {
		return nil, err
	}
	recorded.nursery, recorded.house = ids[0], ids[1]
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*treatmentv1.Airing, error) {
		house, err := stock.ReadHouse(ctx, tx, ids[0], ids[1])
		if err != nil {
			return nil, err
		}
		if err := checkFlow(recorded, house); err != nil {
			return nil, err
		}
		row := recorded
		row.id, row.recorder, row.created = uuid.NewString(), caller.Person, s.db.Now()
		if err := s.addAiring(ctx, tx, &row, "airing.start_time"); err != nil {
			return nil, err
		}
		return row.contract(), s.closuresChanged(ctx, tx, ids[0], ids[1])
	})
}

// airingFrom reads an airing that somebody records, without its house and name.
func airingFrom(message *treatmentv1.Airing, c clock.Clock) (airingRow, error) {
	row := airingRow{device: message.GetDevice()}
	if devices[row.device] == "" {
		return row, fault.Field("airing.device", "must be fans, vents or shut")
	}
	var err error
	if row.start, err = pastTime("airing.start_time", message.GetStartTime(), c); err != nil {
		return row, err
	}
	if message.GetEndTime() != nil {
		if row.end, err = pastTime("airing.end_time", message.GetEndTime(), c); err != nil {
			return row, err
		}
		if !row.end.After(row.start) {
			return row, fault.FieldReason(fault.Invalid, fault.InvalidTimes, "airing.end_time", "must be after start_time")
		}
	}
	if message.GetFlow() == nil {
		return row, nil
	}
	flow, err := positive("airing.flow", message.GetFlow(), quantity.CubicMetrePerH)
	if err == nil && row.device != treatmentv1.AiringDevice_AIRING_DEVICE_FANS {
		err = fault.Field("airing.flow", "only fans move air that is counted: leave it out")
	}
	row.flow = flow.Plain()
	return row, err
}

// checkFlow refuses more air than all fans of a house move: one figure too many would have
// the house aired within seconds.
func checkFlow(airing airingRow, house stock.House) error {
	if airing.flow == "" {
		return nil
	}
	if !house.FanCapacity.Positive() {
		return fault.Field("airing.flow", "what the fans of %s move is not entered: enter it, or leave the flow out", house.DisplayName)
	}
	flow, err := quantity.New(airing.flow, quantity.CubicMetrePerH)
	if err != nil {
		return err
	}
	if more, err := flow.Compare(house.FanCapacity); err != nil || more > 0 {
		return fault.Field("airing.flow", "%s is more than all fans of %s move (%s)", flow, house.DisplayName, house.FanCapacity).
			With("most", house.FanCapacity.String())
	}
	return nil
}

// pastTime reads a moment that must have come.
func pastTime(field string, message interface {
	CheckValid() error
	AsTime() time.Time
}, c clock.Clock) (time.Time, error) {
	if message.CheckValid() != nil {
		return time.Time{}, fault.FieldReason(fault.Invalid, fault.InvalidTimes, field, "is not a time between the years 1 and 9999")
	}
	moment := clock.Stored(message.AsTime())
	if clock.InFuture(c, moment) {
		return time.Time{}, fault.FieldReason(fault.Invalid, fault.InvalidTimes, field, "%s is in the future", moment.Format(time.RFC3339))
	}
	return moment, nil
}

// addAiring writes an airing that agrees with the others of its house. The airings of a
// nursery are written one after another, with its applications.
func (s *Service) addAiring(ctx context.Context, tx pgx.Tx, row *airingRow, field string) error {
	if err := lockApplications(ctx, tx, row.nursery); err != nil {
		return err
	}
	beside, err := airingsBeside(ctx, tx, row)
	if err != nil {
		return err
	}
	for _, other := range beside {
		if err := s.checkTogether(other, row); err != nil {
			return fault.FieldReason(fault.Precondition, fault.InvalidField, field,
				"it does not go with airing %s, which %s: %v", other.id, other.spanText(), err).With("airing", other.name())
		}
	}
	if err := s.checkTogether(row); err != nil {
		return fault.Field(field, "%v", err)
	}
	return insertAiring(ctx, tx, row)
}

// checkTogether refuses airings of one house that cannot both be. A phone's clock may run
// ahead.
func (s *Service) checkTogether(rows ...*airingRow) error {
	var airings []entry.Airing
	for _, row := range rows {
		one, err := row.counted()
		if err != nil {
			return err
		}
		airings = append(airings, one)
	}
	return entry.CheckAirings(airings, s.db.Now().Add(clock.Skew))
}

// airingsBeside returns the airings of the house of one that count and share time with it.
func airingsBeside(ctx context.Context, r postgres.Reader, row *airingRow) ([]*airingRow, error) {
	return queryAirings(ctx, r, `
		nursery = $1 AND house = $2 AND void_time IS NULL AND (end_time IS NULL OR end_time > $3)
		AND ($4::timestamptz IS NULL OR start_time < $4) ORDER BY start_time, id`, row.nursery, row.house, row.start, orNull(row.end))
}

func (a *airingRow) spanText() string {
	if a.end.IsZero() {
		return fmt.Sprintf("goes on since %s", a.start.UTC().Format(time.RFC3339))
	}
	return fmt.Sprintf("lasted from %s to %s", a.start.UTC().Format(time.RFC3339), a.end.UTC().Format(time.RFC3339))
}

// EndAiring records when an airing that goes on ended.
func (s *Service) EndAiring(ctx context.Context, request *treatmentv1.EndAiringRequest) (*treatmentv1.Airing, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "houses", "airings")
	if err != nil {
		return nil, err
	}
	end, err := pastTime("end_time", request.GetEndTime(), s.db.Clock())
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*treatmentv1.Airing, error) {
		row, err := lockAiring(ctx, tx, ids[0], ids[1], ids[2])
		switch {
		case err != nil:
			return nil, err
		case row.voidReason != "":
			return nil, fault.FieldReason(fault.Precondition, fault.InvalidField, "name", "it does not count: %s", row.voidReason)
		case !row.end.IsZero():
			return nil, fault.FieldReason(fault.Precondition, fault.InvalidField, "name", "it ended at %s; void it and record it anew if that is wrong",
				row.end.UTC().Format(time.RFC3339))
		case !end.After(row.start):
			return nil, fault.FieldReason(fault.Invalid, fault.InvalidTimes, "end_time", "must be after the start, %s", row.start.UTC().Format(time.RFC3339))
		}
		row.end = end
		if err := endAiring(ctx, tx, row, caller.Person, s.db.Now()); err != nil {
			return nil, err
		}
		return row.contract(), s.closuresChanged(ctx, tx, ids[0], ids[1])
	})
}

// VoidAiring says that an airing was recorded wrongly.
func (s *Service) VoidAiring(ctx context.Context, request *treatmentv1.VoidAiringRequest) (*treatmentv1.Airing, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "houses", "airings")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*treatmentv1.Airing, error) {
		row, err := lockAiring(ctx, tx, ids[0], ids[1], ids[2])
		if err != nil {
			return nil, err
		}
		if row.voidReason != "" {
			return nil, fault.FieldReason(fault.Precondition, fault.InvalidField, "name", "it was voided before: %s", row.voidReason)
		}
		row.voidReason, row.voider = request.GetReason(), caller.Person
		if err := voidAiring(ctx, tx, row, s.db.Now()); err != nil {
			return nil, err
		}
		return row.contract(), s.closuresChanged(ctx, tx, ids[0], ids[1])
	})
}

// ListAirings returns the airings of a house, or of all, the newest start first.
func (s *Service) ListAirings(ctx context.Context, request *treatmentv1.ListAiringsRequest) (*treatmentv1.ListAiringsResponse, error) {
	ids, err := resource.ParseParent("parent", request.GetParent(), "nurseries", "houses")
	if err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 2)
	if err != nil {
		return nil, err
	}
	if ids[1] != resource.Any {
		if _, err := stock.ReadHouse(ctx, s.db, ids[0], ids[1]); err != nil {
			return nil, err
		}
	}
	where, args := `nursery = $1 AND ($2 = '`+resource.Any+`' OR house = $2)`, []any{ids[0], ids[1], page.Size + 1}
	if page.After != nil {
		if _, err := time.Parse(time.RFC3339Nano, page.After[0]); err != nil {
			return nil, rpc.BadToken()
		}
		where += ` AND (start_time, id) < ($4::text::timestamptz, $5)`
		args = append(args, page.After[0], page.After[1])
	}
	rows, err := queryAirings(ctx, s.db, where+` ORDER BY start_time DESC, id DESC LIMIT $3`, args...)
	if err != nil {
		return nil, err
	}
	rows, next := rpc.Cut(page, rows, func(a *airingRow) []string { return []string{a.start.UTC().Format(time.RFC3339Nano), a.id} })
	response := &treatmentv1.ListAiringsResponse{NextPageToken: next}
	for _, row := range rows {
		response.Airings = append(response.Airings, row.contract())
	}
	return response, nil
}

func (a *airingRow) contract() *treatmentv1.Airing {
	message := &treatmentv1.Airing{
		Name: a.name(), Device: a.device, StartTime: timestamp(a.start), EndTime: timestamp(a.end),
		Recorder: resource.Of("nurseries", a.nursery, "people", a.recorder), CreateTime: timestamp(a.created), VoidReason: a.voidReason,
	}
	if a.flow != "" {
		if flow, err := quantity.New(a.flow, quantity.CubicMetrePerH); err == nil {
			message.Flow = flow.Contract()
		}
	}
	if a.voider != "" {
		message.Voider = resource.Of("nurseries", a.nursery, "people", a.voider)
	}
	return message
}

// beginAirings records what was turned on in the houses of an application when its work
// ended. An airing that went on from before the work counts until the work began: nobody
// says that it went on meanwhile. One that began since is left, and nothing is begun.
func (s *Service) beginAirings(ctx context.Context, tx pgx.Tx, a *application, path, recorder string) error {
	for i, treated := range a.treatments {
		if treated.GetAiring() == treatmentv1.AiringDevice_AIRING_DEVICE_UNSPECIFIED {
			continue
		}
		ids, err := resource.Parse("house", treated.GetHouse(), "nurseries", "houses")
		if err != nil {
			return err
		}
		row := &airingRow{
			nursery: a.nursery, id: uuid.NewString(), house: ids[1], device: treated.GetAiring(), start: a.end,
			recorder: recorder, created: a.created,
		}
		begun, err := s.endedFor(ctx, tx, row, a.start)
		if err != nil {
			return err
		}
		if begun {
			continue
		}
		if err := s.addAiring(ctx, tx, row, fmt.Sprintf("%s.treatments[%d].airing", path, i)); err != nil {
			return err
		}
	}
	return nil
}

// endedFor ends the airings that would contradict one that begins when work ends, and
// that went on from before the work, at the start of the work. It reports whether the
// same device was turned on since.
func (s *Service) endedFor(ctx context.Context, tx pgx.Tx, row *airingRow, workBegan time.Time) (bool, error) {
	beside, err := airingsBeside(ctx, tx, row)
	if err != nil {
		return false, err
	}
	if slices.ContainsFunc(beside, func(other *airingRow) bool {
		return other.device == row.device && other.end.IsZero() && !other.start.Before(workBegan)
	}) {
		return true, nil
	}
	for _, other := range beside {
		if !other.end.IsZero() || !other.start.Before(workBegan) || s.checkTogether(other, row) == nil {
			continue
		}
		other.end = workBegan
		if err := endAiring(ctx, tx, other, row.recorder, row.created); err != nil {
			return false, err
		}
	}
	return false, nil
}
