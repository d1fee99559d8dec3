package treatment_test

import (
	"context"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	productsv1 "velamen/gen/velamen/products/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/internal/rpc/rpctest"
)

// noticeOf is the name of a notice.
func noticeOf(a *treatmentv1.Application, house, kind string) string {
	ids, err := resource.Parse("name", a.GetName(), "nurseries", "applications")
	if err != nil {
		panic(err)
	}
	return name("notices/" + ids[1] + "-" + house + "-" + kind)
}

// notices returns the notices of a house by their kind.
func (n *nursery) notices(house string, done bool) map[treatmentv1.NoticeKind]*treatmentv1.Notice {
	n.t.Helper()
	answer, err := n.treatment.ListNotices(asWorker(), &treatmentv1.ListNoticesRequest{Parent: "nurseries/test", ShowDone: done})
	require.NoError(n.t, err)
	require.NotEmpty(n.t, answer.GetCaution())
	of := map[treatmentv1.NoticeKind]*treatmentv1.Notice{}
	for _, notice := range answer.GetNotices() {
		if notice.GetHouse() == name("houses/"+house) {
			require.NotEmpty(n.t, notice.GetMessage())
			of[notice.GetKind()] = notice
		}
	}
	return of
}

func (n *nursery) give(notice string, at time.Time) (*treatmentv1.Notice, error) {
	return n.treatment.RecordNotice(asWorker(), &treatmentv1.RecordNoticeRequest{Name: notice, DoneTime: timestamppb.New(at), Note: "seen", RequestId: newID()})
}

func (n *nursery) setZone(zone string) {
	n.t.Helper()
	require.NoError(n.t, n.db.InTx(context.Background(), func(tx pgx.Tx) error {
		_, err := tx.Exec(context.Background(), `UPDATE identity.nursery SET time_zone = $1 WHERE id = 'test'`, zone)
		return err
	}))
}

const (
	signsUp        = treatmentv1.NoticeKind_NOTICE_KIND_SIGNS_UP
	signsDown      = treatmentv1.NoticeKind_NOTICE_KIND_SIGNS_DOWN
	spokenWords    = treatmentv1.NoticeKind_NOTICE_KIND_SPOKEN
	displayed      = treatmentv1.NoticeKind_NOTICE_KIND_DISPLAYED
	displayRemoved = treatmentv1.NoticeKind_NOTICE_KIND_DISPLAY_REMOVED
	supplies       = treatmentv1.NoticeKind_NOTICE_KIND_SUPPLIES
)

// Check value 1: 40 CFR 170.311(b)(5), from memory.
func TestTheDisplayOfAnApplicationIsServedPublished(t *testing.T) {
	n, c := openGreenhouse(t)
	n.setZone("UTC")
	n.label("half", "12")
	end := time.Date(2026, 3, 1, 10, 0, 0, 0, time.UTC)
	c.now = day0
	n.sprayed("half", "g1", end)
	display := n.notices("g1", false)[displayed]
	require.Equal(t, time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC), display.GetDueTime().AsTime())
	require.Equal(t, time.Date(2026, 3, 31, 22, 0, 0, 0, time.UTC), display.GetUntilTime().AsTime())
	require.False(t, display.GetOverdue())
	c.now = end.Add(24*time.Hour + time.Second)
	require.True(t, n.notices("g1", false)[displayed].GetOverdue())
}

// Check values 4 and 5: 40 CFR 170.409, from memory.
func TestSignsAndWordsAreServedPublished(t *testing.T) {
	n, c := openGreenhouse(t)
	double := func(p *productsv1.Product) { p.DoubleNotification = productsv1.LabelAnswer_LABEL_ANSWER_YES }
	n.label("p4", "4.0")
	n.label("p4-5", "4.5")
	n.label("p12", "12", double)
	n.label("p48", "48")
	n.label("p49", "49")
	c.now = day0
	for _, test := range []struct {
		product, house        string
		signs, spoken, either bool
	}{
		{"p4", "g1", true, true, true}, {"p4-5", "g1", true, false, false}, {"p12", "g1", true, true, false},
		{"p48", "o1", true, true, true}, {"p49", "o1", true, false, false},
	} {
		t.Run(test.product, func(t *testing.T) {
			a := n.sprayed(test.product, test.house, day0)
			answer, err := n.treatment.ListNotices(asWorker(), &treatmentv1.ListNoticesRequest{Parent: "nurseries/test"})
			require.NoError(t, err)
			var signs, spoken, either bool
			for _, notice := range answer.GetNotices() {
				if notice.GetApplication() == a.GetName() {
					signs, spoken = signs || notice.GetKind() == signsUp, spoken || notice.GetKind() == spokenWords
					either = either || notice.GetEither()
				}
			}
			require.Equal(t, []bool{test.signs, test.spoken, test.either}, []bool{signs, spoken, either})
		})
	}
}

