package duty

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/quantity"
)

func TestAMonthEndsAtTheNurserysMidnightNotAtThatOfUTC(t *testing.T) {
	california := zone(t, "America/Los_Angeles")
	// 23:30 on 31 January in California is 1 February in UTC.
	event := Event{
		Zone: california, Start: at(t, "2026-01-31 22:30", california).UTC(), End: at(t, "2026-01-31 23:30", california).UTC(), DoneBy: Grower,
	}
	due, err := Due(ReportUse, "US-CA", event)
	require.NoError(t, err)
	require.Equal(t, "2026-02-10", due.Limit.Day)
	require.False(t, due.Limit.Passed(at(t, "2026-02-10 23:59", california)))
	require.True(t, due.Limit.Passed(at(t, "2026-02-11 00:00", california)))
}

func TestWorkAcrossMidnightBelongsToTheDayAndMonthInWhichItBegan(t *testing.T) {
	california := zone(t, "America/Los_Angeles")
	event := Event{
		Zone: california, Start: at(t, "2026-01-31 23:30", california), End: at(t, "2026-02-01 00:30", california), DoneBy: Grower, RestrictedUse: Yes,
	}
	report, err := Due(ReportUse, "US-CA", event)
	require.NoError(t, err)
	require.Equal(t, "2026-02-10", report.Limit.Day)
	written, err := Due(WriteRecord, "US-CA", event)
	require.NoError(t, err)
	require.Equal(t, "2026-02-14", written.Limit.Day)
	// It is kept from the later day.
	retention, err := KeepUntil(Record{Kinds: []Kind{UseRecord}, Jurisdictions: []string{"US-CA"}, Event: event})
	require.NoError(t, err)
	require.Equal(t, "2028-02-01", retention.Rows[0].Limit.Day)
}

func TestHoursAreAbsoluteAndDaysAreThoseOfTheCalendar(t *testing.T) {
	california := zone(t, "America/Los_Angeles")
	for _, test := range []struct {
		name, end, displayBy string
		entry                int
		displayUntil         string
	}{
		{"clocks go forward on 8 March", "2026-03-07 20:00", "2026-03-08 21:00", 12, "2026-04-07 09:00"},
		{"clocks go back on 1 November", "2026-10-31 20:00", "2026-11-01 19:00", 12, "2026-12-01 07:00"},
		{"no restricted-entry interval", "2026-06-01 10:00", "2026-06-02 10:00", 0, "2026-07-01 10:00"},
		{"over a leap day", "2028-02-01 10:00", "2028-02-02 10:00", 24, "2028-03-03 10:00"},
	} {
		t.Run(test.name, func(t *testing.T) {
			event := work(t, test.end, california)
			event.RestrictedEntry = interval(test.entry)
			by, err := Due(DisplayInformation, "US", event)
			require.NoError(t, err)
			require.True(t, by.Limit.Moment.Equal(at(t, test.displayBy, california)), by.Limit.Text)
			until, err := Due(KeepDisplayed, "US", event)
			require.NoError(t, err)
			require.True(t, until.Limit.Moment.Equal(at(t, test.displayUntil, california)), until.Limit.Text)
		})
	}
}

func TestALastingDutyThatEndsInARepeatedHourEndsInTheSecondOne(t *testing.T) {
	california := zone(t, "America/Los_Angeles")
	// 30 days after is 01:30 on 1 November 2026, which comes twice.
	event := work(t, "2026-10-02 01:30", california)
	event.RestrictedEntry = interval(0)
	until, err := Due(KeepDisplayed, "US", event)
	require.NoError(t, err)
	require.Equal(t, "2026-11-01T09:30:00Z", until.Limit.Moment.Format(time.RFC3339))
	// 30 days after is 02:30 on 8 March 2026, which never comes.
	event = work(t, "2026-02-06 02:30", california)
	event.RestrictedEntry = interval(0)
	until, err = Due(KeepDisplayed, "US", event)
	require.NoError(t, err)
	require.Equal(t, "2026-03-08T10:30:00Z", until.Limit.Moment.Format(time.RFC3339))
}

func TestADayEndsWhereMidnightIsLeftOut(t *testing.T) {
	// Chile goes from 23:59 on 5 September 2026 to 01:00 on 6 September.
	chile := zone(t, "America/Santiago")
	limit := lastDay(2026, time.September, 5, chile)
	require.Equal(t, "2026-09-06T04:00:00Z", limit.Moment.Format(time.RFC3339))
	require.Equal(t, "2026-09-05", dayOf(limit.Moment.Add(-time.Second), chile))
	require.Equal(t, "2026-09-06", dayOf(limit.Moment, chile))
}

