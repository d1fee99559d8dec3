package treatment

import (
	"cmp"
	"context"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/services/treatment/entry"
)

// ListClosures returns which houses are open, and which are closed until when, why, and
// what would open them sooner.
func (s *Service) ListClosures(ctx context.Context, request *treatmentv1.ListClosuresRequest) (*treatmentv1.ListClosuresResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	only := ""
	if request.GetHouse() != "" {
		house, err := resource.Parse("house", request.GetHouse(), "nurseries", "houses")
		if err != nil {
			return nil, err
		}
		only = house[1]
	}
	board, _, err := s.board(ctx, ids[0])
	if err != nil || only == "" {
		return board, err
	}
	board.Houses = slices.DeleteFunc(board.GetHouses(), func(h *treatmentv1.HouseStanding) bool { return h.GetHouse() != request.GetHouse() })
	if len(board.GetHouses()) == 0 {
		return nil, fault.Missing("house", request.GetHouse())
	}
	return board, nil
}

// board returns how all houses of a nursery stand now, and when that changes next by time
// alone; never later than boardAge from now.
func (s *Service) board(ctx context.Context, nursery string) (*treatmentv1.ListClosuresResponse, time.Time, error) {
	now := s.db.Now()
	board := &treatmentv1.ListClosuresResponse{AsOfTime: timestamp(now), Caution: Caution}
	next := now.Add(boardAge)
	err := s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		premises, err := ReadPremises(ctx, tx, nursery, now)
		if err != nil {
			return err
		}
		inside, err := readInside(ctx, tx, nursery, now)
		if err != nil {
			return err
		}
		for _, house := range premises.Nursery.Houses {
			standing := premises.Standing(house.ID, now)
			for _, closure := range standing.Closures {
				if closure.Until.After(now) && closure.Until.Before(next) {
					next = closure.Until
				}
			}
			message := premises.standingContract(nursery, house, standing, now)
			message.Inside = inside[house.ID]
			board.Houses = append(board.Houses, message)
		}
		return nil
	})
	slices.SortStableFunc(board.GetHouses(), func(a, b *treatmentv1.HouseStanding) int {
		return cmp.Or(compareFalseFirst(a.GetOpen(), b.GetOpen()), cmp.Compare(a.GetHouseDisplayName(), b.GetHouseDisplayName()))
	})
	return board, next, err
}

// closuresChanged tells the planner that something was recorded that closes or opens a
// house.
func (s *Service) closuresChanged(ctx context.Context, tx pgx.Tx, nursery, house string) error {
	name := resource.Of("nurseries", nursery, "houses", house)
	return s.outbox.Write(ctx, tx, TopicClosuresChanged, nursery, name, ClosuresChanged{House: name})
}

func compareFalseFirst(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}

// standingContract returns how a house stands as the contract carries it.
func (p Premises) standingContract(nursery string, house entry.House, standing entry.Standing, moment time.Time) *treatmentv1.HouseStanding {
	message := &treatmentv1.HouseStanding{
		House: resource.Of("nurseries", nursery, "houses", house.ID), HouseDisplayName: cmp.Or(house.Name, house.ID),
		Open: standing.Open(), OpenTime: timestamp(standing.Opens), Notes: standing.Notes,
	}
	for _, closure := range standing.Closures {
		message.Closures = append(message.Closures, p.closureContract(nursery, house.ID, closure, moment))
	}
	return message
}

func (p Premises) closureContract(nursery, house string, closure entry.Closure, moment time.Time) *treatmentv1.Closure {
	message := &treatmentv1.Closure{
		Reason: closureReasons[closure.Reason], Extent: extents[closure.Area.Extent], Feet: int32(closure.Area.Feet),
		StartTime: timestamp(closure.Since), EndTime: timestamp(closure.Until), Message: closure.Why, Missing: closure.Missing, Source: closure.Source,
	}
	if closure.Application != "" {
		message.Application = resource.Of("nurseries", nursery, "applications", closure.Application)
	}
	for _, bench := range p.treatedBenches(closure.Application, house, moment) {
		message.Benches = append(message.Benches, resource.Of("nurseries", nursery, "houses", house, "benches", bench))
	}
	for _, sooner := range closure.Sooner {
		message.Sooner = append(message.Sooner, &treatmentv1.SoonerOpening{
			Device: deviceContract(sooner.Device), OpenTime: timestamp(sooner.From), Message: sooner.Text,
		})
	}
	return message
}

