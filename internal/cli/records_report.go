package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	recordsv1 "velamen/gen/velamen/records/v1"
)

func (a *app) recordsReport() *cobra.Command {
	request := &recordsv1.ExportUseReportRequest{}
	var from, to, file string
	cmd := a.command(text{
		use:   "report KIND",
		short: "Write a use report that a law asks for",
		long: `Writes what a law asks for about the applications that ended on some days, to a file
that is not there yet ("-" writes it to standard output, and nothing else). What is
missing or doubtful stands in the file as such and is listed with the rule that asks
for it and where it is entered. KIND is us-wps-application, us-restricted-use,
us-ca-monthly-use (a whole month), eu-closed-space, gb-use-record, za-use-record or
house-record. Local law decides what must be handed in, and to whom.`,
		example: `  velamen records report house-record --from 2026-03-01 --to 2026-03-31 --house h1 --format pdf --file h1-march.pdf
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
		made, err := call(ctx, a, recordsv1.NewRecordsServiceClient, recordsv1.RecordsServiceClient.ExportUseReport, request)
		if err != nil {
			return err
		}
		written := false
		err = a.writeFile("--file", file, func() ([]byte, error) {
			if written {
				return nil, io.EOF
			}
			written = true
			return made.GetData(), nil
		})
		if err != nil || file == "-" {
			return err
		}
		made.Data = nil
		return a.showReportGaps(ctx, made, file)
	})
	flags := cmd.Flags()
	flags.StringVar(&from, "from", "", "first day, as in 2026-03-01")
	flags.StringVar(&to, "to", "", "last day, as in 2026-03-31")
	flags.StringVar(&request.House, "house", "", "only this house (default: all)")
	enumFlag(flags, &request.Format, "format", "how it is written")
	flags.StringVar(&file, "file", "", `the file to write, "-" for standard output`)
	return needs(cmd, "from", "to", "format", "file")
}

func (a *app) showReportGaps(ctx context.Context, made *recordsv1.ExportUseReportResponse, file string) error {
	return a.show(ctx, made, func(s *sheet) {
		s.fact("Written to", file)
		s.fact("Media type", made.GetMediaType())
		if len(made.GetGaps()) == 0 {
			s.line("Nothing that the report asks for is missing or doubtful.")
		} else {
			s.line("")
			s.row("ENTRY", "FIELD", "WHAT", "RULE", "ENTERED ON")
		}
		for _, gap := range made.GetGaps() {
			s.row(shortName(gap.GetEntry()), gap.GetTitle(), printable(gap.GetReason()), gap.GetSection(), gap.GetFix())
		}
		s.line("")
		s.line("%s", made.GetCaution())
	})
}
