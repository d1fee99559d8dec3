package duty

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestTheLongestOfAllThatApplyCounts(t *testing.T) {
	california := zone(t, "America/Los_Angeles")
	event := work(t, "2026-03-01 10:00", california)
	event.RestrictedEntry, event.RestrictedUse = interval(48), Yes
	record, err := ApplicationRecord("entry 7", "US-CA", "", event)
	require.NoError(t, err)
	require.Equal(t, []Kind{UseRecord, WorkerProtection, RestrictedUseRecord}, record.Kinds)
	retention, err := KeepUntil(record)
	require.NoError(t, err)
	require.True(t, retention.Known(), retention.NotKnown)
	var laws []string
	for _, row := range retention.Rows {
		laws = append(laws, row.ID)
	}
	require.Equal(t, []string{"us-worker-protection-kept", "ca-use-record-kept", "us-restricted-use-kept", "us-restricted-use-commercial-kept"}, laws)
	require.Contains(t, retention.Rows[0].Limit.Text, "2028-03-03 10:00")
}

func TestAnApplicationsRecordIsOfTheKindsThatItsLawHas(t *testing.T) {
	event := work(t, "2026-03-01 10:00", time.UTC)
	event.RestrictedUse = No
	for code, kinds := range map[string][]Kind{
		"US-CA": {UseRecord, WorkerProtection}, "DE": {UseRecord}, "ZA": {UseRecord}, "JP": {UseRecord},
	} {
		record, err := ApplicationRecord("entry", code, "", event)
		require.NoError(t, err)
		require.Equal(t, kinds, record.Kinds, code)
	}
	_, err := ApplicationRecord("entry", "XX", "", event)
	require.ErrorContains(t, err, "not a country")
}

func TestHowLongEachKindIsKept(t *testing.T) {
	event := work(t, "2026-03-01 10:00", time.UTC)
	event.On = at(t, "2026-05-02 09:00", time.UTC)
	for _, test := range []struct {
		kind       Kind
		code, last string
	}{
		{TrainingRecord, "US-CA", "2028-05-02"},
		{RespiratorRecord, "US-CA", "2028-05-02"},
		{ReportCopy, "US-CA", "2028-03-01"},
		{UseRecord, "US-CA", "2028-03-01"},
		{RestrictedUseRecord, "US-CA", "2028-03-01"},
		{UseRecord, "GB", "2029-03-01"},
		{UseRecord, "UK", "2029-03-01"},
		{UseRecord, "GB-SCT", "2029-03-01"},
		{LotTrace, "NL", "2029-05-02"},
		{VoidedPassport, "NL", "2029-05-02"},
	} {
		retention, err := KeepUntil(Record{Kinds: []Kind{test.kind}, Jurisdictions: []string{test.code}, Event: event})
		require.NoError(t, err)
		require.True(t, retention.Known(), "%s %s: %v", test.kind, test.code, retention.NotKnown)
		require.Equal(t, test.last, retention.Rows[0].Limit.Day, "%s %s", test.kind, test.code)
	}
}

func TestTwoYearsFromALeapDayEndOnTheFirstOfMarch(t *testing.T) {
	california := zone(t, "America/Los_Angeles")
	event := work(t, "2028-02-29 10:00", california)
	event.RestrictedEntry = interval(0)
	retention, err := KeepUntil(Record{Kinds: []Kind{UseRecord, WorkerProtection}, Jurisdictions: []string{"US-CA"}, Event: event})
	require.NoError(t, err)
	require.Equal(t, "2030-03-01", retention.Rows[0].Limit.Day)
	require.Contains(t, retention.Rows[1].Limit.Text, "2030-03-01 10:00")
}

func TestTwoYearsEndOnTheNurserysClockWhateverTheClocksDid(t *testing.T) {
	berlin := zone(t, "Europe/Berlin")
	event := work(t, "2026-06-30 23:30", berlin) // still June in UTC, and summer time
	event.TradesInProducts = No
	record := Record{Name: "entry", Kinds: []Kind{UseRecord}, Jurisdictions: []string{"DE"}, Event: event}
	allowed, reason := MayPurge(record, at(t, "2029-06-30 23:59", berlin), nil)
	require.False(t, allowed, reason)
	allowed, reason = MayPurge(record, at(t, "2029-07-01 00:00", berlin), nil)
	require.True(t, allowed, reason)
	require.Contains(t, reason, "The law of the member state itself was not read.")
	require.Contains(t, reason, Caution)
}

