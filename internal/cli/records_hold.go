package cli

import (
	"cmp"
	"context"
	"fmt"

	"github.com/spf13/cobra"

	recordsv1 "velamen/gen/velamen/records/v1"
)

func (a *app) recordsHold() *cobra.Command {
	request := &recordsv1.PlaceHoldRequest{Hold: &recordsv1.Hold{}}
	var everything bool
	var from, to string
	cmd := a.command(text{
		use: "hold", short: "Say that records must be kept, because of a lawsuit or an inquiry",
		long: `Places a hold: what it covers must be kept, whatever its age, until it is lifted. It
covers everything, or a house, or applications on some days, or a house on some days.
Managers and owners only.`,
		example: `  velamen records hold --all --reason "inquiry of the inspectorate, letter of 3 March"
  velamen records hold --house h1 --from 2026-01-01 --to 2026-03-31 --reason "claim of a buyer"`,
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Hold.House, err = a.optionalName("--house", request.GetHold().GetHouse(), "houses"); err != nil {
			return err
		}
		if from != "" {
			if request.Hold.FromDate, err = parseDay("--from", from); err != nil {
				return err
			}
		}
		if to != "" {
			if request.Hold.ToDate, err = parseDay("--to", to); err != nil {
				return err
			}
		}
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		placed, err := call(ctx, a, recordsv1.NewRecordsServiceClient, recordsv1.RecordsServiceClient.PlaceHold, request)
		if err != nil {
			return err
		}
		return a.showHold(ctx, placed)
	})
	flags := cmd.Flags()
	flags.BoolVar(&everything, "all", false, "hold everything")
	flags.StringVar(&request.Hold.House, "house", "", "hold the entries of this house")
	flags.StringVar(&from, "from", "", "hold applications from this day on, as in 2026-01-01")
	flags.StringVar(&to, "to", "", "hold applications up to this day, as in 2026-03-31")
	flags.StringVar(&request.Hold.Reason, "reason", "", "why")
	cmd.MarkFlagsOneRequired("all", "house", "from", "to")
	for _, narrower := range []string{"house", "from", "to"} {
		cmd.MarkFlagsMutuallyExclusive("all", narrower)
	}
	return needs(cmd, "reason")
}

// scopeOf says what a hold covers.
func scopeOf(hold *recordsv1.Hold) string {
	text := "all houses"
	if hold.GetHouse() != "" {
		text = "house " + shortName(hold.GetHouse())
	}
	if hold.GetFromDate() == nil && hold.GetToDate() == nil {
		return text + ", all days"
	}
	return fmt.Sprintf("%s, %s to %s", text, cmp.Or(hold.GetFromDate().GetValue(), "the beginning"), cmp.Or(hold.GetToDate().GetValue(), "the end"))
}

func (a *app) showHold(ctx context.Context, hold *recordsv1.Hold) error {
	return a.show(ctx, hold, func(s *sheet) {
		s.fact("Hold", shortName(hold.GetName()))
		s.fact("Covers", scopeOf(hold))
		s.fact("Reason", hold.GetReason())
		s.fact("Placed by", shortName(hold.GetPlacer()))
		s.fact("Placed", s.when(hold.GetCreateTime()))
		s.fact("Lifted by", shortName(hold.GetLifter()))
		s.fact("Lifted", s.when(hold.GetLiftTime()))
		s.fact("Lifted because", hold.GetLiftReason())
	})
}

func (a *app) recordsHolds() *cobra.Command {
	request := &recordsv1.ListHoldsRequest{}
	var limit int
	cmd := a.command(text{
		use: "holds", short: "List the holds that stand", long: "Lists the holds that stand, the oldest first; with --lifted also those that were lifted.",
		example: "  velamen records holds\n  velamen records holds --lifted",
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		holds, err := gather(limit, func(size int32, token string) (*recordsv1.ListHoldsResponse, error) {
			request.PageSize, request.PageToken = size, token
			return call(ctx, a, recordsv1.NewRecordsServiceClient, recordsv1.RecordsServiceClient.ListHolds, request)
		})
		if err != nil {
			return err
		}
		return a.show(ctx, holds, func(s *sheet) {
			if s.none(len(holds.GetHolds()), "holds") {
				return
			}
			s.row("HOLD", "COVERS", "REASON", "PLACED", "BY", "LIFTED", "BY", "BECAUSE")
			for _, hold := range holds.GetHolds() {
				s.row(shortName(hold.GetName()), scopeOf(hold), hold.GetReason(), s.when(hold.GetCreateTime()), shortName(hold.GetPlacer()),
					s.when(hold.GetLiftTime()), shortName(hold.GetLifter()), hold.GetLiftReason())
			}
			s.more(holds.GetNextPageToken())
		})
	})
	cmd.Flags().BoolVar(&request.Lifted, "lifted", false, "also those that were lifted")
	limitFlag(cmd, &limit)
	return cmd
}

func (a *app) recordsLift() *cobra.Command {
	request := &recordsv1.LiftHoldRequest{}
	cmd := a.command(text{
		use: "lift HOLD", short: "Say that a hold has ended",
		long:    "Lifts a hold. It stays in the history, with who lifted it and why. Managers and owners only.",
		example: `  velamen records lift 2 --reason "settled on 12 June"`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.name("HOLD", args[0], "holds"); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		lifted, err := call(ctx, a, recordsv1.NewRecordsServiceClient, recordsv1.RecordsServiceClient.LiftHold, request)
		if err != nil {
			return err
		}
		return a.showHold(ctx, lifted)
	})
	cmd.Flags().StringVar(&request.Reason, "reason", "", "why")
	return needs(cmd, "reason")
}
