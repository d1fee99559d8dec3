package duty

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// line is what a test says of an item.
type line struct {
	id, application, limit string
	state                  State
}

func lines(c Calendar) []line {
	var all []line
	for _, item := range c.Items {
		name := ""
		for i, a := range item.Applications {
			if i > 0 {
				name += " "
			}
			name += a
		}
		all = append(all, line{item.ID, name, item.Limit.Text, item.State})
	}
	return all
}

func californian(t *testing.T) NurseryFacts {
	t.Helper()
	return NurseryFacts{Jurisdiction: "US-CA", Zone: zone(t, "America/Los_Angeles"), MonthlySummary: No}
}

func TestTheCalendarOfACalifornianMonth(t *testing.T) {
	nursery := californian(t)
	own := work(t, "2026-01-31 23:30", nursery.Zone)
	own.RestrictedEntry, own.RestrictedUse, own.DoneBy = interval(12), Yes, Grower
	hired := work(t, "2026-01-20 10:00", nursery.Zone)
	hired.RestrictedEntry, hired.RestrictedUse, hired.DoneBy = interval(0), No, Business
	other := work(t, "2026-02-01 10:00", nursery.Zone)
	applications := []Application{{"own", own}, {"hired", hired}, {"other", other}}
	done := []Done{
		{Deadline: "ca-business-report", Application: "hired", At: at(t, "2026-01-28 09:00", nursery.Zone)},
		{Deadline: "us-display-information", Application: "hired", At: at(t, "2026-01-20 12:00", nursery.Zone)},
		{Deadline: "us-display-information", Application: "own", At: at(t, "2026-02-01 01:00", nursery.Zone)},
		{Deadline: "us-keep-displayed", Application: "hired", At: at(t, "2026-02-10 12:00", nursery.Zone)},
		// Before the work: a record of it cannot have been written.
		{Deadline: "us-restricted-use-written", Application: "own", At: at(t, "2026-01-30 08:00", nursery.Zone)},
		// Before the month was over: work could still have followed.
		{Deadline: "ca-grower-report", At: at(t, "2026-01-31 08:00", nursery.Zone)},
	}
	calendar, err := MonthOf(nursery, "2026-01", applications, done, at(t, "2026-02-12 08:00", nursery.Zone))
	require.NoError(t, err)
	require.Equal(t, Caution, calendar.Caution)
	require.Equal(t, []line{
		{"us-display-information", "hired", "2026-01-21 10:00 -08:00", InTime},
		{"ca-business-report", "hired", "2026-01-27", DoneLate},
		{"us-display-information", "own", "2026-02-01 23:30 -08:00", InTime},
		{"ca-grower-report", "own", "2026-02-10", Overdue},
		{"us-restricted-use-written", "own", "2026-02-14", Open},
		{"us-keep-displayed", "hired", "2026-02-19 10:00 -08:00", EndedEarly},
		{"ca-business-copy", "hired", "2026-02-19", Open},
		{"us-keep-displayed", "own", "2026-03-03 11:30 -08:00", Lasting},
	}, lines(calendar))

	done = append(done, Done{Deadline: "ca-grower-report", At: at(t, "2026-02-10 23:59", nursery.Zone)})
	calendar, err = MonthOf(nursery, "2026-01", applications, done, at(t, "2026-04-01 08:00", nursery.Zone))
	require.NoError(t, err)
	require.Contains(t, lines(calendar), line{"ca-grower-report", "own", "2026-02-10", InTime})
	require.Contains(t, lines(calendar), line{"us-keep-displayed", "own", "2026-03-03 11:30 -08:00", Over})
}

func TestANilMonthHasNothingToReportAndANegativeReportForMonthlySummaries(t *testing.T) {
	nursery := californian(t)
	after := at(t, "2026-02-03 08:00", nursery.Zone)
	calendar, err := MonthOf(nursery, "2026-01", nil, nil, after)
	require.NoError(t, err)
	require.Equal(t, []line{{"ca-grower-report", "", "2026-02-10", Nil}}, lines(calendar))

	nursery.MonthlySummary = Yes
	calendar, err = MonthOf(nursery, "2026-01", nil, nil, after)
	require.NoError(t, err)
	require.Equal(t, []line{
		{"ca-grower-report", "", "2026-02-10", Nil},
		{"ca-monthly-summary", "", "2026-02-10", Nil},
		{"ca-negative-report", "", "2026-02-10", Open},
	}, lines(calendar))
	calendar, err = MonthOf(nursery, "2026-01", nil, nil, at(t, "2026-02-11 00:00", nursery.Zone))
	require.NoError(t, err)
	require.Contains(t, lines(calendar), line{"ca-negative-report", "", "2026-02-10", Overdue})

	// A month that is not over may still have work.
	calendar, err = MonthOf(nursery, "2026-01", nil, nil, at(t, "2026-01-31 23:59", nursery.Zone))
	require.NoError(t, err)
	require.Contains(t, lines(calendar), line{"ca-negative-report", "", "2026-02-10", NotYet})

	// One use, and there is no negative report.
	event := work(t, "2026-01-10 10:00", nursery.Zone)
	event.DoneBy, event.RestrictedEntry = Grower, interval(0)
	calendar, err = MonthOf(nursery, "2026-01", []Application{{"one", event}}, nil, after)
	require.NoError(t, err)
	for _, item := range calendar.Items {
		require.NotEqual(t, "ca-negative-report", item.ID)
	}
}

