package diagnosis_test

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
	"velamen/services/stock"
)

// movable is a clock that a test moves.
type movable struct{ now time.Time }

func (m *movable) Now() time.Time { return clock.Stored(m.now) }

// garden is a nursery in a country with a rhododendron on a bench of its own.
func garden(t *testing.T, jurisdiction string) (n *nursery, bush, inspected string, c *movable) {
	t.Helper()
	c = &movable{now: today}
	n = newNurseryAt(t, c)
	n.standIn(t, jurisdiction)
	bush = n.addLot(t, "r1", "Rhododendron ponticum", n.addBench(t, "b2"))
	return n, bush, n.look(t, bush, time.Hour, ramorum()...), c
}

func dutyRequest(pest, lot, inspection string) *diagnosisv1.CreateDutyRequest {
	return &diagnosisv1.CreateDutyRequest{Parent: parent, RequestId: uuid.NewString(), Duty: &diagnosisv1.Duty{
		Pest: pest, Lots: []string{lot}, Inspections: []string{inspection},
	}}
}

// holds are the official holds on a lot, after what was ordered has arrived.
func (n *nursery) holds(t *testing.T, lot string) []string {
	t.Helper()
	require.NoError(t, n.outbox.Drain(context.Background()))
	read, err := n.stock.GetLot(n.worker, &stockv1.GetLotRequest{Name: lot})
	require.NoError(t, err)
	return read.GetOfficialHolds()
}

func (n *nursery) notify(duty string, at time.Time) (*diagnosisv1.Duty, error) {
	return n.client.RecordNotification(n.manager, &diagnosisv1.RecordNotificationRequest{
		Name: duty, Reference: "case 12, by telephone", NotifyTime: timestamppb.New(at), RequestId: uuid.NewString(),
	})
}

func (n *nursery) end(duty string) (*diagnosisv1.Duty, error) {
	return n.client.EndDuty(n.manager, &diagnosisv1.EndDutyRequest{Name: duty, Grounds: "letter of release", RequestId: uuid.NewString()})
}

func TestASuspicionHoldsTheLotsUntilItEnds(t *testing.T) {
	n, bush, inspected, c := garden(t, "US-OR")
	request := dutyRequest("ramorum-us", bush, inspected)
	raised, err := n.client.CreateDuty(n.manager, request)
	require.NoError(t, err)
	require.Equal(t, diagnosisv1.DutyState_DUTY_STATE_OPEN, raised.GetState())
	require.Empty(t, raised.GetDiagnosis())
	require.Equal(t, today.Add(24*time.Hour), raised.GetNotifyByTime().AsTime())
	require.Contains(t, raised.GetDemand(), "Report it")
	require.Contains(t, raised.GetAuthority(), "APHIS")
	require.Contains(t, raised.GetSource(), "7 CFR 301.92")
	require.False(t, raised.GetOverdue())
	again, err := n.client.CreateDuty(n.manager, request)
	require.NoError(t, err)
	require.True(t, proto.Equal(raised, again))
	require.Equal(t, []string{raised.GetName()}, n.holds(t, bush))

	require.Equal(t, []string{bush}, raised.GetLots(), "that lot alone")
	require.Empty(t, n.holds(t, lot))
	require.Equal(t, "ramorum-us", raised.GetPest())
	require.Nil(t, raised.GetNotifyTime())
	named, err := n.client.ListRegulatedPests(n.worker, &diagnosisv1.ListRegulatedPestsRequest{Parent: parent})
	require.NoError(t, err)
	require.True(t, slices.ContainsFunc(named.GetPests(), func(p *diagnosisv1.RegulatedPest) bool { return p.GetId() == raised.GetPest() }))

	c.now = today.Add(25 * time.Hour)
	late, err := n.client.GetDuty(n.worker, &diagnosisv1.GetDutyRequest{Name: raised.GetName()})
	require.NoError(t, err)
	require.True(t, late.GetOverdue())

	told, err := n.notify(raised.GetName(), today.Add(23*time.Hour))
	require.NoError(t, err)
	require.Equal(t, diagnosisv1.DutyState_DUTY_STATE_NOTIFIED, told.GetState())
	require.False(t, told.GetOverdue(), "it was told in time and entered later")
	require.Equal(t, []string{raised.GetName()}, n.holds(t, bush), "the hold goes on")

	ended, err := n.end(raised.GetName())
	require.NoError(t, err)
	require.Equal(t, diagnosisv1.DutyState_DUTY_STATE_ENDED, ended.GetState())
	require.Equal(t, "letter of release", ended.GetEndGrounds())
	require.Empty(t, n.holds(t, bush))
	still, err := n.client.ListDuties(n.worker, &diagnosisv1.ListDutiesRequest{Parent: parent, State: diagnosisv1.DutyState_DUTY_STATE_NOTIFIED})
	require.NoError(t, err)
	require.Empty(t, still.GetDuties())
	read, err := n.client.GetDuty(n.worker, &diagnosisv1.GetDutyRequest{Name: raised.GetName()})
	require.NoError(t, err)
	require.True(t, proto.Equal(ended, read))
}

