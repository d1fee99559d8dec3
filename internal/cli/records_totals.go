package cli

import (
	"cmp"
	"context"
	"encoding/csv"
	"fmt"

	"github.com/spf13/cobra"

	recordsv1 "velamen/gen/velamen/records/v1"
	typev1 "velamen/gen/velamen/type/v1"
)

func (a *app) recordsTotals() *cobra.Command {
	request := &recordsv1.GetUseTotalsRequest{}
	var from, to, format string
	cmd := a.command(text{
		use: "totals", short: "Add up the active ingredients that were applied on some days",
		long: `Adds up each active ingredient of the applications that ended on some days, both
included: by house, for the nursery and by FRAC group, with the area that was treated
and the mean on it. The numbers are those of a use report of the same days. What is not
known is counted and named, and marks the total as MISSING.`,
		example: `  velamen records totals --from 2026-01-01 --to 2026-12-31
  velamen records totals --from 2026-03-01 --to 2026-03-31 --house h1 --format csv > h1-march.csv`,
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.House, err = a.optionalName("--house", request.GetHouse(), "houses"); err != nil {
			return err
		}
		if request.FromDate, err = parseDay("--from", from); err != nil {
			return err
		}
		if request.ToDate, err = parseDay("--to", to); err != nil {
			return err
		}
		if format != "table" && format != "csv" {
			return usagef("--format %q: it must be table or csv", format)
		}
		totals, err := call(ctx, a, recordsv1.NewRecordsServiceClient, recordsv1.RecordsServiceClient.GetUseTotals, request)
		if err != nil {
			return err
		}
		if format == "csv" && !a.flags.json {
			return a.writeTotals(totals)
		}
		return a.show(ctx, totals, func(s *sheet) { s.totals(totals) })
	})
	flags := cmd.Flags()
	flags.StringVar(&from, "from", "", "first day, as in 2026-03-01")
	flags.StringVar(&to, "to", "", "last day, as in 2026-03-31")
	flags.StringVar(&request.House, "house", "", "only this house (default: all)")
	flags.StringVar(&format, "format", "table", "table or csv")
	return needs(cmd, "from", "to")
}

// totals shows the three tables, what is missing and the caution.
func (s *sheet) totals(totals *recordsv1.GetUseTotalsResponse) {
	if len(totals.GetByGroup()) == 0 {
		s.line("No use is on record on these days.")
	} else {
		s.row("HOUSE", "ACTIVE INGREDIENT", "FRAC", "AMOUNT", "AREA TREATED", "PER HA TREATED", "APPLICATIONS")
		for _, total := range totals.GetByHouse() {
			s.row(total.GetHouseDisplayName(), total.GetActiveIngredient(), total.GetFracCode(), knownOf(total, total.GetAmount()),
				treatedOf(total), knownOf(total, total.GetPerHectare()), fmt.Sprint(total.GetApplications()))
		}
		s.line("")
		s.row("ACTIVE INGREDIENT", "FRAC", "AMOUNT", "AREA TREATED", "PER HA TREATED", "APPLICATIONS")
		for _, total := range totals.GetByActive() {
			s.row(total.GetActiveIngredient(), total.GetFracCode(), knownOf(total, total.GetAmount()),
				treatedOf(total), knownOf(total, total.GetPerHectare()), fmt.Sprint(total.GetApplications()))
		}
		s.line("")
		s.row("FRAC GROUP", "AMOUNT", "APPLICATIONS")
		for _, total := range totals.GetByGroup() {
			s.row(total.GetFracCode(), knownOf(total, total.GetAmount()), fmt.Sprint(total.GetApplications()))
		}
	}
	for i, gap := range totals.GetGaps() {
		if i == 0 {
			s.line("")
			s.line("What is missing:")
		}
		s.line("%s", printable(gap))
	}
	s.line("")
	s.line("%s", totals.GetCaution())
}

const missing = "MISSING"

// unknownArea is what stands for an area that a total does not give.
func unknownArea(total *recordsv1.UseTotal) string {
	if total.GetMissingAreas() == 0 {
		return "none treated"
	}
	return missing
}

// treatedOf is the area of a total.
func treatedOf(total *recordsv1.UseTotal) string {
	return cmp.Or(amount(total.GetArea()), unknownArea(total))
}

// knownOf is an amount of a total, which is too small where amounts are missing.
func knownOf(total *recordsv1.UseTotal, q *typev1.Quantity) string {
	switch {
	case q == nil:
		return unknownArea(total)
	case total.GetMissingAmounts() > 0:
		return fmt.Sprintf("%s (amounts not known: %d); known: %s", missing, total.GetMissingAmounts(), amount(q))
	default:
		return amount(q)
	}
}

// writeTotals writes one row for each total (RFC 4180). The row says of what it is a total;
// every row carries the caution, and what is missing is counted beside what is known.
func (a *app) writeTotals(totals *recordsv1.GetUseTotalsResponse) error {
	writer := csv.NewWriter(a.Out)
	writer.UseCRLF = true
	rows := [][]string{{
		"Total", "House", "House name", "Active ingredient", "FRAC group", "Amount known, g", "Amounts missing",
		"Area treated, ha", "Areas missing", "Per hectare treated, g/ha", "Applications", "Caution",
	}}
	for _, table := range []struct {
		of     string
		totals []*recordsv1.UseTotal
	}{{"house", totals.GetByHouse()}, {"active ingredient", totals.GetByActive()}, {"FRAC group", totals.GetByGroup()}} {
		for _, total := range table.totals {
			area, mean := cmp.Or(total.GetArea().GetAmount(), unknownArea(total)), cmp.Or(total.GetPerHectare().GetAmount(), unknownArea(total))
			if total.GetActiveIngredient() == "" {
				area, mean = "", ""
			}
			rows = append(rows, []string{
				table.of, total.GetHouse(), total.GetHouseDisplayName(), total.GetActiveIngredient(), total.GetFracCode(),
				total.GetAmount().GetAmount(), fmt.Sprint(total.GetMissingAmounts()), area, fmt.Sprint(total.GetMissingAreas()), mean,
				fmt.Sprint(total.GetApplications()), totals.GetCaution(),
			})
		}
	}
	if len(rows) == 1 {
		row := make([]string, len(rows[0]))
		row[0], row[len(row)-1] = "No use is on record on these days.", totals.GetCaution()
		rows = append(rows, row)
	}
	return writer.WriteAll(rows)
}
