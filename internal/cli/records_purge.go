package cli

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	recordsv1 "velamen/gen/velamen/records/v1"
	typev1 "velamen/gen/velamen/type/v1"
)

func (a *app) recordsRetention() *cobra.Command {
	request := &recordsv1.ListRetentionRequest{}
	var from, to string
	cmd := a.command(text{
		use: "retention", short: "List which entries must be kept until when, and why",
		long: `Sums up the ledger by the month in which work ended and by what keeps it: a time that
runs, a hold, or a law whose time nobody read. It says through which entry the ledger
could be purged now. Local law decides how long records are kept.`,
		example: "  velamen records retention\n  velamen records retention --from 2024-01-01 --to 2024-12-31",
	}, func(ctx context.Context, _ []string) (err error) {
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
		kept, err := a.retention(ctx, request)
		if err != nil {
			return err
		}
		return a.show(ctx, kept, func(s *sheet) {
			s.retention(kept.GetGroups())
			s.line("")
			s.fact("Entries looked at", kept.GetEntries())
			s.fact("Of them may go", kept.GetMayGo())
			s.fact("Can be purged now", purgeable(kept))
			s.fact("Under the law of", strings.Join(kept.GetJurisdictions(), ", "))
			s.line("")
			s.line("%s", kept.GetCaution())
		})
	})
	cmd.Flags().StringVar(&from, "from", "", "only work that ended on this day or later, as in 2024-01-01")
	cmd.Flags().StringVar(&to, "to", "", "only work that ended on this day or before, as in 2024-12-31")
	return cmd
}

func (a *app) retention(ctx context.Context, request *recordsv1.ListRetentionRequest) (_ *recordsv1.ListRetentionResponse, err error) {
	if request.Parent, err = a.parent(); err != nil {
		return nil, err
	}
	return call(ctx, a, recordsv1.NewRecordsServiceClient, recordsv1.RecordsServiceClient.ListRetention, request)
}

func purgeable(kept *recordsv1.ListRetentionResponse) string {
	if kept.GetPurgeableThrough() == 0 {
		return "nothing: entries are removed only from the start of the ledger"
	}
	return fmt.Sprintf("through entry %d", kept.GetPurgeableThrough())
}

func (s *sheet) retention(groups []*recordsv1.RetentionGroup) {
	if s.none(len(groups), "entries") {
		return
	}
	s.row("MONTH", "ENTRIES", "FROM", "TO", "STATE", "FIRST MAY GO", "LAST MAY GO", "HOLDS", "WHY")
	for _, group := range groups {
		s.row(group.GetMonth(), group.GetEntries(), group.GetFirstEntry(), group.GetLastEntry(), word(group.GetState()),
			s.when(group.GetFirstTime()), s.when(group.GetLastTime()), shortNames(group.GetHolds()), group.GetMessage())
	}
}

func (a *app) recordsPurge() *cobra.Command {
	request := &recordsv1.PurgeEntriesRequest{}
	var before string
	var sure bool
	cmd := a.command(text{
		use: "purge", short: "Remove entries that nothing keeps any more, for good",
		long: `Removes entries from the start of the ledger: through an entry, or up to the first whose
work ended on a day or later. It is all of them or none: while a law, a hold or a
correction keeps one of them, nothing is removed. A signed tombstone stays, with which
verify checks the rest. Without --yes nothing is removed, and what would go is shown.
Local law decides how long records are kept: ask before you remove any. Owners only.`,
		example: `  velamen records purge --before 2024-01-01 --reason "kept long enough"
  velamen records purge --through 120 --reason "kept long enough" --yes`,
	}, func(ctx context.Context, _ []string) (err error) {
		if before != "" {
			if request.ThroughDate, err = dayBefore("--before", before); err != nil {
				return err
			}
		} else if request.GetThroughSequence() < 1 {
			return usagef("--through %d: it must be the number of an entry such as 120", request.GetThroughSequence())
		}
		if !sure {
			return a.previewPurge(ctx, request.GetThroughSequence(), before)
		}
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		purge, err := call(ctx, a, recordsv1.NewRecordsServiceClient, recordsv1.RecordsServiceClient.PurgeEntries, request)
		if err != nil {
			return err
		}
		return a.showPurge(ctx, purge)
	})
	flags := cmd.Flags()
	flags.Int64Var(&request.ThroughSequence, "through", 0, "through this entry, as in 120")
	flags.StringVar(&before, "before", "", "what ended before this day, as in 2024-01-01")
	flags.StringVar(&request.Reason, "reason", "", "why")
	flags.BoolVar(&sure, "yes", false, "remove them; without it what would go is shown")
	cmd.MarkFlagsOneRequired("through", "before")
	cmd.MarkFlagsMutuallyExclusive("through", "before")
	return needs(cmd, "reason")
}

// dayBefore is the last day before the one that was typed.
func dayBefore(flag, typed string) (*typev1.Date, error) {
	if _, err := parseDay(flag, typed); err != nil {
		return nil, err
	}
	day, err := time.Parse(time.DateOnly, typed)
	return &typev1.Date{Value: day.AddDate(0, 0, -1).Format(time.DateOnly)}, err
}

