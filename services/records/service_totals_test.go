package records

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"

	recordsv1 "velamen/gen/velamen/records/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/quantity"
	"velamen/internal/rpc/rpctest"
	"velamen/services/treatment"
)

func totalsRequest(from, to, house string) *recordsv1.GetUseTotalsRequest {
	return &recordsv1.GetUseTotalsRequest{
		Parent: "nurseries/test", FromDate: &typev1.Date{Value: from}, ToDate: &typev1.Date{Value: to}, House: house,
	}
}

func (f fixture) totals(t *testing.T, request *recordsv1.GetUseTotalsRequest) *recordsv1.GetUseTotalsResponse {
	t.Helper()
	response, err := f.client.GetUseTotals(f.manager, request)
	require.NoError(t, err)
	return response
}

// reported are the cells of the three tables of totals of a use report.
func (f fixture) reported(t *testing.T, request *recordsv1.GetUseTotalsRequest) [3][][]string {
	t.Helper()
	made, err := f.client.ExportUseReport(f.manager, &recordsv1.ExportUseReportRequest{
		Parent: request.GetParent(), Kind: "house-record", Format: reportJSON, House: request.GetHouse(),
		FromDate: request.GetFromDate(), ToDate: request.GetToDate(),
	})
	require.NoError(t, err)
	var read struct {
		Totals [3]struct {
			Rows []struct {
				Cells []struct {
					Text string `json:"text"`
				} `json:"cells"`
			} `json:"rows"`
		} `json:"totals"`
	}
	require.NoError(t, json.Unmarshal(made.GetData(), &read))
	var tables [3][][]string
	for i, table := range read.Totals {
		for _, row := range table.Rows {
			var cells []string
			for _, cell := range row.Cells {
				cells = append(cells, cell.Text)
			}
			tables[i] = append(tables[i], cells)
		}
	}
	return tables
}

// asReported are totals of the contract in the words of a use report.
func asReported(response *recordsv1.GetUseTotalsResponse) [3][][]string {
	number := func(total *recordsv1.UseTotal, q *typev1.Quantity, wants bool) string {
		text := q.GetAmount() + " " + q.GetUnit()
		switch {
		case q == nil && total.GetMissingAreas() == 0:
			return "not required"
		case q == nil:
			return "MISSING"
		case wants && total.GetMissingAmounts() > 0:
			return fmt.Sprintf("MISSING (amounts not known: %d); known: %s", total.GetMissingAmounts(), text)
		default:
			return text
		}
	}
	var tables [3][][]string
	for i, totals := range [][]*recordsv1.UseTotal{response.GetByHouse(), response.GetByActive(), response.GetByGroup()} {
		for _, total := range totals {
			var row []string
			if i == 0 {
				row = append(row, total.GetHouseDisplayName())
			}
			if i < 2 {
				row = append(row, total.GetActiveIngredient())
			}
			row = append(row, total.GetFracCode(), number(total, total.GetAmount(), true))
			if i < 2 {
				row = append(row, number(total, total.GetArea(), false), number(total, total.GetPerHectare(), true))
			}
			tables[i] = append(tables[i], append(row, fmt.Sprint(total.GetApplications())))
		}
	}
	return tables
}

