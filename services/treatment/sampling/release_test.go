package sampling_test

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"

	"velamen/internal/fault"
	"velamen/services/diagnosis"
	"velamen/services/treatment/sampling"
)

var firstDay = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)

func on(day int) time.Time { return firstDay.AddDate(0, 0, day) }

func period(t testing.TB, disorder string) sampling.Period {
	t.Helper()
	found, ok := sampling.PeriodOf(disorder)
	require.True(t, ok)
	return found
}

// census is a clean look at all plants.
func census(day int, plants int64) sampling.Inspection {
	return sampling.Inspection{Time: on(day), Plants: plants, Sampled: plants}
}

func codes(s sampling.Statement) []sampling.ShortfallCode {
	var all []sampling.ShortfallCode
	for _, shortfall := range s.Shortfalls {
		all = append(all, shortfall.Code)
	}
	return all
}

func TestRelease(t *testing.T) {
	found := func(day int, plants, affected int64) sampling.Inspection {
		return sampling.Inspection{Time: on(day), Plants: plants, Sampled: plants, Affected: affected}
	}
	sample := func(day int, plants, sampled int64) sampling.Inspection {
		return sampling.Inspection{Time: on(day), Plants: plants, Sampled: sampled}
	}
	negative := func(day int, plants int64) sampling.Inspection {
		i := census(day, plants)
		i.Test = true
		return i
	}
	known := on(0) // the day of the last treatment
	for _, row := range []struct {
		name          string
		disorder      string
		plants        int64
		exposureEnd   time.Time
		inspections   []sampling.Inspection
		lacks         []sampling.ShortfallCode
		clean, span   int
		proven, shown string
		ruledOut      int64
	}{
		{
			name: "two looks at every plant, a span apart", disorder: "black-rot", plants: 200,
			inspections: []sampling.Inspection{census(0, 200), census(30, 200)},
			clean:       2, span: 30, proven: "0.999999", shown: "0.999999", ruledOut: 2,
		},
		{
			name: "from the last treatment both are after the latent period", disorder: "black-rot", plants: 200, exposureEnd: known,
			inspections: []sampling.Inspection{census(14, 200), census(30, 200)},
			clean:       2, span: 30, proven: "0.999999", shown: "0.999999", ruledOut: 1,
		},
		{
			name: "the order of the rows says nothing", disorder: "black-rot", plants: 200, exposureEnd: known,
			inspections: []sampling.Inspection{census(30, 200), census(14, 200)},
			clean:       2, span: 30, proven: "0.999999", shown: "0.999999", ruledOut: 1,
		},
		{
			name: "one look", disorder: "black-rot", plants: 200, exposureEnd: known,
			inspections: []sampling.Inspection{census(40, 200)},
			lacks:       []sampling.ShortfallCode{sampling.TooFewClean},
			clean:       1, span: 40, proven: "0.999999", shown: "0.999999", ruledOut: 2,
		},
		{
			name: "too short", disorder: "black-rot", plants: 200, exposureEnd: known,
			inspections: []sampling.Inspection{census(10, 200), census(29, 200)},
			lacks:       []sampling.ShortfallCode{sampling.SpanTooShort},
			clean:       2, span: 29, proven: "0.999999", shown: "0.999999", ruledOut: 1,
		},
		{
			name: "looks on days that follow are one", disorder: "black-rot", plants: 200, exposureEnd: known,
			inspections: []sampling.Inspection{census(30, 200), census(31, 200), census(32, 200)},
			lacks:       []sampling.ShortfallCode{sampling.TooFewClean},
			clean:       1, span: 32, proven: "0.999999", shown: "0.999999", ruledOut: 2,
		},
		{
			name: "before anything can show a look proves nothing", disorder: "phyllosticta-leaf-spot", plants: 100, exposureEnd: known,
			inspections: []sampling.Inspection{census(7, 100), census(14, 100), census(20, 100)},
			lacks:       []sampling.ShortfallCode{sampling.TooFewClean, sampling.SpanTooShort, sampling.ConfidenceTooLow},
			proven:      "0", shown: "0",
		},
		{
			name: "before the longest latent period it proves nothing of late signs", disorder: "phyllosticta-leaf-spot", plants: 20, exposureEnd: known,
			inspections: []sampling.Inspection{census(28, 20), census(60, 20)},
			lacks:       []sampling.ShortfallCode{sampling.ConfidenceTooLow},
			clean:       2, span: 60, proven: "0.8", shown: "0.96", ruledOut: 2,
		},
		{
			name: "small lots need two looks after it", disorder: "phyllosticta-leaf-spot", plants: 20, exposureEnd: known,
			inspections: []sampling.Inspection{census(28, 20), census(46, 20), census(60, 20)},
			clean:       3, span: 60, proven: "0.96", shown: "0.992", ruledOut: 1,
		},
		{
			name: "samples too small", disorder: "black-rot", plants: 1000, exposureEnd: known,
			inspections: []sampling.Inspection{sample(14, 1000, 20), sample(30, 1000, 20)},
			lacks:       []sampling.ShortfallCode{sampling.ConfidenceTooLow},
			clean:       2, span: 30, proven: "0.807093", shown: "0.807093", ruledOut: 90,
		},
		{
			name: "an affected plant begins the time again", disorder: "black-rot", plants: 199, exposureEnd: known,
			inspections: []sampling.Inspection{census(14, 200), found(30, 200, 1), census(45, 199)},
			lacks:       []sampling.ShortfallCode{sampling.TooFewClean, sampling.SpanTooShort},
			clean:       1, span: 15, proven: "0.999999", shown: "0.999999", ruledOut: 2,
		},
		{
			name: "the last look found something", disorder: "black-rot", plants: 200, exposureEnd: known,
			inspections: []sampling.Inspection{census(14, 200), found(30, 200, 3)},
			lacks:       []sampling.ShortfallCode{sampling.LastNotClean, sampling.TooFewClean, sampling.SpanTooShort, sampling.ConfidenceTooLow},
			proven:      "0", shown: "0",
		},
		{
			name: "plants that joined were not seen", disorder: "black-rot", plants: 200, exposureEnd: known,
			inspections: []sampling.Inspection{census(14, 150), census(30, 200)},
			lacks:       []sampling.ShortfallCode{sampling.TooFewClean, sampling.SpanTooShort, sampling.ConfidenceTooLow, sampling.PlantsJoined},
			clean:       1, span: 0, proven: "0", shown: "0.999999",
		},
		{
			name: "plants that joined while others left later", disorder: "black-rot", plants: 180, exposureEnd: known,
			inspections: []sampling.Inspection{census(14, 190), census(30, 200)},
			lacks:       []sampling.ShortfallCode{sampling.TooFewClean, sampling.SpanTooShort, sampling.ConfidenceTooLow, sampling.PlantsJoined},
			clean:       1, span: 0, proven: "0", shown: "0.999999",
		},
		{
			name: "seen a whole span since they joined", disorder: "black-rot", plants: 200, exposureEnd: known,
			inspections: []sampling.Inspection{census(14, 150), census(30, 200), census(60, 200)},
			clean:       2, span: 30, proven: "0.999999", shown: "0.999999", ruledOut: 2,
		},
		{
			name: "plants that left were seen before", disorder: "black-rot", plants: 120, exposureEnd: known,
			inspections: []sampling.Inspection{census(14, 200), census(30, 150)},
			clean:       2, span: 30, proven: "0.999999", shown: "0.999999", ruledOut: 1,
		},
		{
			name: "nothing looked at", disorder: "rust", plants: 50,
			lacks:  []sampling.ShortfallCode{sampling.TooFewClean, sampling.SpanTooShort, sampling.ConfidenceTooLow},
			proven: "0", shown: "0",
		},
		{
			name: "a virus is not released by eye", disorder: "virus-mosaic", plants: 40, exposureEnd: known,
			inspections: []sampling.Inspection{census(30, 40), census(200, 40), census(220, 40)},
			lacks:       []sampling.ShortfallCode{sampling.TooFewClean, sampling.SpanTooShort, sampling.ConfidenceTooLow},
			proven:      "0", shown: "0",
		},
		{
			name: "a virus is released by two negative tests", disorder: "virus-mosaic", plants: 40, exposureEnd: known,
			inspections: []sampling.Inspection{negative(60, 40), negative(180, 40)},
			clean:       2, span: 180, proven: "0.9975", shown: "0.999993", ruledOut: 1,
		},
	} {
		t.Run(row.name, func(t *testing.T) {
			got, err := sampling.Assess(sampling.Release{
				Plants: row.plants, Inspections: row.inspections, ExposureEnd: row.exposureEnd,
				Period: period(t, row.disorder), Values: sampling.DesignValues(),
			})
			require.NoError(t, err)
			require.Equal(t, row.lacks, codes(got), "%v", got.Shortfalls)
			require.Equal(t, len(row.lacks) == 0, got.Releasable)
			require.True(t, got.Infection)
			require.Equal(t, row.clean, got.Clean)
			require.Equal(t, row.span, got.SpanDays)
			require.Equal(t, row.proven, got.Proven.Confidence.String(), "proven")
			require.Equal(t, row.shown, got.Shown.Confidence.String(), "shown")
			require.Equal(t, row.ruledOut, got.Proven.RuledOut.Affected)
			require.NotEmpty(t, got.Sentence)
		})
	}
}

