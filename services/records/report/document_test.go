package report

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/quantity"
)

func cellOf(t *testing.T, table Table, row int, column string) Cell {
	t.Helper()
	at := slices.IndexFunc(table.Columns, func(c Column) bool { return c.ID == column })
	require.GreaterOrEqual(t, at, 0, "no column %s", column)
	return table.Rows[row].Cells[at]
}

func namesOf(table Table) []string {
	var names []string
	for _, row := range table.Rows {
		names = append(names, row.Name)
	}
	return names
}

func TestAUseAtTheEndOfAMonthIsInTheLocalMonthInWhichItWasFinished(t *testing.T) {
	los := zone(t, "America/Los_Angeles")
	march, err := Month(2026, time.March, los)
	require.NoError(t, err)
	april, err := Month(2026, time.April, los)
	require.NoError(t, err)
	for _, c := range []struct {
		name, start, end string
		march, april     bool
	}{
		{"last hour of March, already April in UTC", "2026-04-01T05:00:00Z", "2026-04-01T06:59:00Z", true, false},
		{"over midnight", "2026-04-01T06:30:00Z", "2026-04-01T07:30:00Z", false, true},
		{"ends at midnight", "2026-04-01T06:30:00Z", "2026-04-01T07:00:00Z", false, true},
		{"first hour of March, still February in no zone", "2026-03-01T08:00:00Z", "2026-03-01T08:30:00Z", true, false},
		{"February in local time, March in UTC", "2026-03-01T06:00:00Z", "2026-03-01T07:59:00Z", false, false},
	} {
		use := Use{Start: moment(t, c.start), End: moment(t, c.end)}
		require.Equal(t, c.march, march.Holds(use), c.name)
		require.Equal(t, c.april, april.Holds(use), c.name)
	}
	require.True(t, march.Holds(Use{Start: moment(t, "2026-03-10T08:00:00Z")}), "without an end the start counts")
	require.True(t, march.Holds(Use{}), "a use without times is not lost")
}

func TestAPeriodIsOfWholeLocalDays(t *testing.T) {
	berlin := zone(t, "Europe/Berlin")
	spring, err := Days("2026-03-29", "2026-03-29", berlin)
	require.NoError(t, err)
	require.Equal(t, 23*time.Hour, spring.end.Sub(spring.begin))
	autumn, err := Days("2026-10-25", "2026-10-25", berlin)
	require.NoError(t, err)
	require.Equal(t, 25*time.Hour, autumn.end.Sub(autumn.begin))
	_, err = Days("2026-03-02", "2026-03-01", berlin)
	require.ErrorContains(t, err, "before the first day")
	_, err = Days("2026-02-30", "2026-03-01", berlin)
	require.ErrorContains(t, err, "is not a day")
	_, err = Days("2026-02-01", "1 March", berlin)
	require.ErrorContains(t, err, "is not a day")
	_, err = Days("2026-02-01", "2026-02-02", nil)
	require.ErrorContains(t, err, "no time zone")
	leap, err := Month(2028, time.February, berlin)
	require.NoError(t, err)
	require.Equal(t, "2028-02-29", leap.to)
}

// On the night on which the clocks go back an hour comes twice: both are told apart by
// their offsets, in every format.
func TestTheHourThatComesTwiceIsToldApart(t *testing.T) {
	nursery := nurseryFor(t, "gb-use-record")
	use := fullUse(t)
	use.Start, use.End = moment(t, "2026-10-25T00:30:00Z"), moment(t, "2026-10-25T01:30:00Z")
	period, err := Month(2026, time.October, nursery.Zone)
	require.NoError(t, err)
	document, err := Build(kindOf(t, "gb-use-record"), nursery, period, []Use{use})
	require.NoError(t, err)
	require.Equal(t, "2026-10-25 01:30 +01:00", cellOf(t, document.Uses, 0, "start").Text)
	require.Equal(t, "2026-10-25 01:30 +00:00", cellOf(t, document.Uses, 0, "end").Text)
	require.Contains(t, string(write(t, document, CSV)), "2026-10-25T01:30:00+01:00,2026-10-25T01:30:00Z")
	require.Contains(t, string(write(t, document, JSON)), `"2026-10-25T01:30:00+01:00"`)
	sheet := xlsxText(t, write(t, document, XLSX))
	require.Contains(t, sheet, "2026-10-25 01:30:00 +01:00 | 2026-10-25 01:30:00 +00:00")
}

func TestAMonthlyReportIsOfOneMonth(t *testing.T) {
	kind, nursery := kindOf(t, "us-ca-monthly-use"), nurseryFor(t, "us-ca-monthly-use")
	for _, days := range [][2]string{{"2026-03-01", "2026-03-30"}, {"2026-03-02", "2026-03-31"}, {"2026-03-01", "2026-04-30"}} {
		period, err := Days(days[0], days[1], nursery.Zone)
		require.NoError(t, err)
		_, err = Build(kind, nursery, period, nil)
		require.ErrorContains(t, err, "one calendar month")
	}
	_, err := Build(kind, nursery, Period{}, nil)
	require.ErrorContains(t, err, "no period")
}