func TestDutiesAreRefused(t *testing.T) {
	n, bush, inspected, _ := garden(t, "GB")
	for _, test := range []struct {
		name   string
		spoil  func(*diagnosisv1.Duty)
		code   codes.Code
		reason fault.Reason
		field  string
	}{
		{"an unknown pest", func(d *diagnosisv1.Duty) { d.Pest = "bad-luck" }, codes.InvalidArgument, fault.InvalidField, "duty.pest"},
		{"a pest of another law", func(d *diagnosisv1.Duty) { d.Pest = "ramorum-us" }, codes.InvalidArgument, fault.InvalidField, "duty.pest"},
		{"no lots", func(d *diagnosisv1.Duty) { d.Lots = nil }, codes.InvalidArgument, fault.InvalidField, "duty.lots"},
		{"an unknown lot", func(d *diagnosisv1.Duty) { d.Lots = []string{parent + "/lots/none"} }, codes.NotFound, fault.NotFoundReason, ""},
		{"a bench instead of a lot", func(d *diagnosisv1.Duty) { d.Lots = []string{bench} }, codes.InvalidArgument, fault.InvalidField, "duty.lots[0]"},
		{"an unknown inspection", func(d *diagnosisv1.Duty) { d.Inspections = []string{parent + "/inspections/none"} }, codes.NotFound, fault.NotFoundReason, ""},
		{"two years ago", func(d *diagnosisv1.Duty) { d.SuspectTime = timestamppb.New(today.AddDate(-2, 0, 0)) }, codes.InvalidArgument, fault.InvalidTimes, "duty.suspect_time"},
		{"tomorrow", func(d *diagnosisv1.Duty) { d.SuspectTime = timestamppb.New(today.Add(24 * time.Hour)) }, codes.InvalidArgument, fault.InvalidTimes, "duty.suspect_time"},
	} {
		t.Run(test.name, func(t *testing.T) {
			request := dutyRequest("ramorum-gb", bush, inspected)
			test.spoil(request.GetDuty())
			_, err := n.client.CreateDuty(n.manager, request)
			message, _ := rpctest.Refused(t, err, test.code, test.reason)
			require.Contains(t, message, test.field)
			require.Zero(t, n.count(t, "diagnosis.duty"))
			require.Empty(t, n.holds(t, bush))
		})
	}
	_, err := n.client.CreateDuty(n.worker, dutyRequest("ramorum-gb", bush, inspected))
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)

	raised, err := n.client.CreateDuty(n.manager, dutyRequest("ramorum-gb", bush, inspected))
	require.NoError(t, err)
	_, err = n.client.CreateDuty(n.manager, dutyRequest("ramorum-gb", bush, inspected))
	message, _ := rpctest.Refused(t, err, codes.FailedPrecondition, fault.InvalidField)
	require.Contains(t, message, raised.GetName(), "one suspicion is notified once")
	_, err = n.notify(raised.GetName(), today.Add(-time.Hour))
	rpctest.Refused(t, err, codes.InvalidArgument, fault.InvalidTimes)
	_, err = n.notify(raised.GetName(), today)
	require.NoError(t, err)
	_, err = n.notify(raised.GetName(), today)
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.InvalidField)
	_, err = n.client.EndDuty(n.worker, &diagnosisv1.EndDutyRequest{Name: raised.GetName(), Grounds: "g", RequestId: uuid.NewString()})
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
	_, err = n.end(raised.GetName())
	require.NoError(t, err)
	_, err = n.end(raised.GetName())
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.InvalidField)
	_, err = n.notify(raised.GetName(), today)
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.InvalidField)
}

