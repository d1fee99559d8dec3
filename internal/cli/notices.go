package cli

import (
	"context"

	"github.com/spf13/cobra"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

func (a *app) noticesCommand() *cobra.Command {
	return group("notices", "Signs, words, displays and washing supplies that are due",
		"Each application asks for notices to the people of the nursery; each is a task until it is done. "+Caution,
		a.noticeList(), a.noticeDone(), a.noticePrint(), a.noticePrintPlanned())
}

func (a *app) noticeList() *cobra.Command {
	request := &treatmentv1.ListNoticesRequest{}
	cmd := a.command(text{
		use: "list", short: "List what is due, by what is due first",
		long: `Lists the signs, spoken words, displays and washing supplies that applications ask for.
Of two that say "or the other", one is enough. ` + Caution,
		example: "  velamen notices list\n  velamen notices list --done",
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		found, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.ListNotices, request)
		if err != nil {
			return err
		}
		return a.showWithItsCaution(ctx, found, func(s *sheet) {
			if s.none(len(found.GetNotices()), "notices") {
				return
			}
			s.row("NOTICE", "WHAT", "NOT BEFORE", "DUE", "OVERDUE", "STAYS UNTIL", "DONE", "BY")
			for _, n := range found.GetNotices() {
				s.row(shortName(n.GetName()), noticeWord(n), s.when(n.GetNotBeforeTime()), s.when(n.GetDueTime()), yes(n.GetOverdue()),
					s.when(n.GetUntilTime()), s.when(n.GetDoneTime()), shortName(n.GetPerson()))
			}
			s.line("")
			for _, n := range found.GetNotices() {
				s.line("%s: %s", shortName(n.GetName()), printable(n.GetMessage()))
			}
		})
	})
	cmd.Flags().BoolVar(&request.ShowDone, "done", false, "those that are done as well")
	return cmd
}

// noticeWord is what is due, in words.
func noticeWord(n *treatmentv1.Notice) string {
	if n.GetEither() {
		return word(n.GetKind()) + " or the other"
	}
	return word(n.GetKind())
}

func (a *app) noticeDone() *cobra.Command {
	request := &treatmentv1.RecordNoticeRequest{}
	var at string
	cmd := a.command(text{
		use: "done NOTICE", short: "Record that a notice was given, put up or taken down",
		long: `Records when it was done; that is written once. Signs come down when the restricted-entry
interval is over, and until they are down the house stays closed. ` + Caution,
		example: `  velamen notices done p-1-systemic-1-1-h1-signs-up --at "2026-03-02 06:30"
  velamen notices done p-1-systemic-1-1-h1-spoken --at "2026-03-02 06:45" --note "to all five of the morning shift"`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.name("NOTICE", args[0], "notices"); err != nil {
			return err
		}
		if request.DoneTime, err = a.moment(ctx, "--at", at); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		done, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.RecordNotice, request)
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, done, func(s *sheet) {
			s.fact("Notice", shortName(done.GetName()))
			s.fact("Application", shortName(done.GetApplication()))
			s.fact("House", shortName(done.GetHouse()))
			s.fact("What", word(done.GetKind()))
			s.fact("Done", s.when(done.GetDoneTime()))
			s.fact("By", shortName(done.GetPerson()))
			s.fact("Note", done.GetNote())
			s.fact("Stays until", s.when(done.GetUntilTime()))
		})
	})
	cmd.Flags().StringVar(&at, "at", "", `when it was done, as in "2026-03-02 06:30"`)
	cmd.Flags().StringVar(&request.Note, "note", "", "anything else, for example to whom it was said")
	return needs(cmd, "at")
}
