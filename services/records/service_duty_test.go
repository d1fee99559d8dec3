package records

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	recordsv1 "velamen/gen/velamen/records/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

// answer says something of the nursery; what is not given stays.
func (f yearsFixture) answer(t *testing.T, settings *recordsv1.DutySettings) *recordsv1.DutySettings {
	t.Helper()
	settings.Name = "nurseries/test/dutySettings"
	set, err := f.client.UpdateDutySettings(f.manager, &recordsv1.UpdateDutySettingsRequest{DutySettings: settings, RequestId: uuid.NewString()})
	require.NoError(t, err)
	return set
}

// duties returns each duty of a month as a line.
func (f yearsFixture) duties(t *testing.T, month string) (lines []string, response *recordsv1.ListRecordDutiesResponse) {
	t.Helper()
	response, err := f.client.ListRecordDuties(f.manager, &recordsv1.ListRecordDutiesRequest{Parent: "nurseries/test", Month: month})
	require.NoError(t, err)
	for _, d := range response.GetDuties() {
		due := "-"
		if d.GetDueTime() != nil {
			due = d.GetDueTime().AsTime().In(f.zone).Format("2006-01-02 15:04")
		}
		lines = append(lines, fmt.Sprint(d.GetDeadline(), " ", strings.TrimPrefix(d.GetState().String(), "DUTY_STATE_"), " ", due, " ", len(d.GetApplications())))
	}
	return lines, response
}

func recordDuty(month, deadline, application string, at time.Time) *recordsv1.RecordDutyRequest {
	return &recordsv1.RecordDutyRequest{Parent: "nurseries/test", RequestId: uuid.NewString(), DutyRecord: &recordsv1.DutyRecord{
		Month: month, Deadline: deadline, Application: application, DoneTime: timestamppb.New(at),
		Recipient: "the commissioner of the county", Reference: "R-17",
	}}
}

// 3 CCR 6626(a), as printed in 2024: the operator's report of a month's use is due by the
// 10th of the month after. 40 CFR 170.311(b)(5), from memory: shown within 24 hours, and
// until 30 days after the restricted-entry interval.
func TestTheDutiesOfAMonthAreListedWithWhereTheyStandPublished(t *testing.T) {
	f := setUpYears(t, "US-CA")
	f.answer(t, &recordsv1.DutySettings{Performer: recordsv1.Performer_PERFORMER_GROWER, MonthlySummary: recordsv1.DutyAnswer_DUTY_ANSWER_NO})
	f.apply(t, "a1", "2026-03-01 10:00", "12")
	lines, response := f.duties(t, "2026-03")
	require.Equal(t, []string{
		"us-display-information OVERDUE 2026-03-02 10:00 1",
		"us-keep-displayed OVER 2026-03-31 22:00 1",
		"ca-grower-report DUE 2026-04-11 00:00 1",
	}, lines)
	require.Equal(t, "2026-04-10", response.GetDuties()[2].GetDueDate().GetValue())
	require.True(t, response.GetDuties()[2].GetMonthReport())
	require.Equal(t, "3 CCR 6626(a) and (e)", response.GetDuties()[2].GetSource())
	require.Contains(t, response.GetGaps(), notTracked)
	require.NotEmpty(t, response.GetCaution())

	lines, _ = f.duties(t, "2026-02")
	require.Equal(t, []string{"ca-grower-report NIL 2026-03-11 00:00 0"}, lines, "a month without work")
}

