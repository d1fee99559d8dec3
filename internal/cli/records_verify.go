package cli

import (
	"context"
	"fmt"
	"strconv"

	"github.com/spf13/cobra"

	recordsv1 "velamen/gen/velamen/records/v1"
	typev1 "velamen/gen/velamen/type/v1"
)

func (a *app) recordsVerify() *cobra.Command {
	var from, to string
	cmd := a.command(text{
		use: "verify", short: "Check that no entry of the ledger and no close was changed",
		long: `Computes the hash chain of the ledger anew and checks it against the signed closes of
the months. With --from or --to only a range is checked, by numbers of entries or by
days on which work ended; what was believed and not checked is said. The exit code is
1 when an entry or a close is not as it was written.`,
		example: `  velamen records verify
  velamen records verify --from 120 --to 180
  velamen records verify --from 2026-03-01 --to 2026-03-31`,
	}, func(ctx context.Context, _ []string) error {
		request, err := verifyRequest(from, to)
		if err != nil {
			return err
		}
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		verdict, err := call(ctx, a, recordsv1.NewRecordsServiceClient, recordsv1.RecordsServiceClient.VerifyLedger, request)
		if err != nil {
			return err
		}
		if err := a.showVerdict(ctx, verdict); err != nil {
			return err
		}
		return failedVerdict(verdict)
	})
	cmd.Flags().StringVar(&from, "from", "", "first entry or first day, as in 120 or 2026-03-01")
	cmd.Flags().StringVar(&to, "to", "", "last entry or last day, as in 180 or 2026-03-31")
	return cmd
}

// verifyRequest reads the ends of a range: both numbers of entries, or both days.
func verifyRequest(from, to string) (*recordsv1.VerifyLedgerRequest, error) {
	request := &recordsv1.VerifyLedgerRequest{}
	var err error
	if request.FromSequence, request.FromDate, err = entryOrDay("--from", from); err != nil {
		return nil, err
	}
	if request.ToSequence, request.ToDate, err = entryOrDay("--to", to); err != nil {
		return nil, err
	}
	numbers := request.GetFromSequence() > 0 || request.GetToSequence() > 0
	days := request.GetFromDate() != nil || request.GetToDate() != nil
	if numbers && days {
		return nil, usagef("--from %s --to %s: give both as numbers of entries or both as days", from, to)
	}
	return request, nil
}

// entryOrDay reads one end of a range.
func entryOrDay(flag, typed string) (int64, *typev1.Date, error) {
	if typed == "" {
		return 0, nil, nil
	}
	if number, err := strconv.ParseInt(typed, 10, 64); err == nil && number > 0 {
		return number, nil, nil
	}
	day, err := parseDay(flag, typed)
	if err != nil {
		return 0, nil, usagef("%s %q: it must be the number of an entry such as 120, or a day such as 2026-03-01", flag, typed)
	}
	return 0, day, nil
}

func (a *app) showVerdict(ctx context.Context, verdict *recordsv1.VerifyLedgerResponse) error {
	return a.show(ctx, verdict, func(s *sheet) {
		s.fact("Entries checked", verdict.GetEntries())
		if verdict.GetFirstEntry() > 0 && verdict.GetLastEntry() > 0 {
			s.fact("Asked for", fmt.Sprintf("%d to %d", verdict.GetFirstEntry(), verdict.GetLastEntry()))
		}
		s.fact("Signed closes found in them", verdict.GetCloses())
		s.fact("Intact", yes(verdict.GetIntact()))
		s.fact("First broken entry", shortName(verdict.GetBrokenEntry()))
		s.fact("Broken close", shortName(verdict.GetBrokenClose()))
		s.fact("Broken tombstone", shortName(verdict.GetBrokenPurge()))
		s.fact("What is wrong", verdict.GetFault())
		s.fact("Hash of the last entry", verdict.GetHead())
		s.fact("Key in place", verdict.GetKeyId())
		for _, trust := range verdict.GetTrusts() {
			s.fact("Believed", trust)
		}
	})
}

// failedVerdict is the failure of a command that found something broken.
func failedVerdict(verdict *recordsv1.VerifyLedgerResponse) error {
	switch {
	case verdict.GetIntact():
		return nil
	case verdict.GetBrokenEntry() != "":
		return outcomeError{exitFailed, fmt.Errorf("the ledger is broken at entry %s: %s", shortName(verdict.GetBrokenEntry()), verdict.GetFault())}
	case verdict.GetBrokenPurge() != "":
		return outcomeError{exitFailed, fmt.Errorf("the tombstone of purge %s is broken: %s", shortName(verdict.GetBrokenPurge()), verdict.GetFault())}
	default:
		return outcomeError{exitFailed, fmt.Errorf("the close of %s is broken: %s", shortName(verdict.GetBrokenClose()), verdict.GetFault())}
	}
}
