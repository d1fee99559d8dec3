package cli_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	recordsv1 "velamen/gen/velamen/records/v1"
	typev1 "velamen/gen/velamen/type/v1"
)

func (a *ledgerAnswers) GetUseTotals(_ context.Context, r *recordsv1.GetUseTotalsRequest) (*recordsv1.GetUseTotalsResponse, error) {
	a.asked = r
	q := func(amount, unit string) *typev1.Quantity { return &typev1.Quantity{Amount: amount, Unit: unit} }
	if r.GetToDate().GetValue() == "2026-02-28" {
		return &recordsv1.GetUseTotalsResponse{Caution: caution}, nil
	}
	return &recordsv1.GetUseTotalsResponse{
		ByHouse: []*recordsv1.UseTotal{
			{House: "nurseries/test/houses/h1", HouseDisplayName: "Orchid house", ActiveIngredient: "mancozeb", FracCode: "M03", Amount: q("640.5", "g"),
				Area: q("0.2", "ha"), PerHectare: q("3202.5", "g/ha"), Applications: 3},
			{House: "nurseries/test/houses/h1", HouseDisplayName: "Orchid house", ActiveIngredient: "thiophanate-methyl", FracCode: "1", Amount: q("12.5", "g"),
				MissingAmounts: 1, MissingAreas: 2, Applications: 4},
		},
		ByActive: []*recordsv1.UseTotal{
			{ActiveIngredient: "mancozeb", FracCode: "M03", Amount: q("640.5", "g"), Area: q("0.2", "ha"), PerHectare: q("3202.5", "g/ha"), Applications: 3},
			{ActiveIngredient: "thiophanate-methyl", FracCode: "1", Amount: q("12.5", "g"), MissingAmounts: 1, MissingAreas: 2, Applications: 4},
		},
		ByGroup: []*recordsv1.UseTotal{
			{FracCode: "1", Amount: q("12.5", "g"), MissingAmounts: 1, Applications: 4}, {FracCode: "M03", Amount: q("640.5", "g"), Applications: 3},
		},
		Gaps: []string{
			"thiophanate-methyl of FRAC group 1 in Orchid house: amounts that are not known: 1, the first in nurseries/test/entries/7.",
			"thiophanate-methyl of FRAC group 1 in Orchid house: applications whose area is not known or contradicts itself: 2, the first in nurseries/test/entries/7.",
		},
		Caution: caution, TimeZone: "Africa/Johannesburg",
	}, nil
}

func TestTotalsAreShownAsATableAndWrittenAsCSV(t *testing.T) {
	c, a := newLedgerClient(t)
	args := []string{"records", "totals", "--from", "2026-03-01", "--to", "2026-03-31", "--house", "h1"}
	out, errors, code := c.run(args...)
	require.Zero(t, code, errors)
	golden(t, "records-totals.txt", out)
	require.True(t, proto.Equal(&recordsv1.GetUseTotalsRequest{
		Parent: "nurseries/test", House: "nurseries/test/houses/h1",
		FromDate: &typev1.Date{Value: "2026-03-01"}, ToDate: &typev1.Date{Value: "2026-03-31"},
	}, a.asked))
	out, errors, code = c.run(append(args, "--format", "csv")...)
	require.Zero(t, code, errors)
	golden(t, "records-totals.csv", out)
	_, errors, code = c.run(append(args, "--format", "pdf")...)
	require.Equal(t, 2, code)
	require.Contains(t, errors, "--format")
}

func TestTotalsOfDaysWithoutAUseSaySo(t *testing.T) {
	c, _ := newLedgerClient(t)
	for _, format := range []string{"table", "csv"} {
		out, errors, code := c.run("records", "totals", "--from", "2026-02-01", "--to", "2026-02-28", "--format", format)
		require.Zero(t, code, errors)
		require.Contains(t, out, "No use is on record on these days.")
		require.Contains(t, out, caution)
	}
}