func TestSignsThatStandKeepTheHouseClosedUntilTheyAreDown(t *testing.T) {
	n, c := openGreenhouse(t)
	n.label("half", "12")
	c.now = day0
	a := n.sprayed("half", "g1", day0)
	up, down := noticeOf(a, "g1", "signs-up"), noticeOf(a, "g1", "signs-down")
	_, err := n.give(down, day0)
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	require.True(t, n.notices("g1", false)[signsUp].GetOverdue())
	_, err = n.give(up, day0.Add(-26*time.Hour))
	message, _ := rpctest.Refused(t, err, codes.FailedPrecondition, fault.InvalidTimes)
	require.Contains(t, message, "24 h before the application")
	_, err = n.give(up, day0.Add(time.Hour))
	rpctest.Refused(t, err, codes.InvalidArgument, fault.InvalidTimes)
	given, err := n.give(up, day0.Add(-2*time.Hour))
	require.NoError(t, err)
	require.Equal(t, name("people/wandile"), given.GetPerson())
	require.False(t, given.GetOverdue())
	_, err = n.give(up, day0)
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.InvalidField)

	require.Equal(t, day0.Add(12*time.Hour), n.notices("g1", false)[signsDown].GetNotBeforeTime().AsTime())
	require.Equal(t, day0.Add(84*time.Hour), n.notices("g1", false)[signsDown].GetDueTime().AsTime(), "within three days")
	c.now = day0.Add(13 * time.Hour)
	_, err = n.give(down, day0.Add(11*time.Hour))
	message, _ = rpctest.Refused(t, err, codes.FailedPrecondition, fault.InvalidTimes)
	require.Contains(t, message, "interval lasts until then")
	entry := &treatmentv1.HouseEntry{Kind: ordinary, Purpose: "water", StartTime: timestamppb.New(c.now)}
	answer := n.mayEnter(entry)
	require.False(t, answer.GetAllowed())
	require.Contains(t, answer.GetGrounds()[0].GetMessage(), "signs of application")
	_, err = n.give(down, c.now)
	require.NoError(t, err)
	require.True(t, n.mayEnter(entry).GetAllowed())
	require.NotContains(t, n.notices("g1", false), signsDown)
	require.Contains(t, n.notices("g1", true), signsDown)

	// Signs that nobody took down stay a task long after all else.
	b := n.sprayed("half", "g1", day0.Add(13*time.Hour))
	_, err = n.give(noticeOf(b, "g1", "signs-up"), c.now)
	require.NoError(t, err)
	c.now = day0.AddDate(0, 0, 200)
	left := n.notices("g1", false)
	require.Len(t, left, 1)
	require.True(t, left[signsDown].GetOverdue())
	require.False(t, n.mayEnter(&treatmentv1.HouseEntry{Kind: ordinary, Purpose: "water", StartTime: timestamppb.New(c.now)}).GetAllowed())
}

// 40 CFR 170.409(b), from memory: not more than 24 h before the application.
func TestSignsPutUpFromThePlanTheDayBeforeAreRecordedOnceTheWorkIsConfirmedPublished(t *testing.T) {
	n, c := openGreenhouse(t)
	n.label("half", "12")
	start := day0.Add(30 * time.Hour)
	c.now = start.Add(-24 * time.Hour)
	put := c.now
	planned := proposed(n.newLot(), "half", "10", start)
	planned.Treatments[0].House = name("houses/g1")
	n.printedPlanned(ofPlanned(treatmentv1.NoticeSheet_NOTICE_SHEET_ENTRANCE_SIGN, planned))
	require.Empty(t, n.notices("g1", true), "what is only planned asks for no notice")

	c.now = start.Add(time.Hour)
	a := n.breach(planned)
	_, err := n.give(noticeOf(a, "g1", "signs-up"), put.Add(-time.Second))
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.InvalidTimes)
	given, err := n.give(noticeOf(a, "g1", "signs-up"), put)
	require.NoError(t, err)
	require.Equal(t, put, given.GetDoneTime().AsTime())
	require.False(t, given.GetOverdue())
	for _, kind := range []string{"displayed", "supplies"} {
		_, err = n.give(noticeOf(a, "g1", kind), put)
		require.NoError(t, err, kind)
	}
	left := n.notices("g1", false)
	require.Contains(t, left, signsDown)
	require.NotContains(t, left, signsUp)
	require.NotContains(t, left, displayed)
}