func TestReleaseSentenceStatesConfidenceAndPrevalence(t *testing.T) {
	release := sampling.Release{
		Plants: 20, ExposureEnd: on(0), Period: period(t, "phyllosticta-leaf-spot"), Values: sampling.DesignValues(),
		Inspections: []sampling.Inspection{census(28, 20), census(46, 20), census(60, 20)},
	}
	got, err := sampling.Assess(release)
	require.NoError(t, err)
	require.Equal(t, "Had 1 or more of the 20 plants (5 %) been affected, the 2 clean inspections after the longest latent period, 42 days, "+
		"would have found at least one with 96 % confidence or more; at 95 % confidence 1 or more affected plants (5 %) are ruled out, "+
		"if each finds 80 % of the affected plants that it takes in.", got.Sentence)
	require.False(t, got.Needed.Attainable, "one look at every plant is not enough")

	release.Inspections[2].Test = true
	got, err = sampling.Assess(release)
	require.NoError(t, err)
	require.Equal(t, "0.99", got.Proven.Confidence.String())
	require.Contains(t, got.Sentence, "if a look finds 80 % and a test 95 % of the affected plants that it takes in.")

	release.Inspections = []sampling.Inspection{{Time: on(60), Plants: 20, Sampled: 1}}
	got, err = sampling.Assess(release)
	require.NoError(t, err)
	require.Contains(t, got.Sentence, "at 95 % confidence nothing is ruled out")

	release.Inspections = nil
	got, err = sampling.Assess(release)
	require.NoError(t, err)
	require.Equal(t, "Nothing is proven yet: no clean inspection counts after the longest latent period, 42 days.", got.Sentence)
	require.Equal(t, "2 clean inspections at least 7 days apart are needed, there are 0", got.Shortfalls[0].Message)
}

