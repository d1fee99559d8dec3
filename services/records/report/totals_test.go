package report

import (
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/internal/quantity"
)

// texts are the cells of a table, row by row.
func texts(table Table) [][]string {
	var rows [][]string
	for _, row := range table.Rows {
		var cells []string
		for _, cell := range row.Cells {
			cells = append(cells, cell.Text)
		}
		rows = append(rows, cells)
	}
	return rows
}

func TestTotalsAddEachActiveByHousePerHectareAndByGroup(t *testing.T) {
	again := fullUse(t)
	again.Entry, again.Application = "nurseries/test/entries/8", "nurseries/test/applications/a8"
	again.Treated = quantity.Must("37.5", quantity.SquareMetre)
	tables, err := totals([]Use{fullUse(t), mixture(t), again})
	require.NoError(t, err)
	// The two products of one load treated one area of 12.5 m2; the other load 37.5 m2:
	// 34.9975 g on 50 m2 are 6999.5 g/ha.
	require.Equal(t, [][]string{
		{"Vanda house", "epoxiconazole", "3", "6.03075 g", "0.00125 ha", "4824.6 g/ha", "1"},
		{"Vanda house", "thiophanate-methyl", "1", "34.9975 g", "0.005 ha", "6999.5 g/ha", "2"},
	}, texts(tables[0]))
	require.Equal(t, [][]string{
		{"epoxiconazole", "3", "6.03075 g", "0.00125 ha", "4824.6 g/ha", "1"},
		{"thiophanate-methyl", "1", "34.9975 g", "0.005 ha", "6999.5 g/ha", "2"},
	}, texts(tables[1]))
	require.Equal(t, [][]string{{"1", "34.9975 g", "2"}, {"3", "6.03075 g", "1"}}, texts(tables[2]))
}

// A tenth is no sum of floats: ten times 0.1 g is 1 g.
func TestTotalsAreExact(t *testing.T) {
	var uses []Use
	for range 10 {
		use := fullUse(t)
		use.Actives = []Active{{Name: "a", FRAC: "1", Amount: quantity.Must("0.1", quantity.Gram)}}
		uses = append(uses, use)
	}
	tables, err := totals(uses)
	require.NoError(t, err)
	require.Equal(t, [][]string{{"1", "1 g", "1"}}, texts(tables[2]))
}

func TestATotalThatLacksAnAmountSaysSo(t *testing.T) {
	unknown := bare(t)
	unknown.Actives = []Active{{Name: "thiophanate-methyl"}}
	tables, err := totals([]Use{fullUse(t), unknown})
	require.NoError(t, err)
	require.Equal(t, [][]string{{"1", "12.5 g", "1"}, {"MISSING", "MISSING (amounts not known: 1); known: 0 g", "1"}}, texts(tables[2]))
	require.Equal(t, StateMissing, tables[2].Rows[1].Cells[1].State)
	require.Equal(t, []string{"thiophanate-methyl", "MISSING", "MISSING (amounts not known: 1); known: 0 g", "MISSING", "MISSING", "1"}, texts(tables[1])[1])
}

func TestTwoAreasOfOneLoadInOneHouseGiveNoMean(t *testing.T) {
	other := mixture(t)
	other.Treated = quantity.Must("13", quantity.SquareMetre)
	tables, err := totals([]Use{fullUse(t), other})
	require.NoError(t, err)
	require.Equal(t, []string{"thiophanate-methyl", "1", "22.4975 g", "MISSING", "MISSING", "1"}, texts(tables[1])[1])
	// The same area in another unit is the same.
	other.Treated = quantity.Must("0.00125", quantity.Hectare)
	tables, err = totals([]Use{fullUse(t), other})
	require.NoError(t, err)
	require.Equal(t, "0.00125 ha", texts(tables[1])[1][3])
}

func TestAnActiveThatIsNoMassIsRefused(t *testing.T) {
	use := fullUse(t)
	use.Actives = []Active{{Name: "a", FRAC: "1", Amount: quantity.Must("1", quantity.Litre)}}
	_, err := totals([]Use{use})
	require.ErrorContains(t, err, "nurseries/test/entries/1, active ingredient a")
}

func TestAUseOfWhichNoActiveIsKnownIsInTheTotals(t *testing.T) {
	use := fullUse(t)
	use.Actives = nil
	tables, err := totals([]Use{use})
	require.NoError(t, err)
	require.Equal(t, [][]string{{"MISSING", "MISSING (amounts not known: 1); known: 0 g", "1"}}, texts(tables[2]))
}

// An area on which an amount was put right to nothing would make the mean too small.
func TestAUseThatWasTakenBackTreatsNoArea(t *testing.T) {
	back := fullUse(t)
	back.Entry, back.Application = "nurseries/test/entries/8", "nurseries/test/applications/a8"
	back.Amount = quantity.Must("0", back.Amount.Unit)
	back.Actives = []Active{{Name: "thiophanate-methyl", FRAC: "1", Amount: quantity.Must("0", quantity.Gram)}}
	alone, err := totals([]Use{fullUse(t)})
	require.NoError(t, err)
	both, err := totals([]Use{fullUse(t), back})
	require.NoError(t, err)
	require.Equal(t, texts(alone[0]), texts(both[0]))
	taken, err := totals([]Use{back})
	require.NoError(t, err)
	require.Equal(t, [][]string{{"thiophanate-methyl", "1", "0 g", "not required", "not required", "0"}}, texts(taken[1]))
}
