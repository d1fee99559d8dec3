package duty

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/quantity"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	loaded, err := time.LoadLocation(name)
	require.NoError(t, err)
	return loaded
}

func at(t testing.TB, local string, in *time.Location) time.Time {
	t.Helper()
	moment, err := time.ParseInLocation("2006-01-02 15:04", local, in)
	require.NoError(t, err)
	return moment
}

func interval(hours int) *time.Duration {
	length := time.Duration(hours) * time.Hour
	return &length
}

// work is an application of one hour that ends at a local time.
func work(t testing.TB, end string, in *time.Location) Event {
	t.Helper()
	ended := at(t, end, in)
	return Event{Zone: in, Start: ended.Add(-time.Hour), End: ended}
}

// 40 CFR 170.311(b)(5), from memory; the 30 days were read in its predecessor, 40 CFR
// 170.122(b)(3). California changes its clocks on 8 March 2026, between the two.
func TestDisplayOfApplicationInformationPublished(t *testing.T) {
	california := zone(t, "America/Los_Angeles")
	event := work(t, "2026-03-01 10:00", california)
	event.RestrictedEntry = interval(12)
	for _, code := range []string{"US", "US-CA", "US-OR"} {
		by, err := Due(DisplayInformation, code, event)
		require.NoError(t, err)
		require.True(t, by.Limit.Moment.Equal(at(t, "2026-03-02 10:00", california)), by.Limit.Text)
		require.False(t, by.Verified)
		until, err := Due(KeepDisplayed, code, event)
		require.NoError(t, err)
		require.True(t, until.HoldsUntil)
		require.True(t, until.Limit.Moment.Equal(at(t, "2026-03-31 22:00", california)), until.Limit.Text)
		require.Contains(t, until.Sentence(), "at least until 2026-03-31 22:00")
	}
}

// 40 CFR 170.311(b)(6), from memory.
func TestRetentionOfApplicationInformationPublished(t *testing.T) {
	california := zone(t, "America/Los_Angeles")
	event := work(t, "2026-03-01 10:00", california)
	event.RestrictedEntry = interval(12)
	record := Record{Name: "entry 7", Kinds: []Kind{WorkerProtection}, Jurisdictions: []string{"US-CA"}, Event: event}
	end := at(t, "2028-03-01 22:00", california)

	retention, err := KeepUntil(record)
	require.NoError(t, err)
	longest, found := retention.Longest()
	require.True(t, found)
	require.True(t, longest.Limit.Moment.Equal(end), longest.Limit.Text)

	for _, test := range []struct {
		now     time.Time
		allowed bool
	}{{end.Add(-time.Second), false}, {end, false}, {end.Add(time.Second), true}} {
		allowed, reason := MayPurge(record, test.now, nil)
		require.Equal(t, test.allowed, allowed, reason)
		require.Contains(t, reason, "2028-03-01 22:00")
		require.Contains(t, reason, "from memory")
	}
}

// 7 CFR 110.3: the fields were read, the 14 days, the 2 years and the exclusion of
// greenhouses and nurseries are from memory.
func TestRestrictedUseRecordPublished(t *testing.T) {
	california := zone(t, "America/Los_Angeles")
	event := work(t, "2026-03-01 10:00", california)
	event.RestrictedUse = Yes

	form, err := ShortForm("US", Greenhouse, quantity.Must("300", quantity.SquareFoot))
	require.NoError(t, err)
	require.False(t, form.Allowed)
	require.Contains(t, form.Reason, "in a greenhouse there is no shorter one")

	due, err := Due(WriteRecord, "US", event)
	require.NoError(t, err)
	require.Equal(t, "2026-03-15", due.Limit.Day)
	require.Contains(t, due.Source, "from memory")

	retention, err := KeepUntil(Record{Kinds: []Kind{RestrictedUseRecord}, Jurisdictions: []string{"US"}, Event: event})
	require.NoError(t, err)
	require.Equal(t, "2028-03-01", retention.Rows[0].Limit.Day)
}

// 3 CCR 6626(a) and (b), as printed in 2024.
func TestCaliforniaReportsPublished(t *testing.T) {
	california := zone(t, "America/Los_Angeles")
	for _, test := range []struct {
		day  string
		by   Performer
		duty Duty
		due  string
	}{
		{"2026-01-31", Grower, ReportUse, "2026-02-10"},
		{"2026-12-01", Grower, ReportUse, "2027-01-10"},
		{"2026-01-31", Business, ReportUse, "2026-02-07"},
		{"2026-01-31", Business, GiveCopy, "2026-03-02"},
	} {
		event := work(t, test.day+" 12:00", california)
		event.DoneBy, event.RestrictedUse, event.MonthlySummary = test.by, No, No
		due, err := Due(test.duty, "US-CA", event)
		require.NoError(t, err)
		require.Equal(t, test.due, due.Limit.Day)
		require.True(t, due.Verified)
	}
}

// Implementing Regulation (EU) 2023/564, article 3, put off for 2026 by states that use
// Implementing Regulation (EU) 2025/2203: Germany is one, France is not known to be.
func TestElectronicConversionPublished(t *testing.T) {
	for _, test := range []struct {
		code, zone, use, due string
		allowed              Answer
	}{
		{"FR", "Europe/Paris", "2026-03-01", "2026-03-31", NotSaid},
		{"FR", "Europe/Paris", "2027-01-10", "2027-02-09", NotSaid},
		{"DE", "Europe/Berlin", "2027-01-10", "2027-02-09", NotSaid},
		{"ES", "Europe/Madrid", "2027-01-10", "2027-02-09", No},
		// Before 31 January of the next year, for uses before 2030.
		{"FR", "Europe/Paris", "2026-03-01", "2027-01-30", Yes},
		{"FR", "Europe/Paris", "2026-12-31", "2027-01-30", Yes},
		{"FR", "Europe/Paris", "2029-12-31", "2030-01-30", Yes},
		{"FR", "Europe/Paris", "2030-01-01", "2030-01-31", Yes},
	} {
		event := work(t, test.use+" 12:00", zone(t, test.zone))
		event.ElectronicAtOnce, event.LongerConversion = No, test.allowed
		due, err := Due(ConvertRecord, test.code, event)
		require.NoError(t, err, test)
		require.Equal(t, test.due, due.Limit.Day, test)
		require.True(t, due.Verified)
	}
	for _, code := range []string{"DE", "DE-BY", "ES"} {
		event := work(t, "2026-03-01 12:00", zone(t, "Europe/Berlin"))
		event.ElectronicAtOnce = No
		put, err := Due(ConvertRecord, code, event)
		require.ErrorIs(t, err, ErrNotYet)
		require.True(t, put.NotYet)
		require.Contains(t, put.Sentence(), "not required yet")
		require.Contains(t, err.Error(), "1 January 2027")
	}
}

// 1107/2009 article 67(1), from memory: 3 years for who uses, 5 for who trades.
func TestEuropeanRetentionByRolePublished(t *testing.T) {
	event := work(t, "2026-03-01 12:00", zone(t, "Europe/Berlin"))
	for _, test := range []struct {
		trades Answer
		until  string
	}{{No, "2029-03-01"}, {Yes, "2031-03-01"}, {NotSaid, "2031-03-01"}} {
		event.TradesInProducts = test.trades
		retention, err := KeepUntil(Record{Kinds: []Kind{UseRecord}, Jurisdictions: []string{"DE"}, Event: event})
		require.NoError(t, err)
		require.True(t, retention.Known())
		require.Equal(t, test.until, retention.Rows[0].Limit.Day)
	}
}
