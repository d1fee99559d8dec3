package cli

import (
	"context"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	stockv1 "velamen/gen/velamen/stock/v1"
)

func (a *app) stockCommand() *cobra.Command {
	return group("stock", "Houses, benches, and every plant on them",
		"Plants are conserved: started + received = on hand + disposed + sold, at all times.",
		group("house", "Houses", "A house is one greenhouse, shade house or tunnel.",
			a.houseList(), a.houseGet(), a.houseCreate(), a.houseUpdate()),
		group("bench", "Benches", "A bench is a place for plants in a house; write it HOUSE/BENCH.",
			a.benchList(), a.benchGet(), a.benchCreate(), a.benchUpdate()),
		group("handling", "Work at the bench", "A handling is work by which a disorder can travel from lot to lot: who worked on which lots with what.",
			a.handlingRecord(), a.handlingList()),
		a.lotCommand(), a.stockBalance(), a.stockImport(), a.stockExport())
}

func (a *app) houseList() *cobra.Command {
	var limit int
	cmd := a.command(text{
		use: "list", short: "List the houses", long: "Lists the houses of the nursery by name.",
		example: "  velamen stock house list",
	}, func(ctx context.Context, _ []string) error {
		parent, err := a.parent()
		if err != nil {
			return err
		}
		houses, err := gather(limit, func(size int32, token string) (*stockv1.ListHousesResponse, error) {
			return call(ctx, a, stockv1.NewStockServiceClient, stockv1.StockServiceClient.ListHouses,
				&stockv1.ListHousesRequest{Parent: parent, PageSize: size, PageToken: token})
		})
		if err != nil {
			return err
		}
		return a.show(ctx, houses, func(s *sheet) {
			if s.none(len(houses.GetHouses()), "houses") {
				return
			}
			s.row("HOUSE", "NAME", "AREA", "COVERING", "SHARES AIR WITH")
			for _, house := range houses.GetHouses() {
				s.row(shortName(house.GetName()), house.GetDisplayName(), amount(house.GetArea()), word(house.GetCovering()), shortNames(house.GetAdjoiningHouses()))
			}
			s.more(houses.GetNextPageToken())
		})
	})
	limitFlag(cmd, &limit)
	return cmd
}

func (a *app) houseGet() *cobra.Command {
	return a.command(text{
		use: "get HOUSE", short: "Show one house", long: "Shows one house: its size, covering and air, and what reports say of it.",
		example: "  velamen stock house get h1",
	}, func(ctx context.Context, args []string) error {
		name, err := a.name("HOUSE", args[0], "houses")
		if err != nil {
			return err
		}
		house, err := call(ctx, a, stockv1.NewStockServiceClient, stockv1.StockServiceClient.GetHouse, &stockv1.GetHouseRequest{Name: name})
		if err != nil {
			return err
		}
		return a.showHouse(ctx, house)
	})
}

func (a *app) showHouse(ctx context.Context, house *stockv1.House) error {
	return a.show(ctx, house, func(s *sheet) {
		s.fact("House", shortName(house.GetName()))
		s.fact("Name", house.GetDisplayName())
		s.fact("Area", amount(house.GetArea()))
		s.fact("Air volume", amount(house.GetVolume()))
		s.fact("Covering", word(house.GetCovering()))
		s.fact("Fans", amount(house.GetFanCapacity()))
		s.fact("Vents or side walls open", yes(house.GetPassiveVents()))
		s.fact("Shares air with", shortNames(house.GetAdjoiningHouses()))
		s.fact("Planted area", orNotEntered(amount(house.GetPlantedArea())))
		s.fact("Site number", orNotEntered(house.GetSiteNumber()))
		s.fact("Facility number", orNotEntered(house.GetFacilityNumber()))
		s.fact("Legal location", orNotEntered(house.GetLegalLocation()))
		s.fact("Added", s.when(house.GetCreateTime()))
		s.fact("ETag", house.GetEtag())
	})
}

func houseFlags(flags *pflag.FlagSet, house *stockv1.House) {
	flags.StringVar(&house.DisplayName, "display-name", "", "what people call it")
	quantityFlag(flags, &house.Area, "area", "floor area, as in 320m2")
	quantityFlag(flags, &house.Volume, "volume", "air volume, as in 960m3")
	enumFlag(flags, &house.Covering, "covering", "what covers it")
	quantityFlag(flags, &house.FanCapacity, "fan-capacity", "air that the fans move, as in 12000m3/h")
	flags.BoolVar(&house.PassiveVents, "passive-vents", false, "vents or side walls open")
	flags.StringSliceVar(&house.AdjoiningHouses, "adjoining-houses", nil, "houses that share air with it and cannot be sealed off")
	quantityFlag(flags, &house.PlantedArea, "planted-area", "area planted in it, as in 280m2")
	flags.StringVar(&house.SiteNumber, "site-number", "", "number of the site on use reports, in California that of the permit")
	flags.StringVar(&house.FacilityNumber, "facility-number", "", "what identifies the closed space on records of the EU")
	flags.StringVar(&house.LegalLocation, "legal-location", "", "where it lies as the law asks for it, for example county, section, township, range")
}