func TestWhatIsNoInfectionNeedsNoInspections(t *testing.T) {
	got, err := sampling.Assess(sampling.Release{Plants: 20, Period: period(t, "sunburn"), Values: sampling.DesignValues()})
	require.NoError(t, err)
	require.True(t, got.Releasable)
	require.False(t, got.Infection)
	require.Equal(t, "sunburn is no infection; a release needs no inspections.", got.Sentence)
}

// One more clean look at all the plants never takes away what was proven.
func TestMoreCleanLooksNeverProveLess(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 14))
	disorders := []string{"black-rot", "phyllosticta-leaf-spot", "grey-mould", "fusarium-wilt"}
	for range 400 {
		plants := 1 + random.Int64N(300)
		release := sampling.Release{
			Plants: plants, ExposureEnd: on(0),
			Period: period(t, disorders[random.IntN(len(disorders))]), Values: sampling.DesignValues(),
		}
		for range random.IntN(6) {
			release.Inspections = append(release.Inspections,
				sampling.Inspection{Time: on(random.IntN(120)), Plants: plants, Sampled: 1 + random.Int64N(plants)})
		}
		before, err := sampling.Assess(release)
		require.NoError(t, err)
		release.Inspections = append(slices.Clone(release.Inspections),
			sampling.Inspection{Time: on(random.IntN(150)), Plants: plants, Sampled: 1 + random.Int64N(plants)})
		after, err := sampling.Assess(release)
		require.NoError(t, err)

		require.True(t, after.Proven.Confidence.GreaterThanOrEqual(before.Proven.Confidence))
		require.True(t, after.Shown.Confidence.GreaterThanOrEqual(before.Shown.Confidence))
		require.GreaterOrEqual(t, after.Clean, before.Clean)
		require.GreaterOrEqual(t, after.SpanDays, before.SpanDays)
		require.False(t, before.Releasable && !after.Releasable)
		require.True(t, after.Shown.Confidence.GreaterThanOrEqual(after.Proven.Confidence), "late signs are the harder case")
	}
}