func TestADutyIsRecordedOnceItIsDone(t *testing.T) {
	f := setUpYears(t, "US-CA")
	f.apply(t, "a1", "2026-03-01 10:00", "12")
	f.clock.at = f.local(t, "2026-04-12 09:00")
	request := recordDuty("2026-03", "ca-grower-report", "", f.local(t, "2026-04-09 16:00"))
	recorded, err := f.client.RecordDuty(f.manager, request)
	require.NoError(t, err)
	require.Equal(t, "nurseries/test/dutyRecords/1", recorded.GetName())
	require.Equal(t, "nurseries/test/people/mira", recorded.GetPerson())
	again, err := f.client.RecordDuty(f.manager, request)
	require.NoError(t, err)
	require.True(t, proto.Equal(recorded, again), "a retry returns the first answer")
	second, err := f.client.RecordDuty(f.manager, recordDuty("2026-03", "ca-business-report", "nurseries/test/applications/a1", f.local(t, "2026-03-12 09:00")))
	require.NoError(t, err)
	require.Equal(t, "nurseries/test/dutyRecords/2", second.GetName())

	_, response := f.duties(t, "2026-03")
	states := map[string]recordsv1.DutyState{}
	for _, d := range response.GetDuties() {
		states[d.GetDeadline()] = d.GetState()
		if d.GetDeadline() == "ca-grower-report" {
			require.True(t, proto.Equal(recorded, d.GetRecords()[0]))
			require.Equal(t, recorded.GetDoneTime().AsTime(), d.GetDoneTime().AsTime())
		}
	}
	require.Equal(t, recordsv1.DutyState_DUTY_STATE_DONE, states["ca-grower-report"])
	require.Equal(t, recordsv1.DutyState_DUTY_STATE_LATE, states["ca-business-report"], "7 days after the work")
	require.Equal(t, recordsv1.DutyState_DUTY_STATE_OVERDUE, states["ca-business-copy"])
}

func TestANilMonthIsReportedByWhoFilesMonthlySummaries(t *testing.T) {
	f := setUpYears(t, "US-CA")
	f.answer(t, &recordsv1.DutySettings{Performer: recordsv1.Performer_PERFORMER_GROWER, MonthlySummary: recordsv1.DutyAnswer_DUTY_ANSWER_YES})
	lines, _ := f.duties(t, "2026-03")
	require.Contains(t, lines, "ca-negative-report DUE 2026-04-11 00:00 0")
	_, err := f.client.RecordDuty(f.manager, recordDuty("2026-03", "ca-negative-report", "", f.local(t, "2026-04-02 04:00")))
	require.NoError(t, err)
	lines, _ = f.duties(t, "2026-03")
	require.Contains(t, lines, "ca-negative-report DONE 2026-04-11 00:00 0")
}

func TestWhatIsNotDueIsNotRecorded(t *testing.T) {
	f := setUpYears(t, "US-CA")
	f.answer(t, &recordsv1.DutySettings{Performer: recordsv1.Performer_PERFORMER_GROWER, MonthlySummary: recordsv1.DutyAnswer_DUTY_ANSWER_NO})
	f.apply(t, "a1", "2026-03-01 10:00", "12")
	const a1 = "nurseries/test/applications/a1"
	done := f.local(t, "2026-04-01 09:00")
	for _, test := range []struct {
		name, field, says string
		reason            fault.Reason
		request           *recordsv1.RecordDutyRequest
	}{
		{"a row that nothing asks for", "duty_record.deadline", `nothing in 2026-03 asks for "ca-business-report"`, fault.InvalidField, recordDuty("2026-03", "ca-business-report", a1, done)},
		{"a report of the month for one application", "duty_record.application", "leave the application out", fault.InvalidField, recordDuty("2026-03", "ca-grower-report", a1, done)},
		{"what each application asks for without one", "duty_record.application", "name it", fault.InvalidField, recordDuty("2026-03", "us-display-information", "", done)},
		{"an application of another month", "duty_record.application", "is not due for", fault.InvalidField,
			recordDuty("2026-03", "us-display-information", "nurseries/test/applications/a9", done)},
		{"no month", "duty_record.month", "is not a month", fault.InvalidField, recordDuty("March", "ca-grower-report", "", done)},
		{"before the month is over", "duty_record.done_time", "work could still follow", fault.InvalidTimes,
			recordDuty("2026-03", "ca-grower-report", "", f.local(t, "2026-03-31 23:59"))},
		{"in the future", "duty_record.done_time", "is in the future", fault.InvalidTimes, recordDuty("2026-03", "ca-grower-report", "", f.local(t, "2026-04-05 09:00"))},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := f.client.RecordDuty(f.manager, test.request)
			message, _ := rpctest.Refused(t, err, codes.InvalidArgument, test.reason)
			require.Contains(t, message, test.says)
			require.Contains(t, message, test.field)
		})
	}
	_, err := f.client.RecordDuty(rpctest.As(t.Context(), rpctest.Worker), recordDuty("2026-03", "ca-grower-report", "", done))
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
	_, err = f.client.ListRecordDuties(f.manager, &recordsv1.ListRecordDutiesRequest{Parent: "nurseries/test", Month: "2026-13"})
	rpctest.RefusedField(t, err, "month")
}

