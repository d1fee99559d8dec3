package cli

import (
	"context"

	"github.com/spf13/cobra"

	recordsv1 "velamen/gen/velamen/records/v1"
)

// historyKinds are the subjects that have a history, with the collections of their names.
var historyKinds = map[string][]string{
	"person": {"people"}, "house": {"houses"}, "lot": {"lots"}, "container": {"products", "containers"},
}

func (a *app) recordsHistory() *cobra.Command {
	request := &recordsv1.ExportHistoryRequest{}
	var from, to, file string
	cmd := a.command(text{
		use:   "history KIND NAME",
		short: "Write everything on record about one person, house, lot or container",
		long: `Writes everything on record about one person, house, lot or container, in the order of
time, to a file that is not there yet ("-" writes it to standard output, and nothing
else). What is kept and not in the file is listed with the reason. KIND is person, house,
lot or container; a container is named PRODUCT/CONTAINER. The history of a person holds
personal data: local law says to whom it may be shown.`,
		example: `  velamen records history person wandile --format json --file wandile.json
  velamen records history lot lot-7 --format csv --file lot-7.csv
  velamen records history house h1 --from 2026-03-01 --to 2026-03-31 --format csv --file h1-march.csv`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.historyName(args[0], args[1]); err != nil {
			return err
		}
		if from != "" {
			if request.FromDate, err = parseDay("--from", from); err != nil {
				return err
			}
		}
		if to != "" {
			if request.ToDate, err = parseDay("--to", to); err != nil {
				return err
			}
		}
		made, err := call(ctx, a, recordsv1.NewRecordsServiceClient, recordsv1.RecordsServiceClient.ExportHistory, request)
		if err != nil {
			return err
		}
		if err := a.writeWhole("--file", file, made.GetData()); err != nil || file == "-" {
			return err
		}
		made.Data = nil
		return a.showHistory(ctx, made, file)
	})
	flags := cmd.Flags()
	flags.StringVar(&from, "from", "", "first day, as in 2026-03-01 (default: from the beginning)")
	flags.StringVar(&to, "to", "", "last day (default: to the end)")
	enumFlag(flags, &request.Format, "format", "how it is written")
	flags.StringVar(&file, "file", "", `the file to write, "-" for standard output`)
	return needs(cmd, "format", "file")
}

// historyName returns the resource name of what was typed.
func (a *app) historyName(kind, typed string) (string, error) {
	collections, known := historyKinds[kind]
	if !known {
		return "", usagef("KIND %q has no history: it must be person, house, lot or container", kind)
	}
	return a.name("NAME", typed, collections...)
}

func (a *app) showHistory(ctx context.Context, made *recordsv1.ExportHistoryResponse, file string) error {
	return a.show(ctx, made, func(s *sheet) {
		s.fact("Written to", file)
		s.fact("Media type", made.GetMediaType())
		s.fact("Records", made.GetRecords())
		if len(made.GetLeftOut()) > 0 {
			s.line("")
			s.line("Kept, and not in the file:")
		}
		for _, left := range made.GetLeftOut() {
			s.line("- %s", printable(left))
		}
		s.line("")
		s.line("%s", made.GetCaution())
	})
}