func TestReleaseRefusesBadInput(t *testing.T) {
	good := func() sampling.Release {
		return sampling.Release{
			Plants: 20, Period: period(t, "rust"), Values: sampling.DesignValues(),
			Inspections: []sampling.Inspection{census(0, 20)},
		}
	}
	for _, row := range []struct {
		field string
		spoil func(*sampling.Release)
	}{
		{"plants", func(r *sampling.Release) { r.Plants = 0 }},
		{"period", func(r *sampling.Release) { r.Period = sampling.Period{} }},
		{"period.span_days", func(r *sampling.Release) { r.Period.SpanDays = 1 }},
		{"confidence", func(r *sampling.Release) { r.Values = sampling.Values{} }},
		{"test_sensitivity", func(r *sampling.Release) { r.Values.TestSensitivity = decimal.Decimal{} }},
		{"clean_inspections", func(r *sampling.Release) { r.Values.CleanInspections = 0 }},
		{"least_days_apart", func(r *sampling.Release) { r.Values.LeastDaysApart = 0 }},
		{"inspections", func(r *sampling.Release) { r.Inspections = make([]sampling.Inspection, 101) }},
		{"inspections[0].time", func(r *sampling.Release) { r.Inspections[0].Time = time.Time{} }},
		{"inspections[0].plants", func(r *sampling.Release) { r.Inspections[0].Plants = 0 }},
		{"inspections[0].sampled", func(r *sampling.Release) { r.Inspections[0].Sampled = 21 }},
		{"inspections[0].affected", func(r *sampling.Release) { r.Inspections[0].Affected = 21 }},
		{"inspections[0].affected", func(r *sampling.Release) { r.Inspections[0].Affected = -1 }},
	} {
		t.Run(row.field, func(t *testing.T) {
			release := good()
			row.spoil(&release)
			_, err := sampling.Assess(release)
			f, ok := fault.As(err)
			require.True(t, ok, "%v", err)
			require.Equal(t, row.field, f.Field)
		})
	}
}

func TestEveryDisorderSaysWhatReleasesFromIt(t *testing.T) {
	var diagnosed, listed []string
	for _, disorder := range diagnosis.Disorders() {
		diagnosed = append(diagnosed, disorder.ID)
		found, ok := sampling.PeriodOf(disorder.ID)
		require.True(t, ok, disorder.ID)
		require.Equal(t, disorder.Class.String() == "DISORDER_CLASS_NO_DISEASE", found.ReleasedBy == sampling.ByNothing, disorder.ID)
		require.Equal(t, disorder.Class.String() == "DISORDER_CLASS_VIRUS", found.ReleasedBy == sampling.ByTests, disorder.ID)
	}
	for _, listedPeriod := range sampling.Periods() {
		listed = append(listed, listedPeriod.Disorder)
		require.True(t, strings.Contains(listedPeriod.Source, "[S]") || strings.Contains(listedPeriod.Source, "[M]") ||
			strings.Contains(listedPeriod.Source, "no source"), "%s has no mark", listedPeriod.Disorder)
	}
	require.ElementsMatch(t, diagnosed, listed)
	_, ok := sampling.PeriodOf("no-such-disorder")
	require.False(t, ok)
}