func TestWhetherANurseryFilesMonthlySummariesIsAsked(t *testing.T) {
	nursery := californian(t)
	nursery.MonthlySummary = NotSaid
	calendar, err := MonthOf(nursery, "2026-01", nil, nil, at(t, "2026-02-03 08:00", nursery.Zone))
	require.NoError(t, err)
	for _, item := range calendar.Items {
		if item.ID == "ca-negative-report" {
			require.Equal(t, Open, item.State)
			require.Contains(t, item.Notes, "It was not said whether the use is filed in a monthly summary; it is taken to bind.")
			return
		}
	}
	require.Fail(t, "the negative report is not there")
}

func TestTheCalendarOfAGermanMonth(t *testing.T) {
	nursery := NurseryFacts{Jurisdiction: "DE", Zone: zone(t, "Europe/Berlin"), ElectronicAtOnce: No}
	event := work(t, "2026-03-10 10:00", nursery.Zone)
	calendar, err := MonthOf(nursery, "2026-03", []Application{{"spray", event}}, nil, at(t, "2026-03-10 11:00", nursery.Zone))
	require.NoError(t, err)
	require.Equal(t, []line{
		{"eu-written", "spray", "2026-03-10 10:00 +01:00", Overdue},
		{"eu-converted", "spray", "", NotYet},
	}, lines(calendar))
	// The law gives no number, so what was done is not called late.
	done := []Done{{Deadline: "eu-written", Application: "spray", At: at(t, "2026-03-10 10:30", nursery.Zone)}}
	calendar, err = MonthOf(nursery, "2026-03", []Application{{"spray", event}}, done, at(t, "2026-03-10 11:00", nursery.Zone))
	require.NoError(t, err)
	require.Equal(t, InTime, calendar.Items[0].State)
}

func TestWhatTheCalendarCannotWorkOutIsAGap(t *testing.T) {
	nursery := californian(t)
	noEntry := work(t, "2026-01-10 10:00", nursery.Zone)
	backwards := noEntry
	backwards.End = backwards.Start.Add(-time.Hour)
	noEnd := noEntry
	noEnd.End = time.Time{}
	calendar, err := MonthOf(nursery, "2026-01", []Application{
		{"without interval", noEntry}, {"backwards", backwards}, {"without start", Event{}}, {"without end", noEnd},
	}, nil, at(t, "2026-02-03 08:00", nursery.Zone))
	require.NoError(t, err)
	require.Contains(t, calendar.Gaps, "Application backwards: the application ends before it begins.")
	require.Contains(t, calendar.Gaps, "Application without start: when it began is not known, so its month is not either.")
	require.Contains(t, calendar.Gaps,
		"Application without interval, us-keep-displayed: a fact is missing: the restricted-entry interval, or that the label sets none.")
	require.Contains(t, calendar.Gaps, "Application without end, us-display-information: a fact is missing: when the application ended.")

	calendar, err = MonthOf(NurseryFacts{Jurisdiction: "JP", Zone: time.UTC}, "2026-01", nil, nil, time.Time{})
	require.NoError(t, err)
	require.Empty(t, calendar.Items)
	require.Contains(t, calendar.Gaps, "No deadline was read for JP: ask the authority.")

	for _, month := range []string{"", "2026-13", "January", "2026-1", "0001-01"} {
		_, err = MonthOf(nursery, month, nil, nil, time.Time{})
		require.ErrorContains(t, err, "is not a month", month)
	}
	_, err = MonthOf(NurseryFacts{Jurisdiction: "US"}, "2026-01", nil, nil, time.Time{})
	require.ErrorIs(t, err, ErrMissing)
	_, err = MonthOf(NurseryFacts{Jurisdiction: "USA", Zone: time.UTC}, "2026-01", nil, nil, time.Time{})
	require.ErrorContains(t, err, "jurisdiction")
}

func TestAnApplicationMayBeOfAMonthlySummaryThoughTheNurserysOthersAreNot(t *testing.T) {
	nursery := californian(t)
	event := work(t, "2026-01-10 10:00", nursery.Zone)
	event.DoneBy, event.RestrictedEntry, event.MonthlySummary = Grower, interval(0), Yes
	calendar, err := MonthOf(nursery, "2026-01", []Application{{"paths", event}}, nil, at(t, "2026-02-03 08:00", nursery.Zone))
	require.NoError(t, err)
	require.Contains(t, lines(calendar), line{"ca-monthly-summary", "paths", "2026-02-10", Open})
	require.Contains(t, lines(calendar), line{"ca-grower-report", "paths", "2026-02-10", Open})
}

func TestAMonthOfABusinesssWorkHasNothingForTheGrowerToReport(t *testing.T) {
	nursery := californian(t)
	event := work(t, "2026-01-10 10:00", nursery.Zone)
	event.DoneBy, event.RestrictedEntry = Business, interval(0)
	calendar, err := MonthOf(nursery, "2026-01", []Application{{"hired", event}}, nil, at(t, "2026-02-03 08:00", nursery.Zone))
	require.NoError(t, err)
	require.Contains(t, lines(calendar), line{"ca-grower-report", "", "2026-02-10", Nil})
	require.Contains(t, lines(calendar), line{"ca-business-report", "hired", "2026-01-17", Overdue})
}
