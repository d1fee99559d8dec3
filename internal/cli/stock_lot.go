package cli

import (
	"context"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"google.golang.org/protobuf/types/known/timestamppb"

	stockv1 "velamen/gen/velamen/stock/v1"
)

func (a *app) lotCommand() *cobra.Command {
	return group("lot", "Lots of plants", "A lot is plants of one taxon, size and stage on one bench.",
		a.lotList(), a.lotGet(), a.lotCreate(), a.lotUpdate(), a.lotMove(), a.lotSplit(), a.lotJoin(),
		a.lotDispose(), a.lotSell(), a.lotEvents())
}

// splitLast parts a name into its parent and its last id.
func splitLast(name string) (parent, id string) {
	parts := strings.Split(name, "/")
	return strings.Join(parts[:len(parts)-2], "/"), parts[len(parts)-1]
}

func (a *app) lotList() *cobra.Command {
	var limit int
	request := &stockv1.ListLotsRequest{}
	cmd := a.command(text{
		use: "list", short: "List the lots", long: "Lists lots by name; those without plants are left out.",
		example: `  velamen stock lot list --place h1
  velamen stock lot list --place h1/b03 --include-empty
  velamen stock lot list --query phalaenopsis --json`,
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.Place, err = a.place("--place", request.GetPlace()); err != nil {
			return err
		}
		lots, err := gather(limit, func(size int32, token string) (*stockv1.ListLotsResponse, error) {
			request.PageSize, request.PageToken = size, token
			return call(ctx, a, stockv1.NewStockServiceClient, stockv1.StockServiceClient.ListLots, request)
		})
		if err != nil {
			return err
		}
		return a.show(ctx, lots, func(s *sheet) {
			if s.none(len(lots.GetLots()), "such lots") {
				return
			}
			s.row("LOT", "PLANT", "CULTIVAR", "CONTAINER", "BENCH", "PLANTS", "HELD BY")
			for _, lot := range lots.GetLots() {
				s.row(shortName(lot.GetName()), lot.GetBotanicalName(), lot.GetCultivar(), lot.GetContainer(),
					shortName(lot.GetBench()), lot.GetPlants(), shortName(lot.GetHoldingCase()))
			}
			s.more(lots.GetNextPageToken())
		})
	})
	flags := cmd.Flags()
	flags.StringVar(&request.Place, "place", "", "only in this HOUSE or on this HOUSE/BENCH")
	flags.StringVar(&request.Query, "query", "", "only where the name, botanical name or cultivar contains this")
	flags.BoolVar(&request.IncludeEmpty, "include-empty", false, "also lots with no plants left")
	limitFlag(cmd, &limit)
	return cmd
}

func (a *app) lotGet() *cobra.Command {
	return a.command(text{
		use: "get LOT", short: "Show one lot", long: "Shows one lot: what it is, where it stands, how many plants, and what holds it.",
		example: "  velamen stock lot get l-0001",
	}, func(ctx context.Context, args []string) error {
		name, err := a.name("LOT", args[0], "lots")
		if err != nil {
			return err
		}
		lot, err := call(ctx, a, stockv1.NewStockServiceClient, stockv1.StockServiceClient.GetLot, &stockv1.GetLotRequest{Name: name})
		if err != nil {
			return err
		}
		return a.showLot(ctx, lot)
	})
}

func (a *app) showLot(ctx context.Context, lot *stockv1.Lot) error {
	return a.show(ctx, lot, func(s *sheet) { s.lot(lot) })
}

func (s *sheet) lot(lot *stockv1.Lot) {
	s.fact("Lot", shortName(lot.GetName()))
	s.fact("Plant", lot.GetBotanicalName())
	s.fact("Cultivar", lot.GetCultivar())
	s.fact("EPPO code", lot.GetEppoCode())
	s.fact("Container", lot.GetContainer())
	s.fact("Growth stage (BBCH)", lot.GetGrowthStageBbch())
	if value := lot.GetUnitValue(); value != nil {
		s.fact("Value of one plant", value.GetAmount()+" "+value.GetCurrencyCode())
	}
	s.fact("Bench", shortName(lot.GetBench()))
	s.fact("Plants on hand", lot.GetPlants())
	s.fact("Held by case", shortName(lot.GetHoldingCase()))
	s.fact("Held by an authority under", shortNames(lot.GetOfficialHolds()))
	s.fact("Entered", s.when(lot.GetCreateTime()))
	s.fact("ETag", lot.GetEtag())
}