func (a *app) houseCreate() *cobra.Command {
	request := &stockv1.CreateHouseRequest{House: &stockv1.House{}}
	cmd := a.command(text{
		use: "create HOUSE", short: "Add a house", long: "Adds a house. Managers and owners only.",
		example: `  velamen stock house create h1 --display-name "House 1" --area 320m2 --covering rigid-plastic`,
	}, func(ctx context.Context, args []string) (err error) {
		request.HouseId = args[0]
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.House.AdjoiningHouses, err = a.names("--adjoining-houses", request.GetHouse().GetAdjoiningHouses(), "houses"); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		house, err := call(ctx, a, stockv1.NewStockServiceClient, stockv1.StockServiceClient.CreateHouse, request)
		if err != nil {
			return err
		}
		return a.showHouse(ctx, house)
	})
	houseFlags(cmd.Flags(), request.GetHouse())
	return needs(cmd, "display-name", "area")
}

func (a *app) houseUpdate() *cobra.Command {
	request := &stockv1.UpdateHouseRequest{House: &stockv1.House{}}
	var cmd *cobra.Command
	cmd = a.command(text{
		use: "update HOUSE", short: "Change a house", long: "Changes what is given; the rest stays. Managers and owners only.",
		example: "  velamen stock house update h1 --volume 960m3 --fan-capacity 12000m3/h\n  velamen stock house update h1 --site-number 7 --planted-area 280m2",
	}, func(ctx context.Context, args []string) (err error) {
		if request.UpdateMask, err = changed(cmd.Flags(), request.GetHouse()); err != nil {
			return err
		}
		if request.House.Name, err = a.name("HOUSE", args[0], "houses"); err != nil {
			return err
		}
		if request.House.AdjoiningHouses, err = a.names("--adjoining-houses", request.GetHouse().GetAdjoiningHouses(), "houses"); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		house, err := call(ctx, a, stockv1.NewStockServiceClient, stockv1.StockServiceClient.UpdateHouse, request)
		if err != nil {
			return err
		}
		return a.showHouse(ctx, house)
	})
	houseFlags(cmd.Flags(), request.GetHouse())
	etagFlag(cmd, &request.House.Etag)
	return cmd
}

func (a *app) benchList() *cobra.Command {
	var limit int
	var house string
	cmd := a.command(text{
		use: "list", short: "List the benches", long: "Lists the benches of one house, or of all.",
		example: "  velamen stock bench list\n  velamen stock bench list --house h1",
	}, func(ctx context.Context, _ []string) error {
		parent, err := a.name("--house", house, "houses")
		if err != nil {
			return err
		}
		benches, err := gather(limit, func(size int32, token string) (*stockv1.ListBenchesResponse, error) {
			return call(ctx, a, stockv1.NewStockServiceClient, stockv1.StockServiceClient.ListBenches,
				&stockv1.ListBenchesRequest{Parent: parent, PageSize: size, PageToken: token})
		})
		if err != nil {
			return err
		}
		return a.show(ctx, benches, func(s *sheet) {
			if s.none(len(benches.GetBenches()), "benches") {
				return
			}
			s.row("BENCH", "NAME", "AREA", "ISOLATION", "WATER LINE", "BESIDE", "MEASURED")
			for _, bench := range benches.GetBenches() {
				s.row(shortName(bench.GetName()), bench.GetDisplayName(), amount(bench.GetArea()), yes(bench.GetIsolation()),
					bench.GetWaterLine(), shortNames(bench.GetNeighbourBenches()), yes(bench.GetPlace() != nil))
			}
			s.more(benches.GetNextPageToken())
		})
	})
	cmd.Flags().StringVar(&house, "house", "-", "only this house; - for all")
	limitFlag(cmd, &limit)
	return cmd
}

func (a *app) benchGet() *cobra.Command {
	return a.command(text{
		use: "get HOUSE/BENCH", short: "Show one bench", long: "Shows one bench.",
		example: "  velamen stock bench get h1/b03",
	}, func(ctx context.Context, args []string) error {
		name, err := a.name("BENCH", args[0], "houses", "benches")
		if err != nil {
			return err
		}
		bench, err := call(ctx, a, stockv1.NewStockServiceClient, stockv1.StockServiceClient.GetBench, &stockv1.GetBenchRequest{Name: name})
		if err != nil {
			return err
		}
		return a.showBench(ctx, bench)
	})
}

func (a *app) showBench(ctx context.Context, bench *stockv1.Bench) error {
	return a.show(ctx, bench, func(s *sheet) {
		s.fact("Bench", shortName(bench.GetName()))
		s.fact("Name", bench.GetDisplayName())
		s.fact("Area", amount(bench.GetArea()))
		s.fact("For isolation", yes(bench.GetIsolation()))
		s.fact("Water line", bench.GetWaterLine())
		s.fact("Beside", shortNames(bench.GetNeighbourBenches()))
		s.fact("Place", benchPlace(bench.GetPlace()))
		s.fact("Added", s.when(bench.GetCreateTime()))
		s.fact("ETag", bench.GetEtag())
	})
}

