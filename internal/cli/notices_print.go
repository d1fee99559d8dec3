package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

// noticePrint writes a sheet to print.
func (a *app) noticePrint() *cobra.Command {
	request := &treatmentv1.ExportNoticeRequest{}
	var application, house, file string
	cmd := a.command(text{
		use:   "print SHEET",
		short: "Write a sheet to print, in English and Spanish",
		long: `Writes a sheet about an application as PDF, a page or more for each house, to a file that
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
		made, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.ExportNotice, request)
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
		return a.showPrinted(ctx, made, file)
	})
	flags := cmd.Flags()
	flags.StringVar(&application, "application", "", "the application")
	flags.StringVar(&house, "house", "", "only this house (default: all that were treated)")
	flags.StringVar(&file, "file", "", `the file to write, "-" for standard output`)
	return needs(cmd, "application", "file")
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