// randomLine has what a ledger can hold and what it should not: no active ingredient, an
// amount that nobody knows, an area that is missing, is none or contradicts another.
func randomLine(r *rand.Rand, application, house, product int, monthEnd time.Time) entry {
	areas := []quantity.Quantity{
		quantity.Must("12.5", quantity.SquareMetre), quantity.Must("0.00125", quantity.Hectare), quantity.Must("33.333333", quantity.SquareFoot),
		quantity.Must("0.01", quantity.Acre), quantity.Must("0", quantity.SquareMetre), quantity.Must("3", quantity.CubicMetre), {},
	}
	actives := []activeUse{
		{ActiveIngredient: "thiophanate-methyl", FRACCode: "1"}, {ActiveIngredient: "mancozeb", FRACCode: "M03"},
		{ActiveIngredient: "mancozeb"}, {FRACCode: "4"}, {ActiveIngredient: "Öl", FRACCode: "NC"},
	}
	// Of one application most areas agree.
	area := areas[application%4]
	if r.IntN(12) == 0 {
		area = areas[r.IntN(len(areas))]
	}
	end := monthEnd.Add(time.Duration(r.IntN(120)-60) * 12 * time.Hour)
	if r.IntN(4) == 0 {
		end = monthEnd.Add(time.Duration(r.IntN(5)-2) * 30 * time.Minute)
	}
	e := entry{
		Nursery: "test", Application: fmt.Sprintf("nurseries/test/applications/a%d", application),
		House: fmt.Sprintf("nurseries/test/houses/h%d", house+1), Product: fmt.Sprintf("nurseries/test/products/p%d", product),
		ProductAmount: quantity.Must("10", quantity.Gram), MixVolume: quantity.Must("50", quantity.Litre), Area: area,
		StartTime: end.Add(-45 * time.Minute).UTC(), EndTime: end.UTC(), Method: "SPRAY", Crops: []string{"Vanda coerulea"},
		RestrictedEntryInterval: quantity.Must("24", quantity.Hour),
	}
	if r.IntN(10) == 0 {
		e.ProductAmount = quantity.Must("0", quantity.Gram)
	}
	if r.IntN(2) == 0 {
		e.HouseDisplayName = fmt.Sprintf("House %d as of %d", house, r.IntN(3))
	}
	for range r.IntN(3) {
		active := actives[r.IntN(len(actives))]
		if r.IntN(8) > 0 {
			unit := []quantity.Unit{quantity.Gram, quantity.Gram, quantity.Kilogram, quantity.Ounce}[r.IntN(4)]
			active.Amount = quantity.Must(fmt.Sprintf("%d.%06d", r.IntN(40), r.IntN(1_000_000)), unit)
		}
		e.Actives = append(e.Actives, active)
	}
	return e
}

// enter appends entries as the service does.
func (f fixture) enter(t *testing.T, lines ...entry) {
	t.Helper()
	require.NoError(t, f.db.InTx(t.Context(), func(tx pgx.Tx) error {
		last, err := lockHead(t.Context(), tx, "test")
		for _, line := range lines {
			if err == nil {
				_, last, err = appendEntry(t.Context(), tx, last, line, now)
			}
		}
		return err
	}))
}

// The clocks of Los Angeles go forward on 8 March and back on 1 November 2026: the night
// after the last day of October has the hour that comes twice.
func TestTotalsFromTheDatabaseAreThoseOfTheReport(t *testing.T) {
	for seed := range uint64(2) {
		f := setUpYears(t, "US-CA")
		r := rand.New(rand.NewPCG(seed, 11))
		monthEnd := f.local(t, "2026-11-01 00:00")
		var lines []entry
		for application := range 25 {
			for house := range 2 {
				for product := range 3 {
					if r.IntN(3) > 0 {
						lines = append(lines, randomLine(r, application, house, product, monthEnd))
					}
				}
			}
		}
		entered := len(lines)
		for sequence := range entered {
			// Some are corrected, and some of those again, into another month too.
			for old := int64(sequence + 1); r.IntN(4) == 0; old = int64(len(lines)) {
				again := randomLine(r, r.IntN(25), 0, 0, monthEnd)
				again.Application, again.House, again.Product = lines[sequence].Application, lines[sequence].House, lines[sequence].Product
				again.Correction = &correction{Corrects: old, Person: "nurseries/test/people/mira", Note: "read wrongly"}
				lines = append(lines, again)
			}
		}
		f.enter(t, lines...)
		rows := 0
		for _, days := range [][2]string{{"2026-10-01", "2026-10-31"}, {"2026-11-01", "2026-11-30"}, {"2026-10-31", "2026-11-01"}, {"2026-11-01", "2026-11-01"}, {"2020-01-01", "2020-01-31"}} {
			for _, house := range []string{"", "nurseries/test/houses/h2"} {
				request := totalsRequest(days[0], days[1], house)
				got := f.totals(t, request)
				require.Equal(t, f.reported(t, request), asReported(got), "seed %d, %s, house %q", seed, days, house)
				rows += len(got.GetByHouse())
			}
		}
		require.Greater(t, rows, 20, "the ledgers are not empty")
	}
}