func lotFlags(flags *pflag.FlagSet, lot *stockv1.Lot) {
	flags.StringVar(&lot.BotanicalName, "botanical-name", "", `accepted name, as in "Phalaenopsis amabilis"`)
	flags.StringVar(&lot.EppoCode, "eppo-code", "", "EPPO code of the taxon, as in PHASS")
	flags.StringVar(&lot.Cultivar, "cultivar", "", "cultivar or clone, without quotes")
	flags.StringVar(&lot.Container, "container", "", `container size, as in "12 cm pot"`)
	flags.StringVar(&lot.GrowthStageBbch, "growth-stage-bbch", "", "BBCH growth stage, two or three digits")
	moneyFlag(flags, &lot.UnitValue, "unit-value", "value of one plant, as in 85.50ZAR")
}

// happening is what every change of a lot's plants or place says.
type happening struct{ note, when, etag string }

func (h *happening) flags(cmd *cobra.Command, note string) {
	cmd.Flags().StringVar(&h.note, "note", "", note)
	cmd.Flags().StringVar(&h.when, "when", "", `when it happened (default: now), as in "2026-03-01 10:00"`)
	etagFlag(cmd, &h.etag)
}

func (a *app) lotCreate() *cobra.Command {
	request := &stockv1.CreateLotRequest{Lot: &stockv1.Lot{}, Origin: stockv1.LotEventKind_LOT_EVENT_KIND_STARTED}
	var when string
	var received bool
	cmd := a.command(text{
		use: "create LOT", short: "Start or receive a lot", long: "Starts plants as a new lot, or receives them from a supplier. Managers and owners only.",
		example: `  velamen stock lot create l-0001 --botanical-name "Phalaenopsis amabilis" --bench h1/b03 --plants 240
  velamen stock lot create l-0002 --botanical-name "Vanda coerulea" --bench h1/b04 --plants 60 \
    --received --note "delivery 117" --when "2026-03-01 10:00"`,
	}, func(ctx context.Context, args []string) (err error) {
		request.LotId = args[0]
		if received {
			request.Origin = stockv1.LotEventKind_LOT_EVENT_KIND_RECEIVED
		}
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.Lot.Bench, err = a.name("--bench", request.GetLot().GetBench(), "houses", "benches"); err != nil {
			return err
		}
		if request.EventTime, err = a.moment(ctx, "--when", when); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		lot, err := call(ctx, a, stockv1.NewStockServiceClient, stockv1.StockServiceClient.CreateLot, request)
		if err != nil {
			return err
		}
		return a.showLot(ctx, lot)
	})
	flags := cmd.Flags()
	lotFlags(flags, request.GetLot())
	flags.StringVar(&request.Lot.Bench, "bench", "", "HOUSE/BENCH it stands on")
	flags.Int64Var(&request.Plants, "plants", 0, "plants it begins with")
	flags.BoolVar(&received, "received", false, "they came from a supplier (default: started here)")
	flags.StringVar(&request.Note, "note", "", "supplier, batch or other note")
	flags.StringVar(&when, "when", "", `when they were started or received (default: now), as in "2026-03-01 10:00"`)
	return needs(cmd, "botanical-name", "bench", "plants")
}

func (a *app) lotUpdate() *cobra.Command {
	request := &stockv1.UpdateLotRequest{Lot: &stockv1.Lot{}}
	var cmd *cobra.Command
	cmd = a.command(text{
		use: "update LOT", short: "Change what is known about a lot",
		long:    "Changes what is given; the rest stays. Plants and place change by move, split, join, dispose and sell only.",
		example: `  velamen stock lot update l-0001 --container "15 cm pot" --unit-value 85.50ZAR`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.UpdateMask, err = changed(cmd.Flags(), request.GetLot()); err != nil {
			return err
		}
		if request.Lot.Name, err = a.name("LOT", args[0], "lots"); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		lot, err := call(ctx, a, stockv1.NewStockServiceClient, stockv1.StockServiceClient.UpdateLot, request)
		if err != nil {
			return err
		}
		return a.showLot(ctx, lot)
	})
	lotFlags(cmd.Flags(), request.GetLot())
	etagFlag(cmd, &request.Lot.Etag)
	return cmd
}