func TestADeadlineOnAWeekendDoesNotMoveAndSaysSo(t *testing.T) {
	event := work(t, "2026-04-15 12:00", zone(t, "America/Los_Angeles"))
	event.DoneBy = Grower
	due, err := Due(ReportUse, "US-CA", event) // 10 May 2026 is a Sunday
	require.NoError(t, err)
	require.Equal(t, "2026-05-10", due.Limit.Day)
	require.Contains(t, due.Notes, WeekendNote)
	event = work(t, "2026-01-15 12:00", zone(t, "America/Los_Angeles"))
	due, err = Due(ReportUse, "US-CA", event) // a Tuesday
	require.NoError(t, err)
	require.NotContains(t, due.Notes, WeekendNote)
}

func TestAFactThatNobodySaidIsTakenToBind(t *testing.T) {
	event := work(t, "2026-01-31 12:00", zone(t, "America/Los_Angeles"))
	written, err := Due(WriteRecord, "US", event)
	require.NoError(t, err)
	require.Contains(t, written.Notes, "It was not said whether a product is a restricted-use one; it is taken to bind.")
	// Nobody said who did it: the sooner of both reports is due.
	report, err := Due(ReportUse, "US-CA", event)
	require.NoError(t, err)
	require.Equal(t, "ca-business-report", report.ID)
	require.Contains(t, report.Notes, "It was not said who did the work; it is taken to bind.")
	all, err := AllDue(ReportUse, "US-CA", event)
	require.NoError(t, err)
	require.Len(t, all, 3)
}

func TestWhatDoesNotBindSaysWhy(t *testing.T) {
	event := work(t, "2026-01-31 12:00", zone(t, "America/Los_Angeles"))
	event.RestrictedUse, event.DoneBy, event.ElectronicAtOnce = No, Grower, Yes
	for _, test := range []struct {
		duty       Duty
		code, says string
		end        string
	}{
		{WriteRecord, "US-CA", "no product of the mix is a restricted-use one", "2026-01-31 12:00"},
		{GiveCopy, "US-CA", "the nursery did the work itself", "2026-01-31 12:00"},
		{ConvertRecord, "FR", "made in the electronic form at once", "2026-01-31 12:00"},
		{ConvertRecord, "FR", "made in the electronic form at once", "2026-01-31 12:00"},
		{WriteRecord, "FR", "binds uses from 2026-01-01", "2025-12-31 12:00"},
	} {
		event.Start, event.End = at(t, test.end, event.Zone), at(t, test.end, event.Zone)
		_, err := Due(test.duty, test.code, event)
		require.ErrorIs(t, err, ErrNotDue)
		require.ErrorContains(t, err, test.says)
	}
	event.DoneBy = Business
	all, err := AllDue(ReportUse, "US-CA", event)
	require.NoError(t, err)
	for _, due := range all {
		require.NotEqual(t, "ca-grower-report", due.ID)
	}
}

func TestCopiesAreDueFromTheWorkAndFromTheRequest(t *testing.T) {
	california := zone(t, "America/Los_Angeles")
	event := work(t, "2026-03-01 10:00", california)
	event.RestrictedUse, event.DoneBy, event.Asked = Yes, Business, at(t, "2026-03-20 16:00", california)
	answer, err := Due(AnswerRequest, "US-CA", event)
	require.NoError(t, err)
	require.Equal(t, "2026-04-04", answer.Limit.Day)
	require.Contains(t, answer.To, "designated in writing")
	copyDue, err := Due(GiveCopy, "US", event)
	require.NoError(t, err)
	require.Equal(t, "2026-03-31", copyDue.Limit.Day)
	medical, err := Due(TellMedical, "US", event)
	require.NoError(t, err)
	require.True(t, medical.AtOnce)
	require.True(t, medical.Limit.Moment.Equal(event.Asked))
	require.Contains(t, medical.Sentence(), "at once")
}

func TestWhatIsNotKnownIsNeverSaidNotToExist(t *testing.T) {
	event := work(t, "2026-03-01 10:00", zone(t, "Africa/Johannesburg"))
	for _, code := range []string{"ZA", "GB", "AU-NSW", "JP"} {
		_, err := Due(WriteRecord, code, event)
		require.ErrorIs(t, err, ErrNotKnown, code)
		require.ErrorContains(t, err, "ask the authority")
	}
	_, err := Due("pay-taxes", "US", event)
	require.ErrorIs(t, err, ErrNotKnown)
	// A state that was not read is said beside the federal deadline.
	due, err := Due(WriteRecord, "US-OR", event)
	require.NoError(t, err)
	require.Contains(t, due.Notes[0], "Name the state")
	due, err = Due(WriteRecord, "US-CA", event)
	require.NoError(t, err)
	for _, note := range due.Notes {
		require.NotContains(t, note, "Name the state")
	}
}