func benchFlags(flags *pflag.FlagSet, bench *stockv1.Bench) {
	flags.StringVar(&bench.DisplayName, "display-name", "", "what people call it")
	quantityFlag(flags, &bench.Area, "area", "area, as in 18m2")
	flags.BoolVar(&bench.Isolation, "isolation", false, "held lots are kept apart here")
	flags.StringVar(&bench.WaterLine, "water-line", "", "what you call the water that it gets: benches with the same word share it")
	flags.StringSliceVar(&bench.NeighbourBenches, "neighbour-benches", nil, "benches beside it, HOUSE/BENCH; those measured within 1.5 m count without being named")
	placeFlag(flags, &bench.Place, "place", "where it stands on the nursery's plan, X,Y,LENGTH,WIDTH in metres, as in 0,3.5,12,1.6; none when not measured")
}

func (a *app) benchCreate() *cobra.Command {
	request := &stockv1.CreateBenchRequest{Bench: &stockv1.Bench{}}
	cmd := a.command(text{
		use: "create HOUSE/BENCH", short: "Add a bench", long: "Adds a bench to a house. Managers and owners only.",
		example: `  velamen stock bench create h1/b03 --display-name "Bench 3" --area 18m2
  velamen stock bench create h1/b04 --display-name "Bench 4" --area 18m2 --water-line "ebb 1" \
    --place 0,3.5,12,1.5 --neighbour-benches h1/b03
  velamen stock bench create h2/q1 --display-name "Quarantine" --area 6m2 --isolation`,
	}, func(ctx context.Context, args []string) (err error) {
		name, err := a.name("BENCH", args[0], "houses", "benches")
		if err != nil {
			return err
		}
		if request.Bench.NeighbourBenches, err = a.names("--neighbour-benches", request.GetBench().GetNeighbourBenches(), "houses", "benches"); err != nil {
			return err
		}
		request.Parent, request.BenchId = splitLast(name)
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		bench, err := call(ctx, a, stockv1.NewStockServiceClient, stockv1.StockServiceClient.CreateBench, request)
		if err != nil {
			return err
		}
		return a.showBench(ctx, bench)
	})
	benchFlags(cmd.Flags(), request.GetBench())
	return needs(cmd, "display-name", "area")
}

func (a *app) benchUpdate() *cobra.Command {
	request := &stockv1.UpdateBenchRequest{Bench: &stockv1.Bench{}}
	var cmd *cobra.Command
	cmd = a.command(text{
		use: "update HOUSE/BENCH", short: "Change a bench", long: "Changes what is given; the rest stays. Managers and owners only.",
		example: "  velamen stock bench update h2/q1 --isolation\n  velamen stock bench update h1/b03 --water-line \"ebb 1\" --place 0,1.5,12,1.5",
	}, func(ctx context.Context, args []string) (err error) {
		if request.UpdateMask, err = changed(cmd.Flags(), request.GetBench()); err != nil {
			return err
		}
		if request.Bench.Name, err = a.name("BENCH", args[0], "houses", "benches"); err != nil {
			return err
		}
		if request.Bench.NeighbourBenches, err = a.names("--neighbour-benches", request.GetBench().GetNeighbourBenches(), "houses", "benches"); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		bench, err := call(ctx, a, stockv1.NewStockServiceClient, stockv1.StockServiceClient.UpdateBench, request)
		if err != nil {
			return err
		}
		return a.showBench(ctx, bench)
	})
	benchFlags(cmd.Flags(), request.GetBench())
	etagFlag(cmd, &request.Bench.Etag)
	return cmd
}

func (a *app) stockBalance() *cobra.Command {
	return a.command(text{
		use: "balance", short: "Count the plants, and say whether the counts agree",
		long: `Counts the plants from all events and from all lots. The exit code is 1 when the
two do not agree.`,
		example: "  velamen stock balance",
	}, func(ctx context.Context, _ []string) error {
		name, err := a.parent()
		if err != nil {
			return err
		}
		balance, err := call(ctx, a, stockv1.NewStockServiceClient, stockv1.StockServiceClient.GetPlantBalance,
			&stockv1.GetPlantBalanceRequest{Name: name})
		if err != nil {
			return err
		}
		if err := a.show(ctx, balance, func(s *sheet) {
			s.fact("Started", balance.GetStarted())
			s.fact("Received", balance.GetReceived())
			s.fact("Disposed", balance.GetDisposed())
			s.fact("Sold", balance.GetSold())
			s.fact("On hand", balance.GetOnHand())
			s.fact("Balanced", yes(balance.GetBalanced()))
		}); err != nil {
			return err
		}
		if !balance.GetBalanced() {
			return outcomeError{exitFailed, errNotBalanced}
		}
		return nil
	})
}