// A diagnosis of a regulated pest raises the duty by itself, in the same breath.
func TestAConfirmedRegulatedPestRaisesItsDuty(t *testing.T) {
	n, bush, inspected, c := garden(t, "DE")
	request := confirmation(inspected)
	request.Diagnosis.Disorder = "ramorum-blight"
	held, err := n.client.ConfirmDiagnosis(n.manager, request)
	require.NoError(t, err)
	require.Len(t, held.GetDuties(), 1)
	duty, err := n.client.GetDuty(n.worker, &diagnosisv1.GetDutyRequest{Name: held.GetDuties()[0]})
	require.NoError(t, err)
	require.Equal(t, "ramorum-eu", duty.GetPest())
	require.Equal(t, held.GetName(), duty.GetDiagnosis())
	require.Equal(t, []string{bush}, duty.GetLots())
	require.Equal(t, []string{inspected}, duty.GetInspections())
	require.Equal(t, today, duty.GetNotifyByTime().AsTime(), "at once")
	require.False(t, duty.GetOverdue(), "a call takes its time")
	require.Equal(t, []string{duty.GetName()}, n.holds(t, bush))
	_, err = n.stock.MoveLot(n.worker, &stockv1.MoveLotRequest{Name: bush, Bench: bench, RequestId: uuid.NewString()})
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.LotOfficiallyHeld)

	c.now = today.Add(61 * time.Minute)
	duty, err = n.client.GetDuty(n.worker, &diagnosisv1.GetDutyRequest{Name: duty.GetName()})
	require.NoError(t, err)
	require.True(t, duty.GetOverdue())
	_, err = n.end(duty.GetName())
	message, _ := rpctest.Refused(t, err, codes.FailedPrecondition, fault.InvalidField)
	require.Contains(t, message, "must be told")

	second := confirmation(inspected)
	second.Diagnosis.Disorder = "ramorum-blight"
	again, err := n.client.ConfirmDiagnosis(n.manager, second)
	require.NoError(t, err)
	require.Equal(t, held.GetDuties(), again.GetDuties(), "one hold of a lot for one pest is enough")
	require.Equal(t, 1, n.count(t, "diagnosis.duty"))

	_, err = n.notify(duty.GetName(), c.now)
	require.NoError(t, err)
	_, err = n.end(duty.GetName())
	require.NoError(t, err)
}

