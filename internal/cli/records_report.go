package cli

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	recordsv1 "velamen/gen/velamen/records/v1"
)

func (a *app) recordsReport() *cobra.Command {
	request := &recordsv1.ExportUseReportRequest{}
	var from, to, file string
	var check bool
	cmd := a.command(text{
		use:   "report KIND",
		short: "Write a use report that a law asks for, or check what it lacks",
		long: `Writes what a law asks for about the applications that ended on some days, to a file
that is not there yet ("-" writes it to standard output, and nothing else). What is
missing or doubtful stands in the file as such and is listed with the rule that asks
for it, where it is entered and the command that enters it. With --check nothing is
written, only what is missing or doubtful is listed, and the exit code is 1 when there
is anything. KIND is us-wps-application, us-restricted-use, us-ca-monthly-use (a whole
month), eu-closed-space, gb-use-record, za-use-record or house-record. Local law
decides what must be handed in, and to whom.`,
		example: `  velamen records report us-ca-monthly-use --from 2026-03-01 --to 2026-03-31 --check
  velamen records report house-record --from 2026-03-01 --to 2026-03-31 --house h1 --format pdf --file h1-march.pdf
  velamen records report us-ca-monthly-use --from 2026-03-01 --to 2026-03-31 --format xlsx --file march.xlsx`,
	}, func(ctx context.Context, args []string) (err error) {
		request.Kind = args[0]
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
		if check {
			return a.checkReport(ctx, request)
		}
		return a.writeReport(ctx, request, file)
	})
	flags := cmd.Flags()
	flags.StringVar(&from, "from", "", "first day, as in 2026-03-01")
	flags.StringVar(&to, "to", "", "last day, as in 2026-03-31")
	flags.StringVar(&request.House, "house", "", "only this house (default: all)")
	enumFlag(flags, &request.Format, "format", "how it is written")
	flags.StringVar(&file, "file", "", `the file to write, "-" for standard output`)
	flags.BoolVar(&check, "check", false, "only list what is missing or doubtful")
	cmd.MarkFlagsOneRequired("check", "file")
	cmd.MarkFlagsMutuallyExclusive("check", "file")
	cmd.MarkFlagsMutuallyExclusive("check", "format")
	cmd.MarkFlagsRequiredTogether("format", "file")
	return needs(cmd, "from", "to")
}

func (a *app) writeReport(ctx context.Context, request *recordsv1.ExportUseReportRequest, file string) error {
	made, err := call(ctx, a, recordsv1.NewRecordsServiceClient, recordsv1.RecordsServiceClient.ExportUseReport, request)
	if err != nil {
		return err
	}
	if err := a.writeWhole("--file", file, made.GetData()); err != nil || file == "-" {
		return err
	}
	made.Data = nil
	return a.show(ctx, made, func(s *sheet) {
		s.fact("Written to", file)
		s.fact("Media type", made.GetMediaType())
		s.gaps(made.GetGaps(), made.GetCaution())
	})
}

// checkReport lists what a report lacks, and fails when it lacks anything.
func (a *app) checkReport(ctx context.Context, request *recordsv1.ExportUseReportRequest) error {
	checked, err := call(ctx, a, recordsv1.NewRecordsServiceClient, recordsv1.RecordsServiceClient.CheckUseReport, &recordsv1.CheckUseReportRequest{
		Parent: request.GetParent(), Kind: request.GetKind(), House: request.GetHouse(), FromDate: request.GetFromDate(), ToDate: request.GetToDate(),
	})
	if err != nil {
		return err
	}
	err = a.show(ctx, checked, func(s *sheet) {
		s.fact("Uses in the report", fmt.Sprint(checked.GetUses()))
		s.gaps(checked.GetGaps(), checked.GetCaution())
	})
	if err != nil || len(checked.GetGaps()) == 0 {
		return err
	}
	return outcomeError{exitFailed, fmt.Errorf("the report is not complete: %d fields are missing or doubtful", len(checked.GetGaps()))}
}

// gaps lists what is missing or doubtful in a report, each with the command that mends
// it.
func (s *sheet) gaps(gaps []*recordsv1.ReportGap, caution string) {
	if len(gaps) == 0 {
		s.line("Nothing that the report asks for is missing or doubtful.")
	} else {
		s.line("")
		s.row("ENTRY", "FIELD", "WHAT", "RULE", "ENTERED ON", "WITH")
	}
	for _, gap := range gaps {
		on := gap.GetFix()
		if gap.GetFixField() != "" {
			on += ", " + gap.GetFixField()
		}
		s.row(shortName(gap.GetEntry()), gap.GetTitle(), printable(gap.GetReason()), gap.GetSection(), on, gap.GetFixCommand())
	}
	s.line("")
	s.line("%s", caution)
}