func (a *app) lotMove() *cobra.Command {
	var h happening
	cmd := a.command(text{
		use: "move LOT HOUSE/BENCH", short: "Move a whole lot to another bench",
		long:    "Moves a whole lot. A lot that a case holds goes to isolation benches only.",
		example: `  velamen stock lot move l-0001 h2/q1 --note "apart from the others"`,
	}, func(ctx context.Context, args []string) (err error) {
		request := &stockv1.MoveLotRequest{Note: h.note, Etag: h.etag}
		if request.Name, err = a.name("LOT", args[0], "lots"); err != nil {
			return err
		}
		if request.Bench, err = a.name("BENCH", args[1], "houses", "benches"); err != nil {
			return err
		}
		if request.EventTime, err = a.moment(ctx, "--when", h.when); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		lot, err := call(ctx, a, stockv1.NewStockServiceClient, stockv1.StockServiceClient.MoveLot, request)
		if err != nil {
			return err
		}
		return a.showLot(ctx, lot)
	})
	h.flags(cmd, "why")
	return cmd
}

func (a *app) lotSplit() *cobra.Command {
	var h happening
	var bench string
	var plants int64
	cmd := a.command(text{
		use: "split LOT NEW-LOT", short: "Move some plants of a lot into a new lot",
		long:    "Moves some plants of a lot into a new lot on another bench. The part of a held lot stays held and goes to isolation benches only.",
		example: `  velamen stock lot split l-0001 l-0001b --plants 20 --bench h1/b05`,
	}, func(ctx context.Context, args []string) (err error) {
		request := &stockv1.SplitLotRequest{NewLotId: args[1], Plants: plants, Note: h.note, Etag: h.etag}
		if request.Name, err = a.name("LOT", args[0], "lots"); err != nil {
			return err
		}
		if request.Bench, err = a.name("--bench", bench, "houses", "benches"); err != nil {
			return err
		}
		if request.EventTime, err = a.moment(ctx, "--when", h.when); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		split, err := call(ctx, a, stockv1.NewStockServiceClient, stockv1.StockServiceClient.SplitLot, request)
		if err != nil {
			return err
		}
		return a.show(ctx, split, func(s *sheet) {
			s.lot(split.GetSource())
			s.line("")
			s.lot(split.GetCreated())
		})
	})
	cmd.Flags().Int64Var(&plants, "plants", 0, "plants that go over")
	cmd.Flags().StringVar(&bench, "bench", "", "HOUSE/BENCH of the new lot")
	h.flags(cmd, "why")
	return needs(cmd, "plants", "bench")
}

func (a *app) lotJoin() *cobra.Command {
	var h happening
	cmd := a.command(text{
		use: "join LOT SOURCE...", short: "Move all plants of other lots into one lot",
		long:    "Empties lots into one of the same taxon, cultivar, container and stage. None of them may be held.",
		example: `  velamen stock lot join l-0001 l-0001b l-0001c --note "same batch"`,
	}, func(ctx context.Context, args []string) (err error) {
		request := &stockv1.JoinLotsRequest{Note: h.note, Etag: h.etag}
		if request.Name, err = a.name("LOT", args[0], "lots"); err != nil {
			return err
		}
		if request.Sources, err = a.names("SOURCE", args[1:], "lots"); err != nil {
			return err
		}
		if request.EventTime, err = a.moment(ctx, "--when", h.when); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		lot, err := call(ctx, a, stockv1.NewStockServiceClient, stockv1.StockServiceClient.JoinLots, request)
		if err != nil {
			return err
		}
		return a.showLot(ctx, lot)
	})
	h.flags(cmd, "why")
	return cmd
}

