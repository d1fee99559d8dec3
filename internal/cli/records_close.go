package cli

import (
	"context"

	"github.com/spf13/cobra"

	recordsv1 "velamen/gen/velamen/records/v1"
)

func (a *app) recordsClose() *cobra.Command {
	return a.command(text{
		use: "close MONTH", short: "Sign where the ledger stood when a month had ended",
		long: `Closes a month of the ledger after it ended: its last entry and hash are signed with
the key of the server. From then on a ledger that was replaced is found by verify. An
entry that comes in later for the month is kept and shown as late. Keep the public key
and the hash that are shown in another place: they are what a copy is held against.
Managers and owners only.`,
		example: "  velamen records close 2026-03",
	}, func(ctx context.Context, args []string) (err error) {
		request := &recordsv1.CloseMonthRequest{Month: args[0]}
		if err := parseMonth(args[0]); err != nil {
			return err
		}
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		closed, err := call(ctx, a, recordsv1.NewRecordsServiceClient, recordsv1.RecordsServiceClient.CloseMonth, request)
		if err != nil {
			return err
		}
		return a.showClose(ctx, closed)
	})
}

func (a *app) showClose(ctx context.Context, closed *recordsv1.Close) error {
	return a.show(ctx, closed, func(s *sheet) {
		s.fact("Month", closed.GetMonth())
		s.fact("From", s.when(closed.GetBeginTime()))
		s.fact("Until", s.when(closed.GetEndTime()))
		s.fact("Entries of the month", closed.GetMonthEntries())
		s.fact("Of them corrections", closed.GetMonthCorrections())
		s.fact("Signed up to entry", closed.GetLastEntry())
		s.fact("Its hash", closed.GetHead())
		s.fact("Closed by", shortName(closed.GetCloser()))
		s.fact("Closed", s.when(closed.GetCreateTime()))
		s.fact("Key", closed.GetKeyId())
		s.fact("Public key", closed.GetPublicKey())
		s.fact("Signature", closed.GetSignature())
	})
}

func (a *app) recordsCloses() *cobra.Command {
	var limit int
	cmd := a.command(text{
		use: "closes", short: "List the months that were closed",
		long:    "Lists the signed closes, the oldest first, with the entries that came in too late for them. --json holds the signed text and the signature.",
		example: "  velamen records closes",
	}, func(ctx context.Context, _ []string) error {
		parent, err := a.parent()
		if err != nil {
			return err
		}
		closes, err := gather(limit, func(size int32, token string) (*recordsv1.ListClosesResponse, error) {
			return call(ctx, a, recordsv1.NewRecordsServiceClient, recordsv1.RecordsServiceClient.ListCloses,
				&recordsv1.ListClosesRequest{Parent: parent, PageSize: size, PageToken: token})
		})
		if err != nil {
			return err
		}
		return a.show(ctx, closes, func(s *sheet) {
			if s.none(len(closes.GetCloses()), "closes") {
				return
			}
			s.row("MONTH", "ENTRIES", "CORRECTIONS", "SIGNED UP TO", "CLOSED", "BY", "KEY", "LATE ENTRIES")
			for _, closed := range closes.GetCloses() {
				s.row(closed.GetMonth(), closed.GetMonthEntries(), closed.GetMonthCorrections(), closed.GetLastEntry(),
					s.when(closed.GetCreateTime()), shortName(closed.GetCloser()), closed.GetKeyId(), shortNames(closed.GetLateEntries()))
			}
			s.more(closes.GetNextPageToken())
		})
	})
	limitFlag(cmd, &limit)
	return cmd
}
