package cli

import (
	"context"
	"errors"
	"time"

	"github.com/spf13/cobra"

	productsv1 "velamen/gen/velamen/products/v1"
	typev1 "velamen/gen/velamen/type/v1"
)

func (a *app) storeCommand() *cobra.Command {
	return group("store", "Containers in the chemical store",
		`Keeps the books of the chemical store: each bag, bottle or drum with its batch,
its last day of use and what is left in it. Confirmed applications take from it;
a count corrects it. Nothing is ever edited: the history shows every entry. `+Caution,
		a.storeList(), a.storeAdd(), a.storeOpen(), a.storeCount(), a.storeDiscard(), a.storeHistory())
}

func (a *app) storeList() *cobra.Command {
	var product string
	var limit int
	cmd := a.command(text{
		use: "list", short: "List the containers", long: "Lists the containers by product, those that are empty or were disposed of too.",
		example: "  velamen products store list\n  velamen products store list --product topspray --json",
	}, func(ctx context.Context, _ []string) error {
		parent, err := a.name("--product", product, "products")
		if err != nil {
			return err
		}
		containers, err := gather(limit, func(size int32, token string) (*productsv1.ListContainersResponse, error) {
			return call(ctx, a, productsv1.NewProductsServiceClient, productsv1.ProductsServiceClient.ListContainers,
				&productsv1.ListContainersRequest{Parent: parent, PageSize: size, PageToken: token})
		})
		if err != nil {
			return err
		}
		return a.show(ctx, containers, func(s *sheet) {
			if s.none(len(containers.GetContainers()), "containers") {
				return
			}
			s.row("CONTAINER", "LEFT", "OF", "STATE", "EXPIRES", "CAME", "OPENED", "BATCH", "PLACE")
			for _, c := range containers.GetContainers() {
				s.row(shortName(c.GetName()), amount(c.GetRemaining()), amount(c.GetSize()), word(c.GetState()),
					c.GetExpireDate().GetValue(), c.GetReceiveDate().GetValue(), c.GetOpenDate().GetValue(), c.GetBatch(), c.GetPlace())
			}
			s.more(containers.GetNextPageToken())
		})
	})
	cmd.Flags().StringVar(&product, "product", "-", `only of this PRODUCT ("-": of all)`)
	limitFlag(cmd, &limit)
	return cmd
}

func (a *app) showContainer(ctx context.Context, container *productsv1.Container) error {
	return a.show(ctx, container, func(s *sheet) {
		s.fact("Container", shortName(container.GetName()))
		s.fact("State", word(container.GetState()))
		s.fact("Left by the books", amount(container.GetRemaining()))
		s.fact("Came with", amount(container.GetSize()))
		s.fact("Batch", container.GetBatch())
		s.fact("Place", container.GetPlace())
		s.fact("Came on", container.GetReceiveDate().GetValue())
		s.fact("Opened on", container.GetOpenDate().GetValue())
		s.fact("Last day of use", container.GetExpireDate().GetValue())
		s.fact("Entered", s.when(container.GetCreateTime()))
	})
}

// dayFlag is a flag for a calendar day of the nursery.
func dayFlag(cmd *cobra.Command, target **typev1.Date, name, usage string) {
	cmd.Flags().Var(&parsed{kind: "day", parse: func(typed string) error {
		if _, err := time.Parse(time.DateOnly, typed); err != nil {
			return errors.New("it must be a day such as 2026-03-01")
		}
		*target = &typev1.Date{Value: typed}
		return nil
	}}, name, usage)
}

func (a *app) storeAdd() *cobra.Command {
	container := &productsv1.Container{}
	cmd := a.command(text{
		use: "add PRODUCT/CONTAINER", short: "Enter a container that came into the store",
		long: `Enters a container with what it holds, in a unit that its product is measured out
in: g, kg, oz or lb for a solid, mL, L, fl oz, pt, qt or gal for a liquid. One
that is partly used is entered with its full size and then counted. Managers and
owners only.`,
		example: `  velamen products store add topspray/bag-7 --size 1kg --received 2026-03-01 --expires 2028-02-29 --batch B1147
  velamen products store add copperflow/jug-2 --size "32 fl oz" --received 2026-03-01 --opened 2026-03-02 --place "shelf 2"`,
	}, func(ctx context.Context, args []string) error {
		name, err := a.name("PRODUCT/CONTAINER", args[0], "products", "containers")
		if err != nil {
			return err
		}
		request := &productsv1.CreateContainerRequest{Container: container}
		request.Parent, request.ContainerId = splitLast(name)
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		added, err := call(ctx, a, productsv1.NewProductsServiceClient, productsv1.ProductsServiceClient.CreateContainer, request)
		if err != nil {
			return err
		}
		return a.showContainer(ctx, added)
	})
	flags := cmd.Flags()
	quantityFlag(flags, &container.Size, "size", `what it held when it came, as in 1kg or "32 fl oz"`)
	dayFlag(cmd, &container.ReceiveDate, "received", "day on which it came, as in 2026-03-01")
	dayFlag(cmd, &container.ExpireDate, "expires", "last day of use printed on it")
	dayFlag(cmd, &container.OpenDate, "opened", "day on which it was opened (default: it is sealed)")
	flags.StringVar(&container.Batch, "batch", "", "the manufacturer's batch printed on it")
	flags.StringVar(&container.Place, "place", "", "where it stands in the store")
	return needs(cmd, "size", "received")
}