func TestInspectionDays(t *testing.T) {
	for _, row := range []struct {
		disorder    string
		inspections int
		want        sampling.Calendar
	}{
		{"black-rot", 2, sampling.Calendar{FirstAfterDays: 1, ApartDays: 30, SpanDays: 30, TotalDays: 31}},
		{"black-rot", 3, sampling.Calendar{FirstAfterDays: 1, ApartDays: 15, SpanDays: 30, TotalDays: 31}},
		{"fusarium-wilt", 4, sampling.Calendar{FirstAfterDays: 14, ApartDays: 30, SpanDays: 90, TotalDays: 104}},
		{"cercospora-leaf-spot", 1, sampling.Calendar{FirstAfterDays: 42, TotalDays: 42}},
		// 30 days do not divide by 4, so the span grows.
		{"anthracnose", 5, sampling.Calendar{FirstAfterDays: 5, ApartDays: 8, SpanDays: 32, TotalDays: 37}},
		// Never closer than the least days apart.
		{"grey-mould", 4, sampling.Calendar{FirstAfterDays: 1, ApartDays: 7, SpanDays: 21, TotalDays: 22}},
		{"virus-mosaic", 2, sampling.Calendar{FirstAfterDays: 21, ApartDays: 180, SpanDays: 180, TotalDays: 201}},
	} {
		got, err := sampling.InspectionDays(period(t, row.disorder), row.inspections, sampling.DesignValues())
		require.NoError(t, err)
		require.Equal(t, row.want, got, "%s, %d", row.disorder, row.inspections)
	}
}

// Inspections on the days that InspectionDays gives are enough to release lots of
// which every plant is looked at.
func TestInspectionsOnTheDaysGivenRelease(t *testing.T) {
	for _, of := range sampling.Periods() {
		if of.ReleasedBy == sampling.ByNothing {
			continue
		}
		for inspections := 2; inspections <= 6; inspections++ {
			days, err := sampling.InspectionDays(of, inspections, sampling.DesignValues())
			require.NoError(t, err)
			release := sampling.Release{Plants: 500, Period: of, Values: sampling.DesignValues()}
			for i := range inspections {
				look := census(i*days.ApartDays, 500)
				look.Test = of.ReleasedBy == sampling.ByTests
				release.Inspections = append(release.Inspections, look)
			}
			got, err := sampling.Assess(release)
			require.NoError(t, err)
			require.True(t, got.Releasable, "%s, %d inspections: %v", of.Disorder, inspections, got.Shortfalls)
		}
	}
}

func TestInspectionDaysRefusesBadInput(t *testing.T) {
	for _, row := range []struct {
		field       string
		period      sampling.Period
		inspections int
		values      sampling.Values
	}{
		{"inspections", period(t, "rust"), 0, sampling.DesignValues()},
		{"period", sampling.Period{}, 2, sampling.DesignValues()},
		{"period", period(t, "edema"), 2, sampling.DesignValues()},
		{"confidence", period(t, "rust"), 2, sampling.Values{}},
	} {
		_, err := sampling.InspectionDays(row.period, row.inspections, row.values)
		f, ok := fault.As(err)
		require.True(t, ok, "%v", err)
		require.Equal(t, row.field, f.Field)
	}
}

const goodPeriods = `
periods:
  - {disorder: a, released_by: inspections, span_days: 3, source: "[M]"}
  - {disorder: b, released_by: nothing, source: "[M]"}
`

// latent knows one disorder that spreads.
func latent(disorder string) (minDays, maxDays int, known bool) {
	if disorder == "a" {
		return 1, 2, true
	}
	return 0, 0, false
}