// treatedBenches returns the benches of a house that an application treated, or to which
// plants that it treated in another house were brought by a moment; none when one of its
// treatments there has none that are known.
func (p Premises) treatedBenches(application, house string, moment time.Time) []string {
	var benches []string
	for i, a := range p.Applications {
		switch {
		case a.ID != application:
		case a.House != house:
			benches = append(benches, p.carriedTo(i, house, moment)...)
		case len(p.Treated[i].Benches) == 0:
			return nil
		default:
			benches = append(benches, p.Treated[i].Benches...)
		}
	}
	slices.Sort(benches)
	return slices.Compact(benches)
}

func deviceContract(device entry.Device) treatmentv1.AiringDevice {
	for contract, named := range devices {
		if named == device {
			return contract
		}
	}
	return treatmentv1.AiringDevice_AIRING_DEVICE_UNSPECIFIED
}

var closureReasons = map[entry.Reason]treatmentv1.ClosureReason{
	entry.Applying:     treatmentv1.ClosureReason_CLOSURE_REASON_APPLYING,
	entry.NotAired:     treatmentv1.ClosureReason_CLOSURE_REASON_NOT_AIRED,
	entry.IntervalRuns: treatmentv1.ClosureReason_CLOSURE_REASON_INTERVAL,
	entry.SignsUp:      treatmentv1.ClosureReason_CLOSURE_REASON_SIGNS,
	entry.NotKnown:     treatmentv1.ClosureReason_CLOSURE_REASON_NOT_KNOWN,
}

var extents = map[entry.Extent]treatmentv1.ClosedExtent{
	entry.TreatedArea:            treatmentv1.ClosedExtent_CLOSED_EXTENT_TREATED_AREA,
	entry.WholeSpace:             treatmentv1.ClosedExtent_CLOSED_EXTENT_WHOLE_HOUSE,
	entry.WholeSpaceAndAdjoining: treatmentv1.ClosedExtent_CLOSED_EXTENT_WHOLE_HOUSE_AND_ADJOINING,
}

// How often a watched board is asked whether anything was recorded, and how old it may
// get: labels and houses change without being recorded here. Design values.
const (
	watchEvery = time.Second
	boardAge   = time.Minute
)

// WatchClosures sends the board at once, and again whenever something that closes or opens
// a house is recorded, or time does so.
func (s *Service) WatchClosures(request *treatmentv1.WatchClosuresRequest, stream grpc.ServerStreamingServer[treatmentv1.WatchClosuresResponse]) error {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return err
	}
	ctx := stream.Context()
	var sent *treatmentv1.ListClosuresResponse
	var next time.Time
	var seen string
	for {
		version, err := readBoardVersion(ctx, s.db, ids[0])
		if err != nil {
			return err
		}
		if sent == nil || version != seen || !s.db.Now().Before(next) {
			var board *treatmentv1.ListClosuresResponse
			if board, next, err = s.board(ctx, ids[0]); err != nil {
				return err
			}
			if sent == nil || !sameBoard(sent, board) {
				if err := stream.Send(&treatmentv1.WatchClosuresResponse{Board: board}); err != nil {
					return err
				}
				sent = board
			}
			seen = version
		}
		if err := clock.Pause(ctx, watchEvery); err != nil {
			return err
		}
	}
}

// sameBoard reports whether two boards say the same, of whatever moment.
func sameBoard(a, b *treatmentv1.ListClosuresResponse) bool {
	later := proto.CloneOf(a)
	later.AsOfTime = b.GetAsOfTime()
	return proto.Equal(later, b)
}

// readBoardVersion returns a text that differs after anything was recorded that a board
// shows. Rows of these tables are only added, ended and voided.
func readBoardVersion(ctx context.Context, r postgres.Reader, nursery string) (string, error) {
	var version string
	err := r.QueryRow(ctx, `
		SELECT concat_ws('/',
			(SELECT count(*) FROM treatment.application WHERE nursery = $1),
			(SELECT concat_ws('/', count(*), count(end_time), count(void_time)) FROM treatment.airing WHERE nursery = $1),
			(SELECT count(*) FROM treatment.air_measurement WHERE nursery = $1),
			(SELECT concat_ws('/', count(*), count(end_time)) FROM treatment.house_entry WHERE nursery = $1),
			(SELECT count(*) FROM treatment.notice_done WHERE nursery = $1))`, nursery).Scan(&version)
	return version, postgres.Translate(err)
}