func (a *app) lotDispose() *cobra.Command {
	cmd := a.lotRemoval(text{
		use: "dispose LOT", short: "Remove dead, culled or diseased plants",
		long:    "Removes plants for good, and says why and how.",
		example: `  velamen stock lot dispose l-0001 --plants 3 --note "black rot, binned"`,
	}, "plants to remove", "why and how", func(ctx context.Context, r removal) (*stockv1.Lot, error) {
		return call(ctx, a, stockv1.NewStockServiceClient, stockv1.StockServiceClient.DisposePlants, &stockv1.DisposePlantsRequest{
			Name: r.lot, Plants: r.plants, Note: r.note, Etag: r.etag, EventTime: r.at, RequestId: r.requestID,
		})
	})
	return needs(cmd, "plants", "note")
}

func (a *app) lotSell() *cobra.Command {
	cmd := a.lotRemoval(text{
		use: "sell LOT", short: "Remove sold plants",
		long:    "Removes sold plants. Refused while a case holds the lot. Managers and owners only.",
		example: `  velamen stock lot sell l-0001 --plants 40 --note "delivery note 2210"`,
	}, "plants sold", "buyer or delivery note", func(ctx context.Context, r removal) (*stockv1.Lot, error) {
		return call(ctx, a, stockv1.NewStockServiceClient, stockv1.StockServiceClient.SellPlants, &stockv1.SellPlantsRequest{
			Name: r.lot, Plants: r.plants, Note: r.note, Etag: r.etag, EventTime: r.at, RequestId: r.requestID,
		})
	})
	return needs(cmd, "plants")
}

// removal is plants that leave a lot.
type removal struct {
	happening
	lot       string
	plants    int64
	at        *timestamppb.Timestamp
	requestID string
}

// lotRemoval is a command that takes plants out of a lot.
func (a *app) lotRemoval(t text, plantsUsage, noteUsage string, remove func(context.Context, removal) (*stockv1.Lot, error)) *cobra.Command {
	var r removal
	cmd := a.command(t, func(ctx context.Context, args []string) (err error) {
		if r.lot, err = a.name("LOT", args[0], "lots"); err != nil {
			return err
		}
		if r.at, err = a.moment(ctx, "--when", r.when); err != nil {
			return err
		}
		if r.requestID, err = a.change(); err != nil {
			return err
		}
		lot, err := remove(ctx, r)
		if err != nil {
			return err
		}
		return a.showLot(ctx, lot)
	})
	cmd.Flags().Int64Var(&r.plants, "plants", 0, plantsUsage)
	r.flags(cmd, noteUsage)
	return cmd
}

func (a *app) lotEvents() *cobra.Command {
	var limit int
	cmd := a.command(text{
		use: "events LOT", short: "Show what happened to a lot", long: "Shows every change of a lot's plants and place, oldest first.",
		example: "  velamen stock lot events l-0001",
	}, func(ctx context.Context, args []string) error {
		name, err := a.name("LOT", args[0], "lots")
		if err != nil {
			return err
		}
		events, err := gather(limit, func(size int32, token string) (*stockv1.ListLotEventsResponse, error) {
			return call(ctx, a, stockv1.NewStockServiceClient, stockv1.StockServiceClient.ListLotEvents,
				&stockv1.ListLotEventsRequest{Name: name, PageSize: size, PageToken: token})
		})
		if err != nil {
			return err
		}
		return a.show(ctx, events, func(s *sheet) {
			if s.none(len(events.GetEvents()), "events") {
				return
			}
			s.row("WHEN", "WHAT", "PLANTS", "BENCH", "OTHER LOT", "WHO", "NOTE")
			for _, event := range events.GetEvents() {
				s.row(s.when(event.GetEventTime()), word(event.GetKind()), signed(event.GetPlants()), shortName(event.GetBench()),
					shortName(event.GetOtherLot()), shortName(event.GetPerson()), event.GetNote())
			}
			s.more(events.GetNextPageToken())
		})
	})
	limitFlag(cmd, &limit)
	return cmd
}
