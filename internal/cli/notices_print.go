package cli

import (
	"context"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

// noticePrint writes a sheet to print.
func (a *app) noticePrint() *cobra.Command {
	request := &treatmentv1.ExportNoticeRequest{}
	var application, house, file string
	cmd := a.command(text{
		use:   "print SHEET",
		short: "Write a sheet to print, in English and Spanish",
		long: `Writes a sheet about an application that is recorded as PDF, a page or more for each house, to a file that
is not there yet ("-" writes it to standard output, and nothing else). What nobody entered
is written as MISSING / FALTA and listed. SHEET is entrance-sign, central-display,
spoken-words, washing-supplies or physician. The entrance sign is not the one that a law
prescribes: put that one up where the law asks for it. ` + Caution,
		example: `  velamen notices print central-display --application case-7-systemic-1 --file display.pdf
  velamen notices print physician --application case-7-systemic-1 --house h1 --file physician.pdf`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Sheet, err = enumOf[treatmentv1.NoticeSheet](args[0]); err != nil {
			return err
		}
		if request.Application, err = a.name("--application", application, "applications"); err != nil {
			return err
		}
		if request.House, err = a.optionalName("--house", house, "houses"); err != nil {
			return err
		}
		return a.printNotice(ctx, request, file)
	})
	flags := cmd.Flags()
	flags.StringVar(&application, "application", "", "the application")
	flags.StringVar(&house, "house", "", "only this house (default: all that were treated)")
	sheetFileFlag(flags, &file)
	return needs(cmd, "application", "file")
}

// noticePrintPlanned writes a sheet to print before the work.
func (a *app) noticePrintPlanned() *cobra.Command {
	request := &treatmentv1.ExportNoticeRequest{}
	var start, end, file string
	work := newProposedWork()
	cmd := a.command(text{
		use:   "print-planned SHEET",
		short: "Write a sheet to print before the work, from what is planned",
		long: `Writes a sheet about work that is planned, like velamen notices print: signs
and words are needed before the work begins, and signs go up at most 24 h before it.
The sheet says that it is planned and that times may change. Everything of the products
is what is entered for them now. Nothing is recorded: confirm the work when it is done,
and then record what was put up and said with velamen notices done. Whether a rule forbids
the work, velamen treatment check says.

` + treatmentsFileHelp + Caution,
		example: `  velamen notices print-planned entrance-sign --method spray --disorder powdery-mildew --lot l-0001 \
    --start "2026-03-02 07:00" --end "2026-03-02 08:00" \
    --house h1 --area 40m2 --mix 20L --product topspray=24g --droplets medium-or-larger --height 30cm --file sign.pdf`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Sheet, err = enumOf[treatmentv1.NoticeSheet](args[0]); err != nil {
			return err
		}
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.Planned, err = work.said(a); err != nil {
			return err
		}
		if request.Planned.StartTime, err = a.moment(ctx, "--start", start); err != nil {
			return err
		}
		if request.PlannedEndTime, err = a.moment(ctx, "--end", end); err != nil {
			return err
		}
		return a.printNotice(ctx, request, file)
	})
	work.flags(cmd)
	flags := cmd.Flags()
	flags.StringVar(&start, "start", "", `when the work will begin, as in "2026-03-02 07:00" in the nursery's zone, or with its offset`)
	flags.StringVar(&end, "end", "", "when the work will end")
	sheetFileFlag(flags, &file)
	return needs(cmd, "method", "disorder", "lot", "start", "end", "file")
}

func sheetFileFlag(flags *pflag.FlagSet, file *string) {
	flags.StringVar(file, "file", "", `the file to write, "-" for standard output`)
}

// printNotice asks for a sheet and writes it to a file that is not there yet, or to
// standard output and then nothing else.
func (a *app) printNotice(ctx context.Context, request *treatmentv1.ExportNoticeRequest, file string) error {
	made, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.ExportNotice, request)
	if err != nil {
		return err
	}
	if err := a.writeWhole("--file", file, made.GetData()); err != nil || file == "-" {
		return err
	}
	made.Data = nil
	return a.showPrinted(ctx, made, file)
}

func (a *app) showPrinted(ctx context.Context, made *treatmentv1.ExportNoticeResponse, file string) error {
	return a.show(ctx, made, func(s *sheet) {
		s.fact("Written to", file)
		s.fact("Media type", made.GetMediaType())
		if len(made.GetMissing()) == 0 {
			s.line("Nothing that the sheet asks for is missing.")
		} else {
			s.line("")
			s.row("MISSING")
		}
		for _, fact := range made.GetMissing() {
			s.row(printable(fact))
		}
		s.line("")
		s.line("%s", made.GetCaution())
	})
}