func TestWhichDiagnosesRaiseADuty(t *testing.T) {
	n, bush, _, _ := garden(t, "US")
	mum := n.addLot(t, "m1", "Chrysanthemum indicum", parent+"/houses/h1/benches/b2")
	onBench := n.look(t, parent+"/houses/h1/benches/b2", 0, seen(leaf, "sunken"))
	ofOrchid := n.look(t, lot, 0, seen(leaf, "sunken"))
	for _, test := range []struct {
		name, jurisdiction, inspection, disorder string
		lots                                     []string
	}{
		{"the law names it on one lot of the bench", "US", onBench, "chrysanthemum-white-rust", []string{mum}},
		{"the law names it on any plant", "US", onBench, "ramorum-blight", []string{mum, bush}},
		{"the law does not name it on orchids", "US", ofOrchid, "chrysanthemum-white-rust", nil},
		{"no law names it", "US", onBench, "grey-mould", nil},
		{"no law known names it there", "ZA", onBench, "ramorum-blight", nil},
	} {
		t.Run(test.name, func(t *testing.T) {
			n.standIn(t, test.jurisdiction)
			before := n.count(t, "diagnosis.duty")
			request := confirmation(test.inspection)
			request.Diagnosis.Disorder = test.disorder
			held, err := n.client.ConfirmDiagnosis(n.manager, request)
			require.NoError(t, err)
			if test.lots == nil {
				require.Empty(t, held.GetDuties())
				require.Equal(t, before, n.count(t, "diagnosis.duty"))
				return
			}
			duty, err := n.client.GetDuty(n.worker, &diagnosisv1.GetDutyRequest{Name: held.GetDuties()[0]})
			require.NoError(t, err)
			require.ElementsMatch(t, test.lots, duty.GetLots())
		})
	}
}

// A suspicion that is confirmed stays one duty; lots that it did not hold get their
// own.
func TestAConfirmedSuspicionIsNoSecondDuty(t *testing.T) {
	n, bush, inspected, _ := garden(t, "GB")
	suspicion, err := n.client.CreateDuty(n.manager, dutyRequest("ramorum-gb", bush, inspected))
	require.NoError(t, err)
	other := n.addLot(t, "r2", "Rhododendron ponticum", parent+"/houses/h1/benches/b2")
	request := confirmation(inspected, n.look(t, other, 0, ramorum()...))
	request.Diagnosis.Disorder = "ramorum-blight"
	held, err := n.client.ConfirmDiagnosis(n.manager, request)
	require.NoError(t, err)
	require.Len(t, held.GetDuties(), 2)
	require.Equal(t, suspicion.GetName(), held.GetDuties()[0])
	more, err := n.client.GetDuty(n.worker, &diagnosisv1.GetDutyRequest{Name: held.GetDuties()[1]})
	require.NoError(t, err)
	require.Equal(t, []string{other}, more.GetLots())
	_, err = n.end(suspicion.GetName())
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.InvalidField)
}

// What is looked at in the morning may be split, joined or carried away before
// somebody confirms: the hold follows the plants.
func TestADutyHoldsTheLotsIntoWhichThePlantsWentSince(t *testing.T) {
	n, bush, _, c := garden(t, "DE")
	moved := n.addLot(t, "r2", "Rhododendron ponticum", parent+"/houses/h1/benches/b2")
	whole := n.addLot(t, "r3", "Rhododendron ponticum", bench)
	c.now = today.Add(4 * time.Hour)
	at := func(hours int) *timestamppb.Timestamp {
		return timestamppb.New(today.Add(time.Duration(hours) * time.Hour))
	}
	split := func(part string, hours int) string {
		done, err := n.stock.SplitLot(n.worker, &stockv1.SplitLotRequest{
			Name: bush, NewLotId: part, Plants: 10, Bench: bench, EventTime: at(hours), RequestId: uuid.NewString(),
		})
		require.NoError(t, err)
		return done.GetCreated().GetName()
	}
	before, after := split("before", 1), split("after", 3)
	onBench := n.look(t, parent+"/houses/h1/benches/b2", -2*time.Hour, ramorum()...)
	_, err := n.stock.MoveLot(n.worker, &stockv1.MoveLotRequest{Name: moved, Bench: bench, EventTime: at(3), RequestId: uuid.NewString()})
	require.NoError(t, err)
	_, err = n.stock.JoinLots(n.worker, &stockv1.JoinLotsRequest{Name: whole, Sources: []string{after}, EventTime: at(4), RequestId: uuid.NewString()})
	require.NoError(t, err)

	request := confirmation(onBench)
	request.Diagnosis.Disorder = "ramorum-blight"
	held, err := n.client.ConfirmDiagnosis(n.manager, request)
	require.NoError(t, err)
	duty, err := n.client.GetDuty(n.worker, &diagnosisv1.GetDutyRequest{Name: held.GetDuties()[0]})
	require.NoError(t, err)
	require.ElementsMatch(t, []string{bush, moved, after, whole}, duty.GetLots())
	require.Empty(t, n.holds(t, before))
	require.Len(t, n.holds(t, whole), 1)
}