func TestAMissingFactIsNamed(t *testing.T) {
	here := zone(t, "America/Los_Angeles")
	event := work(t, "2026-03-01 10:00", here)
	_, err := Due(KeepDisplayed, "US", event)
	require.ErrorIs(t, err, ErrMissing)
	require.ErrorContains(t, err, "restricted-entry interval, or that the label sets none")
	_, err = Due(AnswerRequest, "US", event)
	require.ErrorContains(t, err, "when somebody asked")
	_, err = Due(WriteRecord, "US", Event{Zone: here})
	require.ErrorContains(t, err, "when the application began")
	_, err = Due(WriteRecord, "US", Event{})
	require.ErrorContains(t, err, "time zone")
	_, err = Due(WriteRecord, "EU", event)
	require.ErrorContains(t, err, "enter the country")
}

func TestAnEventThatCannotBeIsRefused(t *testing.T) {
	event := work(t, "2026-03-01 10:00", time.UTC)
	event.End = event.Start.Add(-time.Minute)
	require.ErrorContains(t, event.Check(), "ends before it begins")
	event = work(t, "2026-03-01 10:00", time.UTC)
	event.RestrictedEntry = interval(-1)
	require.ErrorContains(t, event.Check(), "must be from 0")
	event.RestrictedEntry = interval(24 * 400)
	require.ErrorContains(t, event.Check(), "must be from 0")
	require.ErrorContains(t, Event{Zone: time.UTC, On: time.Date(206, 1, 1, 0, 0, 0, 0, time.UTC)}.Check(), "the year 206")
}

func TestBothCodesOfACountryAreTheSameLaw(t *testing.T) {
	event := work(t, "2026-03-01 10:00", zone(t, "Europe/Athens"))
	for _, pair := range [][2]string{{"EL", "GR"}, {"EL-A", "GR-A"}} {
		first, err := Due(ConvertRecord, pair[0], event)
		require.NoError(t, err)
		second, err := Due(ConvertRecord, pair[1], event)
		require.NoError(t, err)
		require.Equal(t, first, second)
	}
}

func TestTheShorterRecordIsRefusedWhereverItIsNotSure(t *testing.T) {
	bench := quantity.Must("300", quantity.SquareFoot)
	for _, test := range []struct {
		name, code string
		site       Site
		area       quantity.Quantity
		says       string
	}{
		{"greenhouse", "US", Greenhouse, bench, "in a greenhouse"},
		{"nursery", "US-OR", Nursery, bench, "in a nursery"},
		{"site not said", "US", "", bench, "not said where"},
		{"area not said", "US", Elsewhere, quantity.Quantity{}, "how much was treated"},
		{"exactly 1/10 acre", "US", Elsewhere, quantity.Must("4356", quantity.SquareFoot), "is not less than 0.1 acre"},
		{"the state was not read", "US-OR", Elsewhere, bench, "not all of the law of US-OR was read"},
		{"the state was not named", "US", Elsewhere, bench, "not all of the law of US was read"},
		{"California records any use", "US-CA", Elsewhere, bench, "US-CA knows no shorter one"},
		{"no law that was read has one", "DE", Elsewhere, bench, "has a shorter one"},
		{"a country that nobody read", "JP", Elsewhere, bench, "has a shorter one"},
	} {
		t.Run(test.name, func(t *testing.T) {
			verdict, err := ShortForm(test.code, test.site, test.area)
			require.NoError(t, err)
			require.False(t, verdict.Allowed)
			require.Contains(t, verdict.Reason, "Write the full record")
			require.Contains(t, verdict.Reason, test.says)
		})
	}
	_, err := ShortForm("US", Elsewhere, quantity.Must("3", quantity.Litre))
	require.ErrorContains(t, err, "what was treated")
	_, err = ShortForm("US", "balcony", bench)
	require.ErrorContains(t, err, "is no site")
	_, err = ShortForm("USA", Elsewhere, bench)
	require.ErrorContains(t, err, "jurisdiction")
}

// A law without parts of its own may allow it, just below its limit: 1/10 acre is
// 4,356 square feet.
func TestTheShorterRecordIsAllowedBelowTheLimitOfALawThatWasReadWhole(t *testing.T) {
	l := *shipped()
	l.places = []place{{code: "US", says: "-"}}
	just := quantity.Must("4355.9", quantity.SquareFoot)
	verdict, err := l.shortForm("US", Elsewhere, just)
	require.NoError(t, err)
	require.True(t, verdict.Allowed)
	require.False(t, verdict.Verified)
	verdict, err = l.shortForm("US", Greenhouse, just)
	require.NoError(t, err)
	require.False(t, verdict.Allowed)
}

func TestWhatOneLawPutsOffIsDueUnderAnother(t *testing.T) {
	off := Deadline{ID: "off", NotYet: true}
	soon := Deadline{ID: "soon", Limit: lastDay(2026, time.March, 1, time.UTC)}
	late := Deadline{ID: "late", Limit: lastDay(2026, time.March, 2, time.UTC)}
	require.Positive(t, prefer(off, late))
	require.Negative(t, prefer(late, off))
	require.Negative(t, prefer(soon, late))
	soon.HoldsUntil, late.HoldsUntil = true, true
	require.Positive(t, prefer(soon, late), "what must last counts by the longest")
}