func TestAnEntryCountsOnce(t *testing.T) {
	kind, nursery := kindOf(t, "house-record"), nurseryFor(t, "house-record")
	period, err := Month(2026, time.March, nursery.Zone)
	require.NoError(t, err)
	_, err = Build(kind, nursery, period, []Use{fullUse(t), fullUse(t)})
	require.ErrorContains(t, err, "given twice")
	use := fullUse(t)
	use.Entry = ""
	_, err = Build(kind, nursery, period, []Use{use})
	require.ErrorContains(t, err, "has no entry")
}

func TestWhatIsCorrectedOrNotCoveredIsLeftOutAndCounted(t *testing.T) {
	document, _ := march(t, "us-restricted-use")
	require.Equal(t, []string{
		"Entries that another entry corrects, and that are not counted: 1.",
		"Uses of products that are not restricted-use, and that this record does not cover: 1.",
	}, document.LeftOut)
	require.NotContains(t, namesOf(document.Uses), "nurseries/test/entries/2")
	require.NotContains(t, namesOf(document.Uses), "nurseries/test/entries/7")
	for _, gap := range document.Gaps {
		require.NotEqual(t, "nurseries/test/entries/2", gap.Use)
	}
}

func TestUsesStandByTimeAndInARecordByHouseByHouse(t *testing.T) {
	kind, nursery := kindOf(t, "house-record"), nurseryFor(t, "house-record")
	period, err := Month(2026, time.March, nursery.Zone)
	require.NoError(t, err)
	document, err := Build(kind, nursery, period, []Use{general(t), bare(t), fullUse(t)})
	require.NoError(t, err)
	require.Equal(t, []string{"nurseries/test/entries/1", "nurseries/test/entries/7", "nurseries/test/entries/6"}, namesOf(document.Uses))
	kind.ByHouse = false
	document, err = Build(kind, nursery, period, []Use{general(t), bare(t), fullUse(t)})
	require.NoError(t, err)
	require.Equal(t, []string{"nurseries/test/entries/1", "nurseries/test/entries/6", "nurseries/test/entries/7"}, namesOf(document.Uses))
}

func TestDoseIsTheProductOverWhatWasTreated(t *testing.T) {
	for _, c := range []struct {
		amount  string
		of      quantity.Unit
		treated string
		per     quantity.Unit
		dose    string
	}{
		{"25", quantity.Gram, "12.5", quantity.SquareMetre, "20 kg/ha"},
		{"1.5", quantity.Litre, "0.5", quantity.Hectare, "3 L/ha"},
		{"32.25", quantity.Millilitre, "12.5", quantity.SquareMetre, "25.8 L/ha"},
		{"0.5", quantity.Kilogram, "1000", quantity.CubicMetre, "0.0005 kg/m3"},
		// 1 lb/acre is 0.45359237 kg on 0.40468564224 ha, 1.120851 kg/ha.
		{"1", quantity.Pound, "1", quantity.Acre, "1.120851 kg/ha"},
	} {
		use := Use{Amount: quantity.Must(c.amount, c.of), Treated: quantity.Must(c.treated, c.per)}
		v := dose(Nursery{}, use)
		require.Empty(t, v.lacks)
		require.Equal(t, c.dose, v.quantity.String())
	}
	require.Contains(t, dose(Nursery{}, Use{Amount: quantity.Must("1", quantity.Gram), Treated: quantity.Must("9", quantity.Pot)}).lacks, "no dose")
	require.Contains(t, dose(Nursery{}, Use{Amount: quantity.Must("1", quantity.Pot), Treated: quantity.Must("9", quantity.Hectare)}).lacks, "no dose")
	require.Contains(t, dose(Nursery{}, Use{Amount: quantity.Must("1", quantity.Gram), Treated: quantity.Must("0", quantity.Hectare)}).lacks, "no dose")
	require.True(t, dose(Nursery{}, Use{Amount: quantity.Must("1", quantity.Gram)}).empty())
}

func TestRemarksTellOfCorrectionsOverridesAndBreaches(t *testing.T) {
	require.Equal(t, []string{
		"Takes the place of nurseries/test/entries/2: The cylinder was read at the upper edge; weighed back from the bottle.",
		"Rule overridden, rotation-consecutive, by nurseries/test/people/mira: No other product is registered; the adviser agreed.",
	}, remarks(Kind{}, mixture(t)))
	require.Equal(t, []string{
		"Applied against a rule or outside a program: The scale was read in ounces.",
		"Rules that it broke: label-rate-max; rotation-consecutive",
	}, remarks(Kind{}, bare(t)))
	require.Equal(t, []string{"Takes the place of nurseries/test/entries/2: no reason is on record"}, remarks(Kind{}, Use{Corrects: "nurseries/test/entries/2"}))
}