// However long ago suspicion began, the length of a hold counts from when the lots
// were held.
func TestAHoldBeginsWhenItsDutyIsRaised(t *testing.T) {
	n, bush, inspected, _ := garden(t, "GB")
	request := dutyRequest("ramorum-gb", bush, inspected)
	request.Duty.SuspectTime = timestamppb.New(today.AddDate(0, -4, 0))
	raised, err := n.client.CreateDuty(n.manager, request)
	require.NoError(t, err)
	require.True(t, raised.GetOverdue())
	require.Len(t, n.holds(t, bush), 1)
	held, err := stock.ReadRestrictions(context.Background(), n.db, "test", []string{"r1"})
	require.NoError(t, err)
	require.Equal(t, today, held[0].Start)
}

// A suspicion that somebody ends as wrong while somebody else confirms it: the end
// waits for the diagnosis, and is refused by it.
func TestADutyDoesNotEndWhileItIsBeingConfirmed(t *testing.T) {
	ctx, stop := context.WithTimeout(context.Background(), time.Minute)
	defer stop()
	n, bush, inspected, _ := garden(t, "GB")
	suspicion, err := n.client.CreateDuty(n.manager, dutyRequest("ramorum-gb", bush, inspected))
	require.NoError(t, err)
	owner, err := pgx.Connect(ctx, n.db.OwnerURL)
	require.NoError(t, err)
	defer func() { require.NoError(t, owner.Close(context.Background())) }()
	waiting := func() (count int) {
		require.NoError(t, n.db.QueryRow(ctx, `SELECT count(DISTINCT pid) FROM pg_locks WHERE NOT granted`).Scan(&count))
		return count
	}
	// The diagnosis has read the duties and waits to write that it rests on them.
	tx, err := owner.Begin(ctx)
	require.NoError(t, err)
	_, err = tx.Exec(ctx, `LOCK TABLE diagnosis.diagnosis_duty IN SHARE MODE`)
	require.NoError(t, err)
	confirmed, ended := make(chan error, 1), make(chan error, 1)
	request := confirmation(inspected)
	request.Diagnosis.Disorder = "ramorum-blight"
	go func() {
		_, err := n.client.ConfirmDiagnosis(n.manager, request)
		confirmed <- err
	}()
	require.Eventually(t, func() bool { return waiting() == 1 }, 30*time.Second, 5*time.Millisecond)
	go func() {
		_, err := n.end(suspicion.GetName())
		ended <- err
	}()
	require.Eventually(t, func() bool { return waiting() == 2 || len(ended) == 1 }, 30*time.Second, 5*time.Millisecond)
	require.NoError(t, tx.Commit(ctx))
	require.NoError(t, <-confirmed)
	message, _ := rpctest.Refused(t, <-ended, codes.FailedPrecondition, fault.InvalidField)
	require.Contains(t, message, "must be told")
}