// previewPurge shows what a purge would remove, removes nothing, and asks for --yes.
func (a *app) previewPurge(ctx context.Context, through int64, before string) error {
	kept, err := a.retention(ctx, &recordsv1.ListRetentionRequest{})
	if err != nil {
		return err
	}
	first, last := numbersOf(kept.GetGroups())
	if through == 0 {
		if through, err = a.lastBefore(ctx, before, last); err != nil {
			return err
		}
	}
	// A ledger is removed only from its start: groups that begin later are not touched.
	var touched []*recordsv1.RetentionGroup
	for _, group := range kept.GetGroups() {
		if group.GetFirstEntry() <= through {
			touched = append(touched, group)
		}
	}
	kept.Groups = touched
	err = a.show(ctx, kept, func(s *sheet) {
		s.retention(touched)
		s.line("")
		s.line("%s", verdictOf(first, last, through, kept.GetPurgeableThrough()))
		s.line("%s", kept.GetCaution())
	})
	if err != nil {
		return err
	}
	return usagef("nothing was removed: give --yes to remove entries for good")
}

// lastBefore is the last entry before the first whose work ended on a day or later.
func (a *app) lastBefore(ctx context.Context, day string, last int64) (int64, error) {
	later, err := a.retention(ctx, &recordsv1.ListRetentionRequest{FromDate: &typev1.Date{Value: day}})
	if err != nil {
		return 0, err
	}
	if first, _ := numbersOf(later.GetGroups()); first > 0 {
		return first - 1, nil
	}
	return last, nil
}

// numbersOf are the first and the last entry of all groups, 0 where there is none.
func numbersOf(groups []*recordsv1.RetentionGroup) (first, last int64) {
	for _, group := range groups {
		if first == 0 || group.GetFirstEntry() < first {
			first = group.GetFirstEntry()
		}
		last = max(last, group.GetLastEntry())
	}
	return first, last
}

// verdictOf says what a purge would do as things stand.
func verdictOf(first, last, through, purgeable int64) string {
	switch {
	case first == 0 || through < first:
		return "None of the entries that are there would go."
	case through > last:
		return fmt.Sprintf("It would be refused: the ledger ends at entry %d.", last)
	case purgeable == 0:
		return "It would be refused: the start of the ledger must be kept."
	case through > purgeable:
		return fmt.Sprintf("It would be refused: now the ledger can be purged through entry %d, not through %d.", purgeable, through)
	default:
		return fmt.Sprintf("Entries %d to %d would go for good, %d of them, unless one of them was corrected by an entry that would stay.", first, through, through-first+1)
	}
}

func (a *app) showPurge(ctx context.Context, purge *recordsv1.Purge) error {
	return a.show(ctx, purge, func(s *sheet) {
		s.fact("Purge", shortName(purge.GetName()))
		s.fact("Removed", fmt.Sprintf("entries %d to %d, %d of them", purge.GetFirstEntry(), purge.GetLastEntry(), purge.GetEntries()))
		s.fact("Hash of the last", purge.GetHead())
		s.fact("Had to be kept until", s.when(purge.GetKeptUntil()))
		s.fact("Under the law of", strings.Join(purge.GetJurisdictions(), ", "))
		s.fact("Reason", purge.GetReason())
		s.fact("Purged by", shortName(purge.GetPerson()))
		s.fact("Purged", s.when(purge.GetCreateTime()))
		s.fact("Key", purge.GetKeyId())
		s.fact("Public key", purge.GetPublicKey())
		s.fact("Signature", purge.GetSignature())
	})
}

func (a *app) recordsPurges() *cobra.Command {
	var limit int
	cmd := a.command(text{
		use: "purges", short: "List what was purged from the ledger",
		long:    "Lists the signed tombstones of entries that were removed, the oldest first. --json holds the signed text and the signature.",
		example: "  velamen records purges",
	}, func(ctx context.Context, _ []string) error {
		parent, err := a.parent()
		if err != nil {
			return err
		}
		purges, err := gather(limit, func(size int32, token string) (*recordsv1.ListPurgesResponse, error) {
			return call(ctx, a, recordsv1.NewRecordsServiceClient, recordsv1.RecordsServiceClient.ListPurges,
				&recordsv1.ListPurgesRequest{Parent: parent, PageSize: size, PageToken: token})
		})
		if err != nil {
			return err
		}
		return a.show(ctx, purges, func(s *sheet) {
			if s.none(len(purges.GetPurges()), "purges") {
				return
			}
			s.row("PURGE", "FROM", "THROUGH", "ENTRIES", "KEPT UNTIL", "LAW", "REASON", "PURGED", "BY", "KEY")
			for _, purge := range purges.GetPurges() {
				s.row(shortName(purge.GetName()), purge.GetFirstEntry(), purge.GetLastEntry(), purge.GetEntries(), s.when(purge.GetKeptUntil()),
					strings.Join(purge.GetJurisdictions(), ", "), purge.GetReason(), s.when(purge.GetCreateTime()), shortName(purge.GetPerson()), purge.GetKeyId())
			}
			s.more(purges.GetNextPageToken())
		})
	})
	limitFlag(cmd, &limit)
	return cmd
}