func (a *app) storeOpen() *cobra.Command {
	request := &productsv1.OpenContainerRequest{}
	cmd := a.command(text{
		use: "open PRODUCT/CONTAINER", short: "Record that a container was opened",
		long: `Records the day on which a container was opened. An application that takes from a
sealed one opens it by itself.`,
		example: "  velamen products store open topspray/bag-7 --on 2026-03-02",
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.name("PRODUCT/CONTAINER", args[0], "products", "containers"); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		opened, err := call(ctx, a, productsv1.NewProductsServiceClient, productsv1.ProductsServiceClient.OpenContainer, request)
		if err != nil {
			return err
		}
		return a.showContainer(ctx, opened)
	})
	dayFlag(cmd, &request.OpenDate, "on", "the day, as in 2026-03-02")
	return needs(cmd, "on")
}

func (a *app) storeCount() *cobra.Command {
	request := &productsv1.CountContainerRequest{}
	cmd := a.command(text{
		use: "count PRODUCT/CONTAINER", short: "Correct the books by what was counted",
		long: `Enters what is really left in a container now, weighed or measured. The difference
to the books becomes an entry of its own with the note. Work that ended before the
count and is confirmed only after it, as from a phone without coverage, is not taken
off again: its entry says so. Managers and owners only.`,
		example: `  velamen products store count topspray/bag-7 --counted 640g --note "weighed at the year's end"`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.name("PRODUCT/CONTAINER", args[0], "products", "containers"); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		counted, err := call(ctx, a, productsv1.NewProductsServiceClient, productsv1.ProductsServiceClient.CountContainer, request)
		if err != nil {
			return err
		}
		return a.showContainer(ctx, counted)
	})
	quantityFlag(cmd.Flags(), &request.Counted, "counted", "what is really left, as in 640g")
	cmd.Flags().StringVar(&request.Note, "note", "", "why it differs")
	return needs(cmd, "counted", "note")
}

func (a *app) storeDiscard() *cobra.Command {
	request := &productsv1.DiscardContainerRequest{}
	cmd := a.command(text{
		use: "discard PRODUCT/CONTAINER", short: "Record that a container was disposed of",
		long: `Takes what is left in a container off the books. Local law says how it is
disposed of. Nothing can happen to the container afterwards. Managers and owners
only.`,
		example: `  velamen products store discard topspray/bag-7 --note "expired; collection point, receipt 88"`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.name("PRODUCT/CONTAINER", args[0], "products", "containers"); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		discarded, err := call(ctx, a, productsv1.NewProductsServiceClient, productsv1.ProductsServiceClient.DiscardContainer, request)
		if err != nil {
			return err
		}
		return a.showContainer(ctx, discarded)
	})
	cmd.Flags().StringVar(&request.Note, "note", "", "why and how, as in to which collection point it went")
	return needs(cmd, "note")
}

func (a *app) storeHistory() *cobra.Command {
	var limit int
	cmd := a.command(text{
		use: "history PRODUCT/CONTAINER", short: "Show what went into and out of a container",
		long:    "Shows every entry about a container in the order in which it was made, with what was left each time.",
		example: "  velamen products store history topspray/bag-7",
	}, func(ctx context.Context, args []string) error {
		name, err := a.name("PRODUCT/CONTAINER", args[0], "products", "containers")
		if err != nil {
			return err
		}
		history, err := gather(limit, func(size int32, token string) (*productsv1.ListContainerEventsResponse, error) {
			return call(ctx, a, productsv1.NewProductsServiceClient, productsv1.ProductsServiceClient.ListContainerEvents,
				&productsv1.ListContainerEventsRequest{Name: name, PageSize: size, PageToken: token})
		})
		if err != nil {
			return err
		}
		return a.show(ctx, history, func(s *sheet) {
			s.row("WHEN", "WHAT", "CHANGE", "LEFT", "PERSON", "APPLICATION", "NOTE")
			for _, event := range history.GetEvents() {
				s.row(s.when(event.GetEventTime()), word(event.GetKind()), amount(event.GetChange()), amount(event.GetRemaining()),
					shortName(event.GetPerson()), shortName(event.GetApplication()), event.GetNote())
			}
			s.more(history.GetNextPageToken())
		})
	})
	limitFlag(cmd, &limit)
	return cmd
}