func TestTheMostUrgentDutyComesFirst(t *testing.T) {
	n, _, inspected, _ := garden(t, "US")
	row := n.addBench(t, "b3")
	raise := func(hoursAgo int) string {
		bush := n.addLot(t, fmt.Sprintf("bush-%d", hoursAgo), "Rhododendron ponticum", row)
		request := dutyRequest("ramorum-us", bush, inspected)
		request.Duty.SuspectTime = timestamppb.New(today.Add(-time.Duration(hoursAgo) * time.Hour))
		raised, err := n.client.CreateDuty(n.manager, request)
		require.NoError(t, err)
		return raised.GetName()
	}
	later, sooner, told, over := raise(1), raise(5), raise(9), raise(12)
	_, err := n.notify(told, today)
	require.NoError(t, err)
	_, err = n.end(over)
	require.NoError(t, err)
	list := func(state diagnosisv1.DutyState) (names []string) {
		request := &diagnosisv1.ListDutiesRequest{Parent: parent, State: state, PageSize: 1}
		for {
			page, err := n.client.ListDuties(n.worker, request)
			require.NoError(t, err)
			for _, duty := range page.GetDuties() {
				names = append(names, duty.GetName())
			}
			if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
				return names
			}
		}
	}
	require.Equal(t, []string{sooner, later, told, over}, list(0))
	require.Equal(t, []string{sooner, later}, list(diagnosisv1.DutyState_DUTY_STATE_OPEN))
	require.Equal(t, []string{told}, list(diagnosisv1.DutyState_DUTY_STATE_NOTIFIED))
	require.Equal(t, []string{over}, list(diagnosisv1.DutyState_DUTY_STATE_ENDED))
}

func TestNotificationsAndEndsAreWrittenOnce(t *testing.T) {
	n, bush, inspected, _ := garden(t, "US")
	raised, err := n.client.CreateDuty(n.manager, dutyRequest("ramorum-us", bush, inspected))
	require.NoError(t, err)
	_, err = n.notify(raised.GetName(), today)
	require.NoError(t, err)
	_, err = n.end(raised.GetName())
	require.NoError(t, err)
	for _, statement := range []string{
		`UPDATE diagnosis.duty SET notify_time = now() WHERE id = $1`, `UPDATE diagnosis.duty SET reference = 'x' WHERE id = $1`,
		`UPDATE diagnosis.duty SET end_time = NULL, ender = NULL, end_grounds = NULL WHERE id = $1`,
	} {
		n.refusedByTable(t, statement, filepath.Base(raised.GetName()))
	}
}

func TestRegulatedPestsAreServed(t *testing.T) {
	n := newNursery(t)
	all, err := n.client.ListRegulatedPests(n.worker, &diagnosisv1.ListRegulatedPestsRequest{})
	require.NoError(t, err)
	require.NotEmpty(t, all.GetPests())
	require.NotEmpty(t, all.GetCaution())
	here, err := n.client.ListRegulatedPests(n.worker, &diagnosisv1.ListRegulatedPestsRequest{Parent: parent})
	require.NoError(t, err)
	require.Empty(t, here.GetPests(), "none is known of South Africa")
	require.NotEmpty(t, here.GetCaution())
	n.standIn(t, "GB-SCT")
	here, err = n.client.ListRegulatedPests(n.worker, &diagnosisv1.ListRegulatedPestsRequest{Parent: parent})
	require.NoError(t, err)
	require.Equal(t, "ramorum-gb", here.GetPests()[0].GetId())
	require.Equal(t, "2", here.GetPests()[0].GetDestroyWithinM())
	require.Equal(t, "10", here.GetPests()[0].GetHoldWithinM())
	require.True(t, here.GetPests()[0].GetNoMasking())
}

// A lot by a name that nobody knows may be a host: its hold is ended with a word, a
// pest that was let go is not.
func TestAPlantByAnUnknownNameIsHeldWithItsPest(t *testing.T) {
	n := newNursery(t)
	n.standIn(t, "DE")
	for _, test := range []struct {
		lot, name string
		duties    int
	}{{"m1", "Garden mum", 1}, {"m2", "chrysanthemum morifolium", 1}, {"m3", "Rosa canina", 0}} {
		plants := n.addLot(t, test.lot, test.name, n.addBench(t, "b-"+test.lot))
		request := confirmation(n.look(t, plants, 0, seen(leaf, "pale-waxy-pustules")))
		request.Diagnosis.Disorder = "chrysanthemum-white-rust"
		held, err := n.client.ConfirmDiagnosis(n.manager, request)
		require.NoError(t, err)
		require.Len(t, held.GetDuties(), test.duties, test.name)
	}
}