func TestAnApplicationThatWasTakenBackAsksForNothing(t *testing.T) {
	f := setUpYears(t, "US-CA")
	f.answer(t, &recordsv1.DutySettings{Performer: recordsv1.Performer_PERFORMER_GROWER, MonthlySummary: recordsv1.DutyAnswer_DUTY_ANSWER_NO})
	f.apply(t, "a1", "2026-03-01 10:00", "12")
	_, err := f.client.CorrectEntry(f.manager, correct(1, func(r *recordsv1.CorrectEntryRequest) { r.ProductAmount = amount("0", "g") }))
	require.NoError(t, err)
	lines, response := f.duties(t, "2026-03")
	require.Equal(t, []string{"ca-grower-report NIL 2026-04-11 00:00 0"}, lines)
	require.Contains(t, response.GetGaps()[0], "every amount of it was put right to zero")
}

func TestDutySettingsAreChangedByFieldAndNeverForgotten(t *testing.T) {
	f := setUpYears(t, "DE")
	first, err := f.client.GetDutySettings(f.manager, &recordsv1.GetDutySettingsRequest{Name: "nurseries/test/dutySettings"})
	require.NoError(t, err)
	require.Equal(t, recordsv1.Performer_PERFORMER_UNSPECIFIED, first.GetPerformer())
	require.Empty(t, first.GetPerson())

	set := f.answer(t, &recordsv1.DutySettings{Performer: recordsv1.Performer_PERFORMER_BOTH, ElectronicAtOnce: recordsv1.DutyAnswer_DUTY_ANSWER_YES, Etag: first.GetEtag()})
	require.Equal(t, "nurseries/test/people/mira", set.GetPerson())
	set = f.answer(t, &recordsv1.DutySettings{LongerConversion: recordsv1.DutyAnswer_DUTY_ANSWER_NO})
	require.Equal(t, recordsv1.Performer_PERFORMER_BOTH, set.GetPerformer(), "what is not given stays")
	set, err = f.client.UpdateDutySettings(f.manager, &recordsv1.UpdateDutySettingsRequest{
		DutySettings: &recordsv1.DutySettings{Name: "nurseries/test/dutySettings"}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"performer"}},
		RequestId: uuid.NewString(),
	})
	require.NoError(t, err)
	require.Equal(t, recordsv1.Performer_PERFORMER_UNSPECIFIED, set.GetPerformer(), "what is named and empty is not said any more")
	require.Equal(t, recordsv1.DutyAnswer_DUTY_ANSWER_YES, set.GetElectronicAtOnce())
	read, err := f.client.GetDutySettings(f.manager, &recordsv1.GetDutySettingsRequest{Name: "nurseries/test/dutySettings"})
	require.NoError(t, err)
	require.True(t, proto.Equal(set, read))

	_, err = f.client.UpdateDutySettings(f.manager, &recordsv1.UpdateDutySettingsRequest{
		DutySettings: &recordsv1.DutySettings{Name: "nurseries/test/dutySettings", Performer: recordsv1.Performer_PERFORMER_GROWER, Etag: first.GetEtag()},
		RequestId:    uuid.NewString(),
	})
	rpctest.Refused(t, err, codes.Aborted, fault.StaleETag)
	var kept int
	require.NoError(t, f.db.QueryRow(t.Context(), `SELECT count(*) FROM records.duty_settings`).Scan(&kept))
	require.Equal(t, 3, kept, "every answer is kept")
	_, err = f.client.GetDutySettings(f.manager, &recordsv1.GetDutySettingsRequest{Name: "nurseries/test/settings"})
	rpctest.RefusedField(t, err, "name")
}
