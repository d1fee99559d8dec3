package products

import (
	"context"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/types/known/timestamppb"

	productsv1 "velamen/gen/velamen/products/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/clock"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/identity"
)

// CreateContainer enters a container that came into the chemical store.
func (s *Service) CreateContainer(ctx context.Context, request *productsv1.CreateContainerRequest) (*productsv1.Container, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries", "products")
	if err != nil {
		return nil, err
	}
	nursery, product := ids[0], ids[1]
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*productsv1.Container, error) {
		form, err := keepForm(ctx, tx, nursery, product)
		if err != nil {
			return nil, err
		}
		calendar, err := s.calendarOf(ctx, tx, nursery)
		if err != nil {
			return nil, err
		}
		c, err := readContainer(product, form, request.GetContainerId(), request.GetContainer(), calendar.today)
		if err != nil {
			return nil, err
		}
		c.CreateTime = calendar.now
		if err := insertContainer(ctx, tx, nursery, c); err != nil {
			return nil, err
		}
		events, err := arrival(c, caller.Person, calendar)
		if err != nil {
			return nil, err
		}
		if err := enter(ctx, tx, nursery, events...); err != nil {
			return nil, err
		}
		return containerMessage(ctx, tx, nursery, product, c.ID)
	})
}

// arrival is what happened to a container that comes into the store, sealed or
// open.
func arrival(c Container, person string, calendar calendar) ([]containerEvent, error) {
	size, err := inBase(c.Size)
	if err != nil {
		return nil, err
	}
	received := containerEvent{product: c.Product, container: c.ID, kind: eventReceived, change: size, person: person}
	if received.time, err = calendar.moment(c.ReceiveDate); err != nil {
		return nil, err
	}
	if c.OpenDate == "" {
		return []containerEvent{received}, nil
	}
	opened, err := opening(c, c.OpenDate, person, calendar)
	return []containerEvent{received, opened}, err
}

func opening(c Container, day, person string, calendar calendar) (containerEvent, error) {
	when, err := calendar.moment(day)
	return containerEvent{product: c.Product, container: c.ID, kind: eventOpened, day: day, person: person, time: when}, err
}

// GetContainer returns one container.
func (s *Service) GetContainer(ctx context.Context, request *productsv1.GetContainerRequest) (*productsv1.Container, error) {
	nursery, product, id, err := containerIDs(request.GetName())
	if err != nil {
		return nil, err
	}
	return containerMessage(ctx, s.db, nursery, product, id)
}

// ListContainers returns the containers of one product, or of all, by name.
func (s *Service) ListContainers(ctx context.Context, request *productsv1.ListContainersRequest) (*productsv1.ListContainersResponse, error) {
	ids, err := resource.ParseParent("parent", request.GetParent(), "nurseries", "products")
	if err != nil {
		return nil, err
	}
	nursery, product := ids[0], ids[1]
	if product != resource.Any {
		// A mistyped name does not pass for an empty shelf.
		if _, err := ReadProduct(ctx, s.db, nursery, product); err != nil {
			return nil, err
		}
	}
	page, err := rpc.PageOf(request, 2)
	if err != nil {
		return nil, err
	}
	var after [2]string
	copy(after[:], page.After)
	containers, err := listContainers(ctx, s.db, nursery, product, after, page.Size+1)
	if err != nil {
		return nil, err
	}
	containers, next := rpc.Cut(page, containers, func(c Container) []string { return []string{c.Product, c.ID} })
	response := &productsv1.ListContainersResponse{NextPageToken: next}
	for _, c := range containers {
		response.Containers = append(response.Containers, c.contract(nursery))
	}
	return response, nil
}

// OpenContainer records the day on which a container was opened.
func (s *Service) OpenContainer(ctx context.Context, request *productsv1.OpenContainerRequest) (*productsv1.Container, error) {
	return s.happen(ctx, request, func(c Container, calendar calendar, person string) (containerEvent, error) {
		day, err := openingDay("open_date", request.GetOpenDate(), c.ReceiveDate, calendar.today)
		if err != nil {
			return containerEvent{}, err
		}
		if err := c.checkSealed(); err != nil {
			return containerEvent{}, err
		}
		return opening(c, day, person, calendar)
	})
}

// CountContainer corrects what the books say by what was counted. The books are
// never edited: a count is an entry of its own.
func (s *Service) CountContainer(ctx context.Context, request *productsv1.CountContainerRequest) (*productsv1.Container, error) {
	return s.happen(ctx, request, func(c Container, calendar calendar, person string) (containerEvent, error) {
		counted, err := measured("counted", c.form(), request.GetCounted())
		if err != nil {
			return containerEvent{}, err
		}
		if err := textFault("note", request.GetNote()); err != nil {
			return containerEvent{}, err
		}
		change, err := c.countedChange(counted)
		return containerEvent{
			product: c.Product, container: c.ID, kind: eventCounted, change: change,
			note: request.GetNote(), person: person, time: calendar.now,
		}, err
	})
}