func TestReadPeriodsNamesRowAndField(t *testing.T) {
	read, err := sampling.ReadPeriods([]byte(goodPeriods), latent)
	require.NoError(t, err)
	require.Equal(t, sampling.Period{Disorder: "a", ReleasedBy: sampling.ByInspections, LatentMinDays: 1, LatentMaxDays: 2, SpanDays: 3, Source: "[M]"}, read[0])
	for _, row := range []struct{ field, from, to string }{
		{"periods", "source:", "sauce:"},
		{"periods", goodPeriods, "periods: ["},
		{"periods", goodPeriods, ""},
		{"periods", goodPeriods, "periods: []"},
		{"periods", goodPeriods, goodPeriods + "---\nperiods: []"},
		{"periods[0].disorder", "disorder: a", "disorder: A"},
		{"periods[1].disorder", "disorder: b", "disorder: a"},
		{"periods[0].released_by", "by: inspections", "by: hope"},
		{"periods[1].disorder", "by: nothing", "by: inspections, span_days: 3"},
		{"periods[0].released_by", "inspections, span_days: 3", "nothing"},
		{"periods[0].span_days", "span_days: 3", "span_days: 1"},
		{"periods[0].span_days", "span_days: 3", "span_days: 4000"},
		{"periods[1].released_by", "by: nothing", "by: nothing, span_days: 3"},
		{"periods[0].source", `span_days: 3, source: "[M]"`, "span_days: 3"},
	} {
		_, err := sampling.ReadPeriods([]byte(strings.Replace(goodPeriods, row.from, row.to, 1)), latent)
		f, ok := fault.As(err)
		require.True(t, ok, "%s -> %s: %v", row.from, row.to, err)
		require.Equal(t, row.field, f.Field, f.Message)
	}
}

func TestReadValuesNamesTheField(t *testing.T) {
	const good = `{confidence: "0.95", prevalence: "0.05", sensitivity: "0.8", test_sensitivity: "0.9", clean_inspections: 2, least_days_apart: 7, source: x}`
	read, err := sampling.ReadValues([]byte(good))
	require.NoError(t, err)
	require.Equal(t, "0.95", read.Confidence.String())
	for _, row := range []struct{ field, from, to string }{
		{"values", "prevalence", "prevalense"},
		{"confidence", `"0.95"`, `"95 %"`},
		{"confidence", `"0.95"`, `"1"`},
		{"prevalence", `"0.05"`, `"0"`},
		{"sensitivity", `"0.8"`, `"0"`},
		{"test_sensitivity", `"0.9"`, `""`},
		{"clean_inspections", "inspections: 2", "inspections: 0"},
		{"least_days_apart", "apart: 7", "apart: 0"},
		{"source", "source: x", `source: ""`},
	} {
		_, err := sampling.ReadValues([]byte(strings.Replace(good, row.from, row.to, 1)))
		f, ok := fault.As(err)
		require.True(t, ok, "%v", err)
		require.Equal(t, row.field, f.Field)
	}
}

func FuzzReadPeriods(f *testing.F) {
	f.Add([]byte(goodPeriods))
	f.Add([]byte("periods: [{disorder: a}]"))
	f.Fuzz(func(t *testing.T, file []byte) {
		read, err := sampling.ReadPeriods(file, latent)
		if err != nil {
			_, ok := fault.As(err)
			require.True(t, ok)
			return
		}
		for _, of := range read {
			require.NotEmpty(t, of.Source)
			require.GreaterOrEqual(t, of.SpanDays, of.LatentMaxDays)
		}
	})
}

func FuzzReadValues(f *testing.F) {
	f.Add([]byte(`{confidence: "0.95", prevalence: "0.05", sensitivity: "0.8", test_sensitivity: "0.9", clean_inspections: 2, least_days_apart: 7, source: x}`))
	f.Add([]byte(`{confidence: "1e999"}`))
	f.Fuzz(func(t *testing.T, file []byte) {
		read, err := sampling.ReadValues(file)
		if err != nil {
			_, ok := fault.As(err)
			require.True(t, ok)
			return
		}
		require.True(t, read.Confidence.IsPositive() && read.Confidence.LessThan(decimal.New(1, 0)))
	})
}