func TestTotalsNameWhatIsMissing(t *testing.T) {
	f := setUp(t)
	f.confirm(t, application("a1"))
	whole := f.totals(t, totalsRequest("2026-03-01", "2026-03-31", ""))
	require.Empty(t, whole.GetGaps())
	require.NotEmpty(t, whole.GetCaution())
	require.Equal(t, "Africa/Johannesburg", whole.GetTimeZone())
	// 25 g of 500 g/kg and 30 mL of 310 g/L on 12.5 m2.
	require.Equal(t, [][]string{
		{"Orchid house", "epoxiconazole", "3", "5.61 g", "0.00125 ha", "4488 g/ha", "1"},
		{"Orchid house", "thiophanate-methyl", "1", "21.8 g", "0.00125 ha", "17440 g/ha", "1"},
	}, asReported(whole)[0])

	unknown := randomLine(rand.New(rand.NewPCG(1, 1)), 7, 0, 0, now.AddDate(0, 0, -3))
	unknown.StartTime, unknown.EndTime = now.AddDate(0, 0, -3), now.AddDate(0, 0, -3)
	unknown.HouseDisplayName, unknown.Area = "", quantity.Quantity{}
	unknown.Actives = []activeUse{{ActiveIngredient: "mancozeb", FRACCode: "M03"}}
	f.enter(t, unknown)
	require.Equal(t, []string{
		"mancozeb of FRAC group M03 in Orchid house: amounts that are not known: 1, the first in nurseries/test/entries/3.",
		"mancozeb of FRAC group M03 in Orchid house: applications whose area is not known or contradicts itself: 1, the first in nurseries/test/entries/3.",
	}, f.totals(t, totalsRequest("2026-03-01", "2026-03-31", "")).GetGaps())
}

// Work that ended on the stroke of midnight belongs to the day that begins with it: it is
// in one month's report and in its totals, and not in none.
func TestWorkThatEndedAtMidnightIsInTheMonthThatBegins(t *testing.T) {
	f := setUpYears(t, "US-CA")
	applied := application("a1")
	applied.Start, applied.End = f.local(t, "2026-03-31 23:00"), f.local(t, "2026-04-01 00:00")
	applied.Houses[0].Products = []treatment.ProductApplied{thiophanate("25")}
	f.confirm(t, applied)
	for days, count := range map[[2]string]int{{"2026-03-01", "2026-03-31"}: 0, {"2026-04-01", "2026-04-30"}: 1} {
		request := totalsRequest(days[0], days[1], "")
		require.Len(t, f.totals(t, request).GetByActive(), count, days)
		require.Len(t, f.reported(t, request)[1], count, days)
	}
}

func TestTotalsOfWhatIsNoMassAreRefused(t *testing.T) {
	f := setUp(t)
	line := randomLine(rand.New(rand.NewPCG(1, 1)), 1, 0, 0, now)
	line.Actives = []activeUse{{ActiveIngredient: "mancozeb", FRACCode: "M03", Amount: quantity.Must("1", quantity.Litre)}}
	f.enter(t, line)
	_, err := f.client.GetUseTotals(f.manager, totalsRequest("2026-01-01", "2026-12-31", ""))
	message, _ := rpctest.Refused(t, err, codes.FailedPrecondition, fault.InvalidField)
	require.Contains(t, message, "nurseries/test/entries/1: an amount of an active ingredient is no mass")
}

func TestTotalsAreRefusedByTheirField(t *testing.T) {
	f := setUp(t)
	for field, request := range map[string]*recordsv1.GetUseTotalsRequest{
		"from_date": totalsRequest("2026-02-30", "2026-03-31", ""), "to_date": totalsRequest("2026-03-31", "2026-03-01", ""),
		"house": totalsRequest("2026-03-01", "2026-03-31", "nurseries/test/benches/b1"),
	} {
		_, err := f.client.GetUseTotals(f.manager, request)
		message, _ := rpctest.Refused(t, err, codes.InvalidArgument, fault.InvalidField)
		require.Contains(t, message, field)
	}
	_, err := f.client.GetUseTotals(f.manager, totalsRequest("2026-03-01", "2026-03-31", "nurseries/test/houses/h9"))
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
}