// DiscardContainer records that what was left was disposed of.
func (s *Service) DiscardContainer(ctx context.Context, request *productsv1.DiscardContainerRequest) (*productsv1.Container, error) {
	return s.happen(ctx, request, func(c Container, calendar calendar, person string) (containerEvent, error) {
		if err := textFault("note", request.GetNote()); err != nil {
			return containerEvent{}, err
		}
		return containerEvent{
			product: c.Product, container: c.ID, kind: eventDiscarded, change: c.discardChange(),
			note: request.GetNote(), person: person, time: calendar.now,
		}, nil
	})
}

// containerRequest is a request that changes one container.
type containerRequest interface {
	rpc.Request
	GetName() string
}

// happen enters what happens to a container that was not disposed of, which what
// returns.
func (s *Service) happen(ctx context.Context, request containerRequest, what func(c Container, calendar calendar, person string) (containerEvent, error)) (*productsv1.Container, error) {
	nursery, product, id, err := containerIDs(request.GetName())
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*productsv1.Container, error) {
		c, err := lockContainer(ctx, tx, nursery, product, id)
		if err != nil {
			return nil, err
		}
		if err := c.checkKept(); err != nil {
			return nil, err
		}
		calendar, err := s.calendarOf(ctx, tx, nursery)
		if err != nil {
			return nil, err
		}
		event, err := what(c, calendar, caller.Person)
		if err != nil {
			return nil, err
		}
		if err := enter(ctx, tx, nursery, event); err != nil {
			return nil, err
		}
		return containerMessage(ctx, tx, nursery, product, id)
	})
}

// ListContainerEvents returns what went into and out of a container, in the order
// in which it was entered.
func (s *Service) ListContainerEvents(ctx context.Context, request *productsv1.ListContainerEventsRequest) (*productsv1.ListContainerEventsResponse, error) {
	nursery, product, id, err := containerIDs(request.GetName())
	if err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 1)
	if err != nil {
		return nil, err
	}
	after, err := page.Number(0)
	if err != nil {
		return nil, err
	}
	c, err := ReadContainer(ctx, s.db, nursery, product, id)
	if err != nil {
		return nil, err
	}
	events, err := listContainerEvents(ctx, s.db, nursery, c, after, page.Size+1)
	if err != nil {
		return nil, err
	}
	events, next := rpc.Cut(page, events, func(e containerEvent) []string { return []string{strconv.FormatInt(e.id, 10)} })
	response := &productsv1.ListContainerEventsResponse{NextPageToken: next}
	for _, event := range events {
		message, err := event.contract(nursery, c.Size.Unit)
		if err != nil {
			return nil, postgres.Translate(err)
		}
		response.Events = append(response.Events, message)
	}
	return response, nil
}

func containerIDs(name string) (nursery, product, id string, err error) {
	ids, err := resource.Parse("name", name, "nurseries", "products", "containers")
	if err != nil {
		return "", "", "", err
	}
	return ids[0], ids[1], ids[2], nil
}

func containerMessage(ctx context.Context, r postgres.Reader, nursery, product, id string) (*productsv1.Container, error) {
	c, err := ReadContainer(ctx, r, nursery, product, id)
	if err != nil {
		return nil, err
	}
	return c.contract(nursery), nil
}

func (c Container) contract(nursery string) *productsv1.Container {
	return &productsv1.Container{
		Name: containerName(nursery, c.Product, c.ID), Batch: c.Batch, Size: c.Size.Contract(),
		ReceiveDate: dateMessage(c.ReceiveDate), ExpireDate: dateMessage(c.ExpireDate), OpenDate: dateMessage(c.OpenDate),
		Place: c.Place, Remaining: c.Remaining.Contract(), State: c.State(), CreateTime: timestamppb.New(c.CreateTime),
	}
}

func (e containerEvent) contract(nursery string, unit quantity.Unit) (*productsv1.ContainerEvent, error) {
	remaining, err := e.remaining.In(unit)
	if err != nil {
		return nil, err
	}
	message := &productsv1.ContainerEvent{
		Kind:      productsv1.ContainerEventKind(productsv1.ContainerEventKind_value[eventKindPrefix+e.kind]),
		Remaining: remaining.Round().Contract(), Application: e.application,
		Person: resource.Of("nurseries", nursery, "people", e.person), Note: e.note, EventTime: timestamppb.New(e.time),
	}
	if e.kind == eventOpened {
		return message, nil
	}
	change, err := e.change.In(unit)
	if err != nil {
		return nil, err
	}
	message.Change = change.Round().Contract()
	return message, nil
}

func dateMessage(day string) *typev1.Date {
	if day == "" {
		return nil
	}
	return &typev1.Date{Value: day}
}

// calendar is the present moment and day at a nursery.
type calendar struct {
	now   time.Time
	zone  *time.Location
	today string
}

func (s *Service) calendarOf(ctx context.Context, r postgres.Reader, nursery string) (calendar, error) {
	of, err := identity.ReadNursery(ctx, r, nursery)
	if err != nil {
		return calendar{}, err
	}
	now := s.db.Now()
	return calendar{now: now, zone: of.Zone, today: now.In(of.Zone).Format(time.DateOnly)}, nil
}

// moment is when something happened of which only the day is known: now if it is
// today, else when the day began.
func (c calendar) moment(day string) (time.Time, error) {
	if day == c.today {
		return c.now, nil
	}
	begin, _, err := clock.Day(day, c.zone)
	return begin, err
}