func TestNothingIsThrownAwayWhereTheTimeIsNotKnown(t *testing.T) {
	for _, test := range []struct {
		name string
		kind Kind
		code string
		says string
	}{
		{"South Africa's log was not confirmed", UseRecord, "ZA", "ask the registrar"},
		{"exposure records of South Africa", ExposureRecord, "ZA", "40 years"},
		{"Northern Ireland", UseRecord, "GB-NIR", "Windsor Framework"},
		{"Northern Ireland under its other code", UseRecord, "UK-NIR", "Windsor Framework"},
		{"a state whose law was not read", RestrictedUseRecord, "US-OR", "Name the state"},
		{"a state that was not named", RestrictedUseRecord, "US", "Name the state"},
		{"a country whose law was not read", UseRecord, "JP", "was not read"},
		{"a kind that no law that was read has", ExposureRecord, "DE", "was not read"},
		{"a kind that is none", "diary", "DE", "no kind of record"},
		{"a code that is none", UseRecord, "ZZ", "not a country"},
		{"an unknown restricted-entry interval", WorkerProtection, "US-CA", "restricted-entry interval"},
	} {
		t.Run(test.name, func(t *testing.T) {
			event := work(t, "1990-03-01 10:00", time.UTC)
			event.On = event.End
			record := Record{Name: "entry 7", Kinds: []Kind{test.kind}, Jurisdictions: []string{test.code}, Event: event}
			allowed, reason := MayPurge(record, at(t, "2200-01-01 00:00", time.UTC), nil)
			require.False(t, allowed)
			require.Contains(t, reason, "Keep entry 7")
			require.Contains(t, reason, test.says)
		})
	}
	allowed, reason := MayPurge(Record{Name: "entry", Event: Event{Zone: time.UTC}}, at(t, "2200-01-01 00:00", time.UTC), nil)
	require.False(t, allowed)
	require.Contains(t, reason, "not said what kind")
	allowed, reason = MayPurge(Record{Name: "entry", Kinds: []Kind{UseRecord}, Jurisdictions: []string{"GB"}}, at(t, "2200-01-01 00:00", time.UTC), nil)
	require.False(t, allowed)
	require.Contains(t, reason, "time zone")
}

func TestALegalHoldKeepsWhatTheLawNoLongerDoes(t *testing.T) {
	london := zone(t, "Europe/London")
	event := work(t, "2020-06-10 10:00", london)
	record := Record{Name: "entry 7", Kinds: []Kind{UseRecord}, Jurisdictions: []string{"GB"}, House: "nurseries/n/houses/h1", Event: event}
	now := at(t, "2026-01-01 00:00", london)
	for _, test := range []struct {
		name string
		hold Hold
		held bool
	}{
		{"everything", Hold{}, true},
		{"its house", Hold{House: "nurseries/n/houses/h1"}, true},
		{"another house", Hold{House: "nurseries/n/houses/h2"}, false},
		{"its day", Hold{FromDay: "2020-06-10", ToDay: "2020-06-10"}, true},
		{"from the day after", Hold{FromDay: "2020-06-11"}, false},
		{"until the day before", Hold{ToDay: "2020-06-09"}, false},
		{"from its day", Hold{FromDay: "2020-06-10"}, true},
		{"until its day", Hold{ToDay: "2020-06-10"}, true},
		{"days that make no sense", Hold{FromDay: "2020-07-01", ToDay: "2020-05-01"}, true},
		{"a day that is none", Hold{ToDay: "9 June 2020"}, true},
	} {
		t.Run(test.name, func(t *testing.T) {
			test.hold.Name, test.hold.Reason = "hold 1", "a claim by a worker"
			allowed, reason := MayPurge(record, now, []Hold{test.hold})
			require.Equal(t, !test.held, allowed, reason)
			if test.held {
				require.Contains(t, reason, "the legal hold hold 1 stands (a claim by a worker)")
			}
		})
	}
	unknown := record
	unknown.House = ""
	allowed, _ := MayPurge(unknown, now, []Hold{{House: "nurseries/n/houses/h2"}})
	require.False(t, allowed, "the house of the record is not known, so it may be the one held")
	unknown = record
	unknown.Event.Start = time.Time{}
	allowed, _ = MayPurge(unknown, now, []Hold{{FromDay: "2025-01-01"}})
	require.False(t, allowed, "when the application began is not known")
}
