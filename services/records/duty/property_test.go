package duty

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var codes = []string{"US", "US-CA", "US-OR", "DE", "FR", "DE-BY", "EL", "GB", "UK-NIR", "GB-SCT", "ZA", "JP", "CA-BC"}

func pick[T any](r *rand.Rand, from ...T) T { return from[r.IntN(len(from))] }

func anyEvent(t testing.TB, r *rand.Rand) Event {
	t.Helper()
	in := zone(t, pick(r, "America/Los_Angeles", "Europe/Berlin", "America/Santiago", "Africa/Johannesburg", "Australia/Lord_Howe"))
	begun := time.Date(2024+r.IntN(6), 1, 1+r.IntN(366), r.IntN(24), r.IntN(60), 0, 0, in)
	event := Event{
		Zone: in, Start: begun, End: begun.Add(time.Duration(r.IntN(600)) * time.Minute), On: begun,
		RestrictedUse: pick(r, NotSaid, Yes, No), DoneBy: pick(r, PerformerNotSaid, Grower, Business),
		TradesInProducts: pick(r, NotSaid, Yes, No), MonthlySummary: pick(r, NotSaid, Yes, No),
		ElectronicAtOnce: pick(r, NotSaid, Yes, No), LongerConversion: pick(r, NotSaid, Yes, No),
	}
	if r.IntN(4) > 0 {
		event.RestrictedEntry = interval(r.IntN(100))
	}
	return event
}

func anyRecord(t testing.TB, r *rand.Rand) Record {
	t.Helper()
	record := Record{Name: "entry", House: pick(r, "", "nurseries/n/houses/h"), Event: anyEvent(t, r)}
	for range 1 + r.IntN(3) {
		record.Kinds = append(record.Kinds, pick(r, kinds...))
	}
	for range 1 + r.IntN(2) {
		record.Jurisdictions = append(record.Jurisdictions, pick(r, codes...))
	}
	return record
}

// shorter reports whether one retention lets a record go before another.
func shorter(a, b Retention) bool {
	if !b.Known() {
		return a.Known()
	}
	if !a.Known() {
		return false
	}
	return a.Rows[0].Limit.Moment.Before(b.Rows[0].Limit.Moment)
}

func TestMoreLawMoreKindsAndLessKnowledgeNeverShortenWhatIsKept(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 2))
	keep := func(record Record) Retention {
		retention, err := KeepUntil(record)
		require.NoError(t, err)
		return retention
	}
	known := 0
	for range 4000 {
		record := anyRecord(t, r)
		before := keep(record)
		if before.Known() {
			known++
		}
		wider := record
		wider.Jurisdictions = append(slices.Clone(record.Jurisdictions), pick(r, codes...))
		require.False(t, shorter(keep(wider), before), "%+v", wider)
		wider = record
		wider.Kinds = append(slices.Clone(record.Kinds), pick(r, kinds...))
		require.False(t, shorter(keep(wider), before), "%+v", wider)

		less := record
		switch r.IntN(4) {
		case 0:
			less.Event.RestrictedEntry = nil
		case 1:
			less.Event.End = time.Time{}
		case 2:
			less.Event.TradesInProducts, less.Event.DoneBy = NotSaid, PerformerNotSaid
		case 3:
			less.Event.On = time.Time{}
		}
		require.False(t, shorter(keep(less), before), "%+v", less)

		// A subdivision never lets go what its country keeps.
		if before.Known() && record.Jurisdictions[0] == "DE" {
			part := record
			part.Jurisdictions = append([]string{"DE-BY"}, record.Jurisdictions[1:]...)
			require.False(t, shorter(keep(part), before), "%+v", part)
		}
	}
	require.Positive(t, known)
}

func TestALongerIntervalNeverShortensWhatIsKeptOrShown(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 3))
	for range 500 {
		event := anyEvent(t, r)
		event.RestrictedEntry = interval(r.IntN(72))
		longer := event
		longer.RestrictedEntry = interval(int(event.RestrictedEntry.Hours()) + 1 + r.IntN(48))
		short, err := Due(KeepDisplayed, "US", event)
		require.NoError(t, err)
		long, err := Due(KeepDisplayed, "US", longer)
		require.NoError(t, err)
		require.False(t, long.Limit.Moment.Before(short.Limit.Moment), "%+v", event)
		record := Record{Kinds: []Kind{WorkerProtection}, Jurisdictions: []string{"US-CA"}, Event: event}
		kept, err := KeepUntil(record)
		require.NoError(t, err)
		record.Event = longer
		keptLonger, err := KeepUntil(record)
		require.NoError(t, err)
		require.False(t, shorter(keptLonger, kept))
	}
}

func TestOnceAllowedAPurgeStaysAllowedAndAHoldNeverAllowsOne(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 4))
	allowedOnce := 0
	for range 2000 {
		record := anyRecord(t, r)
		now := record.Event.Start.AddDate(r.IntN(8), 0, r.IntN(400)-200)
		hold := Hold{Name: "hold", Reason: "a claim", House: pick(r, "", record.House, "nurseries/n/houses/other")}
		allowed, _ := MayPurge(record, now, nil)
		held, _ := MayPurge(record, now, []Hold{hold})
		require.False(t, held && !allowed)
		if allowed {
			allowedOnce++
			later, _ := MayPurge(record, now.Add(time.Duration(r.IntN(100000))*time.Hour), nil)
			require.True(t, later, "%+v", record)
		}
	}
	require.Positive(t, allowedOnce)
}

func TestLessKnowledgeNeverMakesADutyLaterOrGoAway(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 5))
	compared := 0
	for range 3000 {
		event, code, duty := anyEvent(t, r), pick(r, codes...), pick(r, WriteRecord, ConvertRecord, ReportUse, NegativeReport, GiveCopy)
		less := event
		less.RestrictedUse, less.DoneBy, less.MonthlySummary = NotSaid, PerformerNotSaid, NotSaid
		less.ElectronicAtOnce, less.LongerConversion = NotSaid, NotSaid
		due, err := Due(duty, code, event)
		if err != nil {
			continue
		}
		compared++
		strict, err := Due(duty, code, less)
		require.NoError(t, err)
		require.False(t, strict.Limit.Moment.After(due.Limit.Moment), "%s %s %+v", duty, code, event)
	}
	require.Positive(t, compared)
}