func TestOfSignsAndWordsOneIsEnough(t *testing.T) {
	n, c := openGreenhouse(t)
	n.label("four", "4")
	c.now = day0
	a := n.sprayed("four", "g1", day0)
	require.True(t, n.notices("g1", false)[signsUp].GetEither())
	_, err := n.give(noticeOf(a, "g1", "spoken"), day0.Add(-90*time.Minute))
	require.NoError(t, err)
	left := n.notices("g1", false)
	require.NotContains(t, left, signsUp)
	require.NotContains(t, left, spokenWords)
	require.Contains(t, left, supplies)
	require.Equal(t, "seen", n.notices("g1", true)[spokenWords].GetNote())
	_, err = n.give(noticeOf(a, "g1", "signs-up"), day0)
	require.NoError(t, err, "nobody is kept from putting up signs as well")
	require.Contains(t, n.notices("g1", false), signsDown)
}

func TestADisplayIsTakenDownAfterThirtyDaysWhateverTheClocksDo(t *testing.T) {
	n, c := openGreenhouse(t)
	n.setZone("America/Los_Angeles") // the clocks go forward on 8 March 2026
	n.label("half", "12")
	end := time.Date(2026, 3, 8, 6, 0, 0, 0, time.UTC) // 7 March, 22:00
	c.now = end
	a := n.sprayed("half", "g1", end)
	shown, err := n.give(noticeOf(a, "g1", "displayed"), end)
	require.NoError(t, err)
	require.Equal(t, end.Add(12*time.Hour), n.notices("g1", false)[signsUp].GetUntilTime().AsTime(), "hours count as they pass")
	until := time.Date(2026, 4, 7, 18, 0, 0, 0, time.UTC) // 11:00, as the interval ended on 8 March
	require.Equal(t, until, shown.GetUntilTime().AsTime())
	_, err = n.give(noticeOf(a, "g1", "display-removed"), end)
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.InvalidTimes)
	require.Equal(t, until, n.notices("g1", false)[displayRemoved].GetNotBeforeTime().AsTime())
	c.now = until.Add(-time.Second)
	require.Contains(t, n.notices("g1", false), supplies)
	c.now = until
	left := n.notices("g1", false)
	require.Len(t, left, 1, "%v", left)
	_, err = n.give(noticeOf(a, "g1", "display-removed"), until)
	require.NoError(t, err)
	require.Empty(t, n.notices("g1", false))
	opens := n.mayEnter(&treatmentv1.HouseEntry{Kind: ordinary, Purpose: "water", StartTime: timestamppb.New(end.Add(12*time.Hour - time.Minute)), EndTime: timestamppb.New(end.Add(12 * time.Hour))})
	require.False(t, opens.GetAllowed())
	opens = n.mayEnter(&treatmentv1.HouseEntry{Kind: ordinary, Purpose: "water", StartTime: timestamppb.New(end.Add(12 * time.Hour)), EndTime: timestamppb.New(end.Add(13 * time.Hour))})
	require.True(t, opens.GetAllowed())
}

func TestANoticeIsNotForAuditorsToGive(t *testing.T) {
	n, c := openGreenhouse(t)
	n.label("half", "12")
	c.now = day0
	a := n.sprayed("half", "g1", day0)
	_, err := n.treatment.RecordNotice(rpctest.As(context.Background(), rpctest.Auditor), &treatmentv1.RecordNoticeRequest{
		Name: noticeOf(a, "g1", "spoken"), DoneTime: timestamppb.New(day0), RequestId: newID(),
	})
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
}
