package records

import (
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	recordsv1 "velamen/gen/velamen/records/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

func placing(hold *recordsv1.Hold) *recordsv1.PlaceHoldRequest {
	return &recordsv1.PlaceHoldRequest{Parent: "nurseries/test", Hold: hold, RequestId: uuid.NewString()}
}

func lifting(name, reason string) *recordsv1.LiftHoldRequest {
	return &recordsv1.LiftHoldRequest{Name: name, Reason: reason, RequestId: uuid.NewString()}
}

func (f fixture) place(t *testing.T, hold *recordsv1.Hold) *recordsv1.Hold {
	t.Helper()
	placed, err := f.client.PlaceHold(f.manager, placing(hold))
	require.NoError(t, err)
	return placed
}

// listed returns the names of the holds that stand, or of all.
func (f fixture) listed(t *testing.T, lifted bool) []string {
	t.Helper()
	var names []string
	request := &recordsv1.ListHoldsRequest{Parent: "nurseries/test", Lifted: lifted, PageSize: 2}
	for {
		page, err := f.client.ListHolds(f.manager, request)
		require.NoError(t, err)
		for _, h := range page.GetHolds() {
			names = append(names, h.GetName())
		}
		if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
			return names
		}
	}
}

func TestAHoldStandsUntilItIsLiftedAndStaysInTheHistory(t *testing.T) {
	f := setUp(t)
	all := f.place(t, &recordsv1.Hold{Reason: "Inquiry of the inspectorate, letter of 3 March."})
	house := f.place(t, &recordsv1.Hold{Reason: "Claim of a buyer.", House: "nurseries/test/houses/h1"})
	someDays := f.place(t, &recordsv1.Hold{Reason: "Drift to the neighbour.", FromDate: dated("2026-02-01"), ToDate: dated("2026-02-28")})
	require.Equal(t, "nurseries/test/holds/1", all.GetName())
	require.Equal(t, "nurseries/test/people/mira", all.GetPlacer())
	require.Equal(t, now, all.GetCreateTime().AsTime())
	require.Empty(t, all.GetLifter())

	request := lifting(house.GetName(), "Settled.")
	lifted, err := f.client.LiftHold(rpctest.As(t.Context(), rpctest.Owner), request)
	require.NoError(t, err)
	require.Equal(t, "nurseries/test/people/olwen", lifted.GetLifter())
	require.Equal(t, "Settled.", lifted.GetLiftReason())
	require.Equal(t, now, lifted.GetLiftTime().AsTime())
	require.Equal(t, house.GetReason(), lifted.GetReason(), "what was written stays")
	again, err := f.client.LiftHold(rpctest.As(t.Context(), rpctest.Owner), request)
	require.NoError(t, err)
	require.True(t, proto.Equal(lifted, again), "a retry returns the first answer")

	last := f.place(t, &recordsv1.Hold{Reason: "Second inquiry.", House: "nurseries/test/houses/h2", FromDate: dated("2026-03-01")})
	require.Equal(t, "nurseries/test/holds/5", last.GetName(), "the row that lifted has a number too")
	require.Equal(t, []string{all.GetName(), someDays.GetName(), last.GetName()}, f.listed(t, false))
	require.Equal(t, []string{all.GetName(), house.GetName(), someDays.GetName(), last.GetName()}, f.listed(t, true))

	standing, err := holds(t.Context(), f.db, "test")
	require.NoError(t, err)
	require.Len(t, standing, 3)
	require.Equal(t, hold{number: 3, from: "2026-02-01", to: "2026-02-28", reason: "Drift to the neighbour.", person: "mira", placed: now}, standing[1])
	require.Equal(t, "nurseries/test/houses/h2", standing[2].house)
}

func TestAHoldIsRefusedByField(t *testing.T) {
	f := setUp(t)
	for _, test := range []struct {
		name, field string
		hold        *recordsv1.Hold
	}{
		{"without a reason", "hold.reason", &recordsv1.Hold{}},
		{"of a house that is not there", "hold.house", &recordsv1.Hold{Reason: "r", House: "nurseries/test/houses/absent"}},
		{"of a house that is no name", "hold.house", &recordsv1.Hold{Reason: "r", House: "h1"}},
		{"to a day before the first", "hold.to_date", &recordsv1.Hold{Reason: "r", FromDate: dated("2026-02-02"), ToDate: dated("2026-02-01")}},
		{"from a day that no month has", "hold.from_date", &recordsv1.Hold{Reason: "r", FromDate: dated("2026-02-30")}},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := f.client.PlaceHold(f.manager, placing(test.hold))
			rpctest.RefusedField(t, err, test.field)
		})
	}
	require.Empty(t, f.listed(t, true))
	_, err := f.client.PlaceHold(rpctest.As(t.Context(), rpctest.Worker), placing(&recordsv1.Hold{Reason: "r"}))
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
}

func TestALiftIsRefusedOfWhatDoesNotStand(t *testing.T) {
	f := setUp(t)
	placed := f.place(t, &recordsv1.Hold{Reason: "Inquiry."})
	_, err := f.client.LiftHold(f.manager, lifting(placed.GetName(), "Over."))
	require.NoError(t, err)
	_, err = f.client.LiftHold(f.manager, lifting(placed.GetName(), "Over."))
	message, values := rpctest.Refused(t, err, codes.FailedPrecondition, fault.AlreadyExists)
	require.Contains(t, message, "hold 1 was lifted before, by nurseries/test/people/mira")
	require.Equal(t, "nurseries/test/people/mira", values["lifter"])

	for _, absent := range []string{"nurseries/test/holds/2", "nurseries/test/holds/9"} {
		_, err = f.client.LiftHold(f.manager, lifting(absent, "Over."))
		rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	}
	_, err = f.client.LiftHold(f.manager, lifting("nurseries/test/holds/01", "Over."))
	rpctest.RefusedField(t, err, "name")
	_, err = f.client.LiftHold(f.manager, lifting(placed.GetName(), ""))
	rpctest.RefusedField(t, err, "reason")
}

func TestTheDatabaseRefusesAHoldThatDoesNotFit(t *testing.T) {
	f := setUp(t)
	placed := f.place(t, &recordsv1.Hold{Reason: "Inquiry."})
	_, err := f.client.LiftHold(f.manager, lifting(placed.GetName(), "Over."))
	require.NoError(t, err)
	const (
		broken  = "23000" // integrity_constraint_violation
		twice   = "23505" // unique_violation
		checked = "23514" // check_violation
	)
	for _, test := range []struct {
		name, state string
		number      int64
		lifts       any
		house       any
	}{
		{"a gap in the numbers", broken, 4, nil, nil},
		{"a lift of a lift", broken, 3, int64(2), nil},
		{"a lift of what was lifted", twice, 3, int64(1), nil},
		{"a lift of what comes later", checked, 3, int64(3), nil},
		{"a lift with a scope of its own", checked, 3, int64(1), "nurseries/test/houses/h1"},
	} {
		t.Run(test.name, func(t *testing.T) {
			require.Equal(t, test.state, sqlState(t, f.db.AppURL, `
				INSERT INTO records.hold (nursery, number, lifts, house, reason, person, create_time)
				VALUES ('test', $1, $2, $3, 'r', 'mira', $4)`, test.number, test.lifts, test.house, now))
		})
	}
}
