package cli

import (
	"context"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	stockv1 "velamen/gen/velamen/stock/v1"
	typev1 "velamen/gen/velamen/type/v1"
)

func (a *app) handlingRecord() *cobra.Command {
	var from, until string
	handling := &stockv1.Handling{}
	cmd := a.command(text{
		use: "record", short: "Record who worked on which lots, with which tools and crates",
		long: `Records work at the bench by which a disorder could travel from lot to lot. The lots
are given in the order in which they were handled: in an outbreak those that came
after the infected one are looked at first.`,
		example: `  velamen stock handling record --lot l-0001,l-0002 --work "potting on" --tool-set "knives 1" \
    --from "2026-03-01 08:00" --until "2026-03-01 10:30"
  velamen stock handling record --lot l-0003 --work deheading --worker wandile --crate "trolley 2" \
    --tool-set "shears 4" --disinfected-between --from "2026-03-01 08:00" --until "2026-03-01 09:00"`,
	}, func(ctx context.Context, _ []string) (err error) {
		request := &stockv1.RecordHandlingRequest{Handling: handling}
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if handling.Lots, err = a.names("--lot", handling.GetLots(), "lots"); err != nil {
			return err
		}
		if handling.Worker, err = a.optionalName("--worker", handling.GetWorker(), "people"); err != nil {
			return err
		}
		if handling.StartTime, err = a.moment(ctx, "--from", from); err != nil {
			return err
		}
		if handling.EndTime, err = a.moment(ctx, "--until", until); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		recorded, err := call(ctx, a, stockv1.NewStockServiceClient, stockv1.StockServiceClient.RecordHandling, request)
		if err != nil {
			return err
		}
		return a.show(ctx, recorded, func(s *sheet) { s.handling(recorded) })
	})
	flags := cmd.Flags()
	flags.StringSliceVar(&handling.Lots, "lot", nil, "a lot, in the order of the work (may be repeated)")
	flags.StringVar(&handling.Work, "work", "", `what was done, as in "potting on"`)
	flags.StringVar(&handling.Worker, "worker", "", "who did it (default: you)")
	flags.StringVar(&handling.ToolSet, "tool-set", "", "what you call the set of tools, if any was used")
	flags.BoolVar(&handling.DisinfectedBetween, "disinfected-between", false, "the tools were disinfected between lots")
	flags.StringVar(&handling.Crate, "crate", "", "what you call the crate or trolley, if any was used")
	flags.StringVar(&from, "from", "", `when it began, as in "2026-03-01 08:00"`)
	flags.StringVar(&until, "until", "", "when it ended")
	return needs(cmd, "lot", "work", "from", "until")
}

func (s *sheet) handling(h *stockv1.Handling) {
	s.fact("Handling", shortName(h.GetName()))
	s.fact("Work", h.GetWork())
	s.fact("Lots, in order", shortNames(h.GetLots()))
	s.fact("Worker", shortName(h.GetWorker()))
	s.fact("Tools", h.GetToolSet())
	if h.GetToolSet() != "" {
		s.fact("Disinfected between lots", yes(h.GetDisinfectedBetween()))
	}
	s.fact("Crate or trolley", h.GetCrate())
	s.fact("From", s.when(h.GetStartTime()))
	s.fact("Until", s.when(h.GetEndTime()))
	s.fact("Entered by", shortName(h.GetPerson()))
}

func (a *app) handlingList() *cobra.Command {
	var limit int
	request := &stockv1.ListHandlingsRequest{}
	cmd := a.command(text{
		use: "list", short: "List handlings", long: "Lists who worked on which lots, newest first.",
		example: "  velamen stock handling list\n  velamen stock handling list --lot l-0001",
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.Lot, err = a.optionalName("--lot", request.GetLot(), "lots"); err != nil {
			return err
		}
		handlings, err := gather(limit, func(size int32, token string) (*stockv1.ListHandlingsResponse, error) {
			request.PageSize, request.PageToken = size, token
			return call(ctx, a, stockv1.NewStockServiceClient, stockv1.StockServiceClient.ListHandlings, request)
		})
		if err != nil {
			return err
		}
		return a.show(ctx, handlings, func(s *sheet) {
			if s.none(len(handlings.GetHandlings()), "handlings") {
				return
			}
			s.row("FROM", "UNTIL", "WORK", "WORKER", "LOTS, IN ORDER", "TOOLS", "DISINFECTED", "CRATE")
			for _, h := range handlings.GetHandlings() {
				s.row(s.when(h.GetStartTime()), s.when(h.GetEndTime()), h.GetWork(), shortName(h.GetWorker()), shortNames(h.GetLots()),
					h.GetToolSet(), yes(h.GetDisinfectedBetween()), h.GetCrate())
			}
			s.more(handlings.GetNextPageToken())
		})
	})
	cmd.Flags().StringVar(&request.Lot, "lot", "", "only those of this lot")
	limitFlag(cmd, &limit)
	return cmd
}

// placeFlag is a flag for where a bench stands.
func placeFlag(flags *pflag.FlagSet, target **stockv1.BenchPlace, name, usage string) {
	flags.Var(&parsed{kind: "metres", parse: func(typed string) (err error) {
		*target, err = parseBenchPlace(typed)
		return err
	}}, name, usage)
}

// parseBenchPlace reads four lengths in m; "none" is a bench that is not measured.
func parseBenchPlace(typed string) (*stockv1.BenchPlace, error) {
	if typed == "none" {
		return nil, nil
	}
	parts := strings.Split(typed, ",")
	if len(parts) != 4 {
		return nil, usagef("%q: give X,Y,LENGTH,WIDTH in metres, as in 0,3.5,12,1.6, or none", typed)
	}
	metres := make([]*typev1.Quantity, len(parts))
	for i, part := range parts {
		length, err := parseQuantity(strings.TrimSuffix(strings.TrimSpace(part), "m") + "m")
		if err != nil {
			return nil, err
		}
		metres[i] = length
	}
	return &stockv1.BenchPlace{X: metres[0], Y: metres[1], Length: metres[2], Width: metres[3]}, nil
}

// benchPlace writes where a bench stands; empty when that is not known.
func benchPlace(place *stockv1.BenchPlace) string {
	if place == nil {
		return ""
	}
	return amount(place.GetLength()) + " by " + amount(place.GetWidth()) + ", its corner at " + amount(place.GetX()) + ", " + amount(place.GetY())
}
