package products

import (
	"context"
	"fmt"
	"log/slog"
	"math/big"
	"math/rand/v2"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	productsv1 "velamen/gen/velamen/products/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/postgres/pgtest"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
)

// late is an evening on which it is the next day already in Johannesburg.
var late = time.Date(2026, 3, 9, 22, 30, 0, 0, time.UTC)

const (
	nurseryToday = "2026-03-10"
	liquidName   = "nurseries/test/products/liquid"
	solidName    = "nurseries/test/products/solid"
)

// chemicalStore is a nursery with a solid and a liquid product.
type chemicalStore struct {
	fixture
	t *testing.T
}

func newChemicalStore(t *testing.T) chemicalStore {
	t.Helper()
	db := pgtest.NewAt(t, clock.Fixed(late))
	pgtest.AddNursery(t, db)
	conn := rpctest.Serve(t, func(server *rpc.Server) { productsv1.RegisterProductsServiceServer(server, New(db.DB)) })
	s := chemicalStore{t: t, fixture: fixture{
		db: db, client: productsv1.NewProductsServiceClient(conn), manager: rpctest.As(t.Context(), rpctest.Manager),
	}}
	for id, product := range map[string]*productsv1.Product{"solid": solid(), "liquid": liquid()} {
		_, err := s.client.CreateProduct(s.manager, create(id, product))
		require.NoError(t, err)
	}
	return s
}

func day(value string) *typev1.Date { return &typev1.Date{Value: value} }

func adding(product, id, value, unit string) *productsv1.CreateContainerRequest {
	return &productsv1.CreateContainerRequest{
		Parent: product, ContainerId: id, RequestId: uuid.NewString(),
		Container: &productsv1.Container{Size: amount(value, unit), ReceiveDate: day("2026-03-01")},
	}
}

func (s chemicalStore) add(product, id, value, unit string, more ...func(*productsv1.Container)) *productsv1.Container {
	s.t.Helper()
	request := adding(product, id, value, unit)
	for _, change := range more {
		change(request.GetContainer())
	}
	container, err := s.client.CreateContainer(s.manager, request)
	require.NoError(s.t, err)
	return container
}

func expires(on string) func(*productsv1.Container) {
	return func(c *productsv1.Container) { c.ExpireDate = day(on) }
}

func opened(on string) func(*productsv1.Container) {
	return func(c *productsv1.Container) { c.OpenDate = day(on) }
}

func (s chemicalStore) container(name string) *productsv1.Container {
	s.t.Helper()
	container, err := s.client.GetContainer(s.manager, &productsv1.GetContainerRequest{Name: name})
	require.NoError(s.t, err)
	return container
}

// left is what the books say of a container: "12.5 mL, open".
func (s chemicalStore) left(name string) string {
	s.t.Helper()
	c := s.container(name)
	return c.GetRemaining().GetAmount() + " " + c.GetRemaining().GetUnit() + " " + c.GetState().String()[len("CONTAINER_STATE_"):]
}

// history is a container's events: "USED -5 mL, 95 mL left".
func (s chemicalStore) history(name string) []string {
	s.t.Helper()
	response, err := s.client.ListContainerEvents(s.manager, &productsv1.ListContainerEventsRequest{Name: name, PageSize: 1000})
	require.NoError(s.t, err)
	var texts []string
	for _, event := range response.GetEvents() {
		kind := event.GetKind().String()[len("CONTAINER_EVENT_KIND_"):]
		remaining := event.GetRemaining().GetAmount() + " " + event.GetRemaining().GetUnit()
		if event.GetChange() == nil {
			texts = append(texts, kind+", "+remaining)
			continue
		}
		texts = append(texts, fmt.Sprintf("%s %s %s, %s", kind, event.GetChange().GetAmount(), event.GetChange().GetUnit(), remaining))
	}
	return texts
}

// send writes commands to the outbox and delivers what is due. It returns how
// many stay undelivered.
func (s chemicalStore) send(commands ...Taken) (undelivered int64) {
	s.t.Helper()
	ctx := context.Background()
	outbox := postgres.NewOutbox(s.db.DB, slog.New(slog.DiscardHandler), Consumer())
	for _, command := range commands {
		require.NoError(s.t, s.db.InTx(ctx, func(tx pgx.Tx) error {
			return outbox.Write(ctx, tx, TopicUse, "test", "nurseries/test", command)
		}))
	}
	require.NoError(s.t, outbox.Drain(ctx))
	undelivered, _, err := outbox.Pending(ctx)
	require.NoError(s.t, err)
	return undelivered
}

func application(id string) string { return "nurseries/test/applications/" + id }

func taken(id string, lines ...TakenLine) Taken {
	return Taken{Application: application(id), Person: "nurseries/test/people/wandile", Time: late.Add(-2 * time.Hour), Lines: lines}
}

func TestContainerIsKeptAsItCame(t *testing.T) {
	s := newChemicalStore(t)
	request := adding(liquidName, "jug-1", "32", "fl oz")
	request.Container.Batch, request.Container.Place = "B 7/26", "Shelf 2, left"
	request.Container.ExpireDate, request.Container.OpenDate = day("2028-02-29"), day("2026-03-10")
	made, err := s.client.CreateContainer(s.manager, request)
	require.NoError(t, err)
	want := proto.CloneOf(request.GetContainer())
	want.Name, want.CreateTime = liquidName+"/containers/jug-1", made.GetCreateTime()
	want.Remaining, want.State = amount("32", "fl oz"), productsv1.ContainerState_CONTAINER_STATE_OPEN
	require.True(t, proto.Equal(want, made), made)
	require.True(t, proto.Equal(made, s.container(made.GetName())))
	require.Equal(t, []string{"RECEIVED 32 fl oz, 32 fl oz", "OPENED, 32 fl oz"}, s.history(made.GetName()))

	again, err := s.client.CreateContainer(s.manager, request)
	require.NoError(t, err)
	require.True(t, proto.Equal(made, again), "a retry gets the first answer")
	require.Len(t, s.history(made.GetName()), 2)
}

func TestEventsTellWhoWhenAndWhy(t *testing.T) {
	s := newChemicalStore(t)
	name := s.add(liquidName, "c", "500", "mL").GetName()
	require.Zero(t, s.send(taken("a1", TakenLine{Product: liquidName, Container: name, Amount: quantity.Must("20", quantity.Millilitre)})))
	_, err := s.client.CountContainer(s.manager, &productsv1.CountContainerRequest{
		Name: name, Counted: amount("470", "mL"), Note: "10 mL were spilt", RequestId: uuid.NewString(),
	})
	require.NoError(t, err)
	response, err := s.client.ListContainerEvents(s.manager, &productsv1.ListContainerEventsRequest{Name: name})
	require.NoError(t, err)
	events := response.GetEvents()
	require.Len(t, events, 4)
	received, opening, used, counted := events[0], events[1], events[2], events[3]
	require.Equal(t, "nurseries/test/people/mira", received.GetPerson())
	require.Equal(t, time.Date(2026, 2, 28, 22, 0, 0, 0, time.UTC), received.GetEventTime().AsTime(), "when the day began at the nursery")
	require.Equal(t, "nurseries/test/people/wandile", opening.GetPerson())
	require.Nil(t, opening.GetChange())
	require.Equal(t, application("a1"), used.GetApplication())
	require.Equal(t, late.Add(-2*time.Hour), used.GetEventTime().AsTime())
	require.Empty(t, opening.GetApplication())
	require.Equal(t, "10 mL were spilt", counted.GetNote())
	require.Equal(t, late, counted.GetEventTime().AsTime())
	require.Equal(t, "2026-03-09", s.container(name).GetOpenDate().GetValue(), "20:30 UTC is 22:30 of the same day in Johannesburg")
}

func TestRefusedContainers(t *testing.T) {
	s := newChemicalStore(t)
	for name, test := range map[string]struct {
		product string
		spoil   func(c *productsv1.Container)
		field   string
	}{
		"a volume of a solid":              {solidName, func(c *productsv1.Container) { c.Size = amount("1", "L") }, "container.size"},
		"a mass of a liquid":               {liquidName, func(c *productsv1.Container) { c.Size = amount("1", "kg") }, "container.size"},
		"milligrams":                       {solidName, func(c *productsv1.Container) { c.Size = amount("1", "mg") }, "container.size"},
		"an unknown unit":                  {solidName, func(c *productsv1.Container) { c.Size = amount("1", "stone") }, "container.size"},
		"nothing":                          {solidName, func(c *productsv1.Container) { c.Size = amount("0", "kg") }, "container.size"},
		"less than nothing":                {solidName, func(c *productsv1.Container) { c.Size = amount("-1", "kg") }, "container.size"},
		"no size":                          {solidName, func(c *productsv1.Container) { c.Size = nil }, "container.size"},
		"no day of arrival":                {solidName, func(c *productsv1.Container) { c.ReceiveDate = nil }, "container.receive_date"},
		"comes tomorrow":                   {solidName, func(c *productsv1.Container) { c.ReceiveDate = day("2026-03-11") }, "container.receive_date"},
		"no day of the calendar":           {solidName, func(c *productsv1.Container) { c.ReceiveDate = day("2026-02-30") }, "container.receive_date"},
		"the year 0":                       {solidName, func(c *productsv1.Container) { c.ReceiveDate = day("0000-01-01") }, "container.receive_date"},
		"expired before it came":           {solidName, func(c *productsv1.Container) { c.ExpireDate = day("2026-02-28") }, "container.expire_date"},
		"expires on no day":                {solidName, func(c *productsv1.Container) { c.ExpireDate = day("2026-13-01") }, "container.expire_date"},
		"opened before it came":            {solidName, func(c *productsv1.Container) { c.OpenDate = day("2026-02-28") }, "container.open_date"},
		"opened tomorrow":                  {solidName, func(c *productsv1.Container) { c.OpenDate = day("2026-03-11") }, "container.open_date"},
		"a batch longer than any print":    {solidName, func(c *productsv1.Container) { c.Batch = string(make([]byte, 61)) }, "container.batch"},
		"a control character in the batch": {solidName, func(c *productsv1.Container) { c.Batch = "B\x1b[2J" }, "container.batch"},
		"a tab in the place":               {solidName, func(c *productsv1.Container) { c.Place = "a\tb" }, "container.place"},
		"a NUL in the place":               {solidName, func(c *productsv1.Container) { c.Place = "a\x00" }, "container.place"},
	} {
		t.Run(name, func(t *testing.T) {
			request := adding(test.product, "c", "1", "kg")
			test.spoil(request.GetContainer())
			_, err := s.client.CreateContainer(s.manager, request)
			rpctest.RefusedField(t, err, test.field)
		})
	}
	_, err := s.client.GetContainer(s.manager, &productsv1.GetContainerRequest{Name: solidName + "/containers/c"})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)

	_, err = s.client.CreateContainer(s.manager, adding("nurseries/test/products/none", "c", "1", "kg"))
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	_, err = s.client.CreateContainer(s.manager, adding(solidName, "Bag 1", "1", "kg"))
	rpctest.RefusedField(t, err, "container_id")
	_, err = s.client.CreateContainer(rpctest.As(t.Context(), rpctest.Worker), adding(solidName, "c", "1", "kg"))
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)

	s.add(solidName, "c", "1", "kg", func(c *productsv1.Container) { c.ReceiveDate = day(nurseryToday) })
	_, err = s.client.CreateContainer(s.manager, adding(solidName, "c", "2", "kg"))
	rpctest.Refused(t, err, codes.AlreadyExists, fault.AlreadyExists)
	require.Equal(t, "1 kg SEALED", s.left(solidName+"/containers/c"))
}

func TestOpeningIsRefusedOnADayOnWhichItCannotHaveBeen(t *testing.T) {
	s := newChemicalStore(t)
	name := s.add(solidName, "c", "1", "kg").GetName()
	open := func(on string) error {
		_, err := s.client.OpenContainer(rpctest.As(t.Context(), rpctest.Worker), &productsv1.OpenContainerRequest{
			Name: name, OpenDate: day(on), RequestId: uuid.NewString(),
		})
		return err
	}
	for _, on := range []string{"2026-03-11", "2026-02-28", "2026-03-32"} {
		rpctest.RefusedField(t, open(on), "open_date")
	}
	require.NoError(t, open(nurseryToday), "it is the tenth at the nursery, though the ninth in UTC")
	_, values := rpctest.Refused(t, open(nurseryToday), codes.FailedPrecondition, fault.InvalidField)
	require.Equal(t, nurseryToday, values["opened"])
	require.Equal(t, "1 kg OPEN", s.left(name))
}

func (s chemicalStore) count(name, value, unit string) error {
	_, err := s.client.CountContainer(s.manager, &productsv1.CountContainerRequest{
		Name: name, Counted: amount(value, unit), Note: "counted", RequestId: uuid.NewString(),
	})
	return err
}

func (s chemicalStore) discard(name string) error {
	_, err := s.client.DiscardContainer(s.manager, &productsv1.DiscardContainerRequest{
		Name: name, Note: "collection point", RequestId: uuid.NewString(),
	})
	return err
}

func TestACountIsAnEntryOfItsOwn(t *testing.T) {
	s := newChemicalStore(t)
	name := s.add(solidName, "c", "1", "kg").GetName()
	require.NoError(t, s.count(name, "250.5", "g"))
	require.NoError(t, s.count(name, "250.5", "g"), "a count that agrees is on the books too")
	require.NoError(t, s.count(name, "0", "g"))
	require.Equal(t, "0 kg EMPTY", s.left(name))
	require.NoError(t, s.count(name, "1", "kg"))
	require.Equal(t, "1 kg SEALED", s.left(name))
	require.Equal(t, []string{
		"RECEIVED 1 kg, 1 kg", "COUNTED -0.7495 kg, 0.2505 kg", "COUNTED 0 kg, 0.2505 kg", "COUNTED -0.2505 kg, 0 kg", "COUNTED 1 kg, 1 kg",
	}, s.history(name))

	for counted, unit := range map[string]string{"1.000001": "kg", "1000.000001": "g", "2.21": "lb", "-1": "g", "1": "L", "0.5": "m2"} {
		rpctest.RefusedField(t, s.count(name, counted, unit), "counted")
	}
	_, err := s.client.CountContainer(s.manager, &productsv1.CountContainerRequest{Name: name, Counted: amount("1", "g"), RequestId: uuid.NewString()})
	rpctest.RefusedField(t, err, "note")
	_, err = s.client.CountContainer(rpctest.As(t.Context(), rpctest.Worker), &productsv1.CountContainerRequest{
		Name: name, Counted: amount("1", "g"), Note: "n", RequestId: uuid.NewString(),
	})
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
	require.Equal(t, "1 kg SEALED", s.left(name))
}

func TestNothingHappensToAContainerThatWasDisposedOf(t *testing.T) {
	s := newChemicalStore(t)
	name := s.add(solidName, "c", "1", "kg").GetName()
	require.NoError(t, s.discard(name))
	require.Equal(t, "0 kg DISCARDED", s.left(name))
	require.Equal(t, []string{"RECEIVED 1 kg, 1 kg", "DISCARDED -1 kg, 0 kg"}, s.history(name))
	_, err := s.client.OpenContainer(s.manager, &productsv1.OpenContainerRequest{Name: name, OpenDate: day(nurseryToday), RequestId: uuid.NewString()})
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.ContainerInsufficient)
	rpctest.Refused(t, s.count(name, "1", "kg"), codes.FailedPrecondition, fault.ContainerInsufficient)
	rpctest.Refused(t, s.discard(name), codes.FailedPrecondition, fault.ContainerInsufficient)
	require.Zero(t, s.send(taken("a1", TakenLine{Product: solidName, Container: name, Amount: quantity.Must("5", quantity.Gram)})))
	require.Len(t, s.history(name), 2)

	below := s.add(solidName, "d", "1", "g").GetName()
	require.Zero(t, s.send(taken("a2", TakenLine{Product: solidName, Container: below, Amount: quantity.Must("5", quantity.Gram)})))
	require.NoError(t, s.discard(below))
	require.Equal(t, "-4 g DISCARDED", s.left(below), "nothing was there to go out, and the shortage stays visible")
}

func TestContainersAreListedByName(t *testing.T) {
	s := newChemicalStore(t)
	for _, id := range []string{"b", "a", "c-1"} {
		s.add(solidName, id, "1", "kg")
	}
	s.add(liquidName, "z", "1", "L")
	list := func(parent string) []string {
		var names []string
		for token := ""; ; {
			response, err := s.client.ListContainers(s.manager, &productsv1.ListContainersRequest{Parent: parent, PageSize: 2, PageToken: token})
			require.NoError(t, err)
			for _, c := range response.GetContainers() {
				ids, err := resource.Parse("name", c.GetName(), "nurseries", "products", "containers")
				require.NoError(t, err)
				names = append(names, ids[1]+"/"+ids[2])
			}
			if token = response.GetNextPageToken(); token == "" {
				return names
			}
		}
	}
	require.Equal(t, []string{"liquid/z", "solid/a", "solid/b", "solid/c-1"}, list("nurseries/test/products/-"))
	require.Equal(t, []string{"solid/a", "solid/b", "solid/c-1"}, list(solidName))
	_, err := s.client.ListContainers(s.manager, &productsv1.ListContainersRequest{Parent: "nurseries/test/products/none"})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	_, err = s.client.ListContainers(s.manager, &productsv1.ListContainersRequest{Parent: "nurseries/other/products/-"})
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
}

func TestHistoryIsPaged(t *testing.T) {
	s := newChemicalStore(t)
	name := s.add(solidName, "c", "1", "kg").GetName()
	for i := range 4 {
		require.NoError(t, s.count(name, strconv.Itoa(100-i), "g"))
	}
	var changes []string
	for token := ""; ; {
		response, err := s.client.ListContainerEvents(s.manager, &productsv1.ListContainerEventsRequest{Name: name, PageSize: 2, PageToken: token})
		require.NoError(t, err)
		for _, event := range response.GetEvents() {
			changes = append(changes, event.GetRemaining().GetAmount())
		}
		if token = response.GetNextPageToken(); token == "" {
			break
		}
	}
	require.Equal(t, []string{"1", "0.1", "0.099", "0.098", "0.097"}, changes)
}

func TestTheFormOfAProductStaysWhileItHasContainers(t *testing.T) {
	s := newChemicalStore(t)
	turn := func() error {
		_, err := s.client.UpdateProduct(s.manager, &productsv1.UpdateProductRequest{
			Product: &productsv1.Product{
				Name: solidName, Form: liquid().GetForm(), Formulation: liquid().GetFormulation(),
				Contents: liquid().GetContents(), Directions: liquid().GetDirections(),
			},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"form", "formulation", "contents", "directions"}},
			RequestId:  uuid.NewString(),
		})
		return err
	}
	s.add(solidName, "c", "1", "kg")
	rpctest.Refused(t, turn(), codes.FailedPrecondition, fault.InvalidField)
}

func TestTheSameCommandTwiceTakesOnce(t *testing.T) {
	s := newChemicalStore(t)
	name := s.add(liquidName, "c", "500", "mL").GetName()
	line := TakenLine{Product: liquidName, Amount: quantity.Must("20", quantity.Millilitre)}
	require.Zero(t, s.send(taken("a1", line), taken("a1", line)))
	require.Equal(t, "480 mL OPEN", s.left(name))
	require.Zero(t, s.send(taken("a1", line, line)))
	require.Equal(t, "460 mL OPEN", s.left(name), "only the line that was not taken yet")
	require.Equal(t, []string{"RECEIVED 500 mL, 500 mL", "OPENED, 500 mL", "USED -20 mL, 480 mL", "USED -20 mL, 460 mL"}, s.history(name))
}

// Work is often confirmed hours after it was done, when a phone has coverage
// again. A count in between was made without what the work took.
func TestWorkThatEndedBeforeACountIsNotTakenOffTwice(t *testing.T) {
	s := newChemicalStore(t)
	name := s.add(liquidName, "jug", "500", "mL", opened("2026-03-02")).GetName()
	sealed := s.add(liquidName, "next", "500", "mL").GetName()
	require.NoError(t, s.count(name, "480", "mL"))
	line := TakenLine{Product: liquidName, Amount: quantity.Must("20", quantity.Millilitre)}
	late1, late2, later := taken("late", line), taken("late-named", line), taken("later", line)
	late2.Lines = []TakenLine{{Product: liquidName, Container: name, Amount: line.Amount}}
	later.Time = late
	require.Zero(t, s.send(late1, late2))
	require.Equal(t, "480 mL OPEN", s.left(name))
	require.Equal(t, "500 mL SEALED", s.left(sealed))
	require.Zero(t, s.send(later))
	require.Equal(t, "460 mL OPEN", s.left(name), "work after the count is taken off")

	require.Equal(t, []string{
		"RECEIVED 500 mL, 500 mL", "OPENED, 500 mL", "COUNTED -20 mL, 480 mL", "USED 0 mL, 480 mL", "USED 0 mL, 480 mL", "USED -20 mL, 460 mL",
	}, s.history(name))
	events, err := s.client.ListContainerEvents(s.manager, &productsv1.ListContainerEventsRequest{Name: name})
	require.NoError(t, err)
	require.Equal(t, application("late"), events.GetEvents()[3].GetApplication())
	require.Equal(t, "counted on 2026-03-10 00:30, after this work had ended: the count is without it already", events.GetEvents()[3].GetNote())
	var used int
	require.NoError(t, s.db.QueryRow(t.Context(), `SELECT count(*) FROM products.used WHERE amount = 20`).Scan(&used))
	require.Equal(t, 3, used, "what was used is noted each time")
}

// Whoever takes from a sealed container has opened it.
func TestTakingFromASealedContainerOpensIt(t *testing.T) {
	s := newChemicalStore(t)
	for id, named := range map[string]bool{"a": true, "b": false} {
		product := map[bool]string{true: solidName, false: liquidName}[named]
		unit := map[bool]quantity.Unit{true: quantity.Gram, false: quantity.Millilitre}[named]
		name := s.add(product, id, "100", string(unit)).GetName()
		require.Equal(t, "100 "+string(unit)+" SEALED", s.left(name))
		line := TakenLine{Product: product, Amount: quantity.Must("1", unit)}
		if named {
			line.Container = name
		}
		require.Zero(t, s.send(taken(id, line)))
		require.Equal(t, "99 "+string(unit)+" OPEN", s.left(name))
		require.Equal(t, "2026-03-09", s.container(name).GetOpenDate().GetValue(), "the day of the work")
	}
}

func TestAProductThatIsNotCountedIsNotDeducted(t *testing.T) {
	s := newChemicalStore(t)
	line := TakenLine{Product: liquidName, Amount: quantity.Must("20", quantity.Millilitre)}
	require.Zero(t, s.send(taken("a1", line)))
	store, err := ReadStore(t.Context(), s.db, "test", []string{"liquid"})
	require.NoError(t, err)
	require.False(t, store["liquid"].Counted)

	name := s.add(liquidName, "c", "500", "mL").GetName()
	require.Zero(t, s.send(taken("a1", line)))
	require.Equal(t, "500 mL SEALED", s.left(name), "what was used before it came is not taken from it")
}

func TestAMixTakesEachOfItsProducts(t *testing.T) {
	s := newChemicalStore(t)
	bag := s.add(solidName, "bag", "1", "lb").GetName()
	first := s.add(liquidName, "b", "30", "mL", expires("2026-05-01")).GetName()
	second := s.add(liquidName, "a", "1", "L").GetName()
	require.Zero(t, s.send(taken("a1",
		TakenLine{Product: liquidName, Amount: quantity.Must("50", quantity.Millilitre)},
		TakenLine{Product: solidName, Container: bag, Amount: quantity.Must("500", quantity.Gram)},
		TakenLine{Product: liquidName, Amount: quantity.Must("0.1", quantity.Litre)},
	)))
	require.Equal(t, "0 mL EMPTY", s.left(first))
	require.Equal(t, "0.88 L OPEN", s.left(second))
	require.Equal(t, "-0.102311 lb EMPTY", s.left(bag), "what was really used is on the books; count it")
}

func TestACommandThatMakesNoSenseChangesNothing(t *testing.T) {
	five := quantity.Must("5", quantity.Gram)
	for name, line := range map[string]TakenLine{
		"another nursery's product":     {Product: "nurseries/other/products/solid", Amount: five},
		"another product's container":   {Product: solidName, Container: liquidName + "/containers/c", Amount: five},
		"a product that does not exist": {Product: "nurseries/test/products/none", Amount: five},
		"a volume of a solid":           {Product: solidName, Amount: quantity.Must("5", quantity.Millilitre)},
		"no amount":                     {Product: solidName},
		"less than nothing":             {Product: solidName, Amount: quantity.Must("-5", quantity.Gram)},
		"an area":                       {Product: solidName, Amount: quantity.Must("5", quantity.SquareMetre)},
	} {
		t.Run(name, func(t *testing.T) {
			s := newChemicalStore(t)
			bag := s.add(solidName, "c", "1", "kg").GetName()
			require.Equal(t, int64(1), s.send(taken("a1", TakenLine{Product: solidName, Amount: five}, line)))
			require.Equal(t, "1 kg SEALED", s.left(bag), "a command is applied whole or not at all")
		})
	}
}

// The conversion is exact: 1 US fluid ounce is 29.5735295625 mL (NIST Special
// Publication 811, appendix B: 1 gal = 3.785411784 L, of 128 fl oz).
func TestMillilitresAreTakenFromFluidOuncesExactly(t *testing.T) {
	s := newChemicalStore(t)
	name := s.add(liquidName, "jug", "32", "fl oz").GetName()
	line := func(value string, unit quantity.Unit) TakenLine {
		return TakenLine{Product: liquidName, Amount: quantity.Must(value, unit)}
	}
	exact := func() string {
		var text string
		require.NoError(t, s.db.QueryRow(t.Context(), `SELECT trim_scale(remaining)::text FROM products.container`).Scan(&text))
		return text
	}
	require.Equal(t, "946.352946", exact())
	require.Zero(t, s.send(taken("a1", line("0.1", quantity.Millilitre))))
	require.Equal(t, "946.252946", exact())
	require.Equal(t, "31.996619 fl oz OPEN", s.left(name))
	require.Zero(t, s.send(taken("a2", line("0.000001", quantity.FluidOunce))))
	require.Equal(t, "946.2529164264704375", exact())
	for i := range 3 {
		require.Zero(t, s.send(taken("b"+strconv.Itoa(i), line("0.001", quantity.Millilitre))))
	}
	require.Equal(t, "946.2499164264704375", exact())
	require.NoError(t, s.count(name, "0", "mL"))
	require.Equal(t, "0", exact())
	require.Equal(t, "0 fl oz EMPTY", s.left(name))
}

func TestOtherServicesReadTheStoreInOneStatement(t *testing.T) {
	s := newChemicalStore(t)
	s.add(liquidName, "late", "500", "mL", expires("2027-05-01"))
	s.add(liquidName, "soon", "500", "mL", expires("2026-05-01"))
	s.add(liquidName, "open", "500", "mL", opened("2026-03-02"))
	empty := s.add(liquidName, "empty", "500", "mL").GetName()
	require.NoError(t, s.count(empty, "0", "mL"))
	gone := s.add(solidName, "gone", "1", "kg").GetName()
	require.NoError(t, s.discard(gone))
	store, err := ReadStore(t.Context(), s.db, "test", []string{"liquid", "solid", "none"})
	require.NoError(t, err)
	var ids []string
	for _, c := range store["liquid"].Containers {
		ids = append(ids, c.ID)
	}
	require.Equal(t, []string{"open", "soon", "late"}, ids)
	require.Equal(t, StoreOf{Counted: true}, store["solid"], "counted, and nothing is left")
	require.Equal(t, StoreOf{}, store["none"])
	soon := store["liquid"].Containers[1]
	require.Equal(t, "500 mL", soon.Remaining.String())
	require.Equal(t, "2026-05-01", soon.ExpireDate)
	require.Equal(t, "2026-03-01", soon.ReceiveDate)
	require.Empty(t, soon.OpenDate)
	other, err := ReadStore(t.Context(), s.db, "other", []string{"liquid"})
	require.NoError(t, err)
	require.False(t, other["liquid"].Counted)
}

func TestCheckOfProductsLooksIntoTheStore(t *testing.T) {
	s := newChemicalStore(t)
	s.add(liquidName, "over", "500", "mL", expires("2026-03-09"))
	bag := s.add(solidName, "bag", "10", "g").GetName()
	s.add(solidName, "fine", "10", "g", expires("2028-01-01"))
	require.Zero(t, s.send(taken("a1", TakenLine{Product: solidName, Container: bag, Amount: quantity.Must("12", quantity.Gram)})))
	response, err := s.client.CheckProducts(s.manager, &productsv1.CheckProductsRequest{Parent: "nurseries/test"})
	require.NoError(t, err)
	var got []string
	for _, finding := range response.GetFindings() {
		if strings.HasPrefix(finding.GetField(), "containers/") {
			got = append(got, fmt.Sprintf("%s %s %s %t", finding.GetProduct(), finding.GetField(), finding.GetRule(), finding.GetRefuses()))
		}
	}
	require.Equal(t, []string{
		liquidName + " containers/over container-expired true",
		solidName + " containers/bag container-count-due false",
	}, got)
}

// The database itself refuses what would lose or invent chemical, whoever writes.
func TestDatabaseRefusesAContainerThatIsNotItsEvents(t *testing.T) {
	s := newChemicalStore(t)
	name := s.add(solidName, "c", "10", "g").GetName()
	const (
		event     = `INSERT INTO products.container_event (nursery, product, container, kind, change, note, person, event_time) VALUES ('test', 'solid', 'c', '%s', %d, '%s', 'mira', now())`
		remaining = `UPDATE products.container SET remaining = remaining + %d`
		container = `INSERT INTO products.container (nursery, product, id, batch, size, unit, receive_date, place, remaining, create_time) VALUES ('test', 'solid', 'new', '', 10, 'g', '2026-03-01', '', 10, now())`
		used      = `INSERT INTO products.container_event (nursery, product, container, kind, change, application, line, person, event_time) VALUES ('test', 'solid', 'c', 'USED', -1, 'x', 0, 'mira', now())`
	)
	add := func(kind string, change int, note string) string { return fmt.Sprintf(event, kind, change, note) }
	by := func(change int) string { return fmt.Sprintf(remaining, change) }
	for _, test := range []struct {
		name       string
		statements []string
		constraint string
	}{
		{"less without an event", []string{by(-1)}, "container_is_its_events"},
		{"an event without a change", []string{add("COUNTED", -1, "n")}, "container_is_its_events"},
		{"an event for less than went out", []string{add("COUNTED", -1, "n"), by(-2)}, "container_is_its_events"},
		{"a container from nowhere", []string{container}, "container_is_its_events"},
		{"open without an opening", []string{`UPDATE products.container SET open_date = '2026-03-02'`}, "container_is_its_events"},
		{"an opening that leaves it sealed", []string{add("OPENED", 0, "")}, "container_is_its_events"},
		{"disposed of without a disposal", []string{`UPDATE products.container SET discarded = true`}, "container_is_its_events"},
		{"an opening that takes something out", []string{add("OPENED", -1, ""), by(-1)}, "container_event_sign_of_kind"},
		{"a disposal that puts something in", []string{add("DISCARDED", 1, "n"), by(1)}, "container_event_sign_of_kind"},
		{"a kind that does not exist", []string{add("STOLEN", -1, "n"), by(-1)}, "container_event_sign_of_kind"},
		{"a use without an application", []string{add("USED", -1, ""), by(-1)}, "container_event_use_has_application"},
		{"a use that no application noted", []string{used, by(-1)}, "container_event_used"},
		{"a count without a reason", []string{add("COUNTED", -1, ""), by(-1)}, "container_event_says_why"},
		{"it comes twice", []string{add("RECEIVED", 1, ""), by(1)}, "container_event_once"},
		{"opened before it came", []string{`UPDATE products.container SET open_date = '2026-02-28'`, add("OPENED", 0, "")}, "container_opened_after_it_came"},
	} {
		t.Run(test.name, func(t *testing.T) {
			var refused *pgconn.PgError
			require.ErrorAs(t, commit(s.db.AppURL, test.statements...), &refused)
			require.Equal(t, test.constraint, refused.ConstraintName, refused.Message)
			require.Len(t, s.history(name), 1)
		})
	}
	require.NoError(t, commit(s.db.AppURL, by(-3), add("COUNTED", -3, "spilt")), "the order within a transaction does not matter")
}

func TestTheBooksCannotBeChanged(t *testing.T) {
	s := newChemicalStore(t)
	name := s.add(solidName, "c", "10", "g").GetName()
	require.Zero(t, s.send(taken("a1", TakenLine{Product: solidName, Amount: quantity.Must("1", quantity.Gram)})))
	for _, statement := range []string{
		`UPDATE products.container_event SET note = 'x'`,
		`UPDATE products.container_event SET note = 'x' WHERE false`,
		`DELETE FROM products.container_event`,
		`TRUNCATE products.container_event`,
		`TRUNCATE products.container CASCADE`,
		`UPDATE products.used SET amount = 2`,
		`DELETE FROM products.used`,
		`TRUNCATE products.used CASCADE`,
	} {
		t.Run(statement, func(t *testing.T) {
			var refused *pgconn.PgError
			require.ErrorAs(t, commit(s.db.AppURL, statement), &refused)
			require.Equal(t, "42501", refused.Code, "the application has no grant")
			require.ErrorAs(t, commit(s.db.OwnerURL, statement), &refused)
			require.Equal(t, "container_event_append_only", refused.ConstraintName, "the owner meets the trigger")
		})
	}
	for _, statement := range []string{
		`DELETE FROM products.container`,
		`UPDATE products.container SET size = 20`,
		`INSERT INTO products.container_event (nursery, product, container, kind, change, note, person, event_time, enter_time)
			VALUES ('test', 'solid', 'c', 'COUNTED', 0, 'n', 'mira', now(), now() - interval '1 year')`,
	} {
		var refused *pgconn.PgError
		require.ErrorAs(t, commit(s.db.AppURL, statement), &refused)
		require.Equal(t, "42501", refused.Code, statement)
	}
	require.Len(t, s.history(name), 3)
}

// commit runs statements in one transaction on a connection of its own.
func commit(url string, statements ...string) error {
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(ctx) }()
	return pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error {
		for _, statement := range statements {
			if _, err := tx.Exec(ctx, statement); err != nil {
				return err
			}
		}
		return nil
	})
}

// Whatever happens to containers, in whatever units, the books and a count beside
// them agree to the last digit: what came in is what is left and what went out.
func TestBooksNeverLoseAnything(t *testing.T) {
	s := newChemicalStore(t)
	random := rand.New(rand.NewPCG(2026, 3))
	units := AmountUnits(productsv1.ProductForm_PRODUCT_FORM_LIQUID)
	some := func(most int) quantity.Quantity {
		whole := strconv.Itoa(random.IntN(most))
		return quantity.Must(whole+"."+strconv.Itoa(100000+random.IntN(900000)), units[random.IntN(len(units))])
	}
	base := func(q quantity.Quantity) *big.Rat {
		exact, err := inBase(q)
		require.NoError(t, err)
		return exact.Amount()
	}
	var names []string
	came, used := new(big.Rat), new(big.Rat)
	for step := range 300 {
		pick := ""
		if len(names) > 0 {
			pick = names[random.IntN(len(names))]
		}
		switch kind := random.IntN(10); {
		case kind < 2 || pick == "":
			size := some(40)
			names = append(names, s.add(liquidName, "c"+strconv.Itoa(step), size.Plain(), string(size.Unit)).GetName())
			came.Add(came, base(size))
		case kind < 7:
			line := TakenLine{Product: liquidName, Amount: some(5)}
			gone := false
			if random.IntN(2) == 0 {
				line.Container = pick
				gone = s.container(pick).GetState() == productsv1.ContainerState_CONTAINER_STATE_DISCARDED
			}
			command := taken("a"+strconv.Itoa(step), line)
			command.Time = late // not before a count
			require.Zero(t, s.send(command))
			if !gone && s.anyKept(names) {
				used.Add(used, base(line.Amount))
			}
		case kind == 7:
			_, _ = s.client.OpenContainer(s.manager, &productsv1.OpenContainerRequest{Name: pick, OpenDate: day(nurseryToday), RequestId: uuid.NewString()})
		case kind == 8:
			counted := some(3)
			_ = s.count(pick, counted.Plain(), string(counted.Unit))
		case random.IntN(4) == 0:
			_ = s.discard(pick)
		}
	}
	var remaining, changed, received, usedUp, corrected, disposed string
	require.NoError(t, s.db.QueryRow(t.Context(), `
		SELECT (SELECT sum(remaining)::text FROM products.container), sum(change)::text,
			coalesce(sum(change) FILTER (WHERE kind = 'RECEIVED'), 0)::text, coalesce(-sum(change) FILTER (WHERE kind = 'USED'), 0)::text,
			coalesce(sum(change) FILTER (WHERE kind = 'COUNTED'), 0)::text, coalesce(-sum(change) FILTER (WHERE kind = 'DISCARDED'), 0)::text
		FROM products.container_event`).Scan(&remaining, &changed, &received, &usedUp, &corrected, &disposed))
	of := func(text string) *big.Rat {
		amount, ok := new(big.Rat).SetString(text)
		require.True(t, ok, text)
		return amount
	}
	require.Zero(t, of(remaining).Cmp(of(changed)), "%s left, %s by the events", remaining, changed)
	require.Zero(t, of(received).Cmp(came), "%s came, %s by the events", came.FloatString(20), received)
	require.Zero(t, of(usedUp).Cmp(used), "%s used, %s by the events", used.FloatString(20), usedUp)
	left := new(big.Rat).Sub(came, used)
	left.Add(left, of(corrected)).Sub(left, of(disposed))
	require.Zero(t, left.Cmp(of(remaining)))
}

func (s chemicalStore) anyKept(names []string) bool {
	s.t.Helper()
	for _, name := range names {
		if s.container(name).GetState() != productsv1.ContainerState_CONTAINER_STATE_DISCARDED {
			return true
		}
	}
	return false
}

func TestApplicationsAtTheSameTimeTakeOneAfterTheOther(t *testing.T) {
	s := newChemicalStore(t)
	bag := s.add(solidName, "bag", "1", "kg").GetName()
	jug := s.add(liquidName, "jug", "1", "L").GetName()
	ctx := context.Background()
	outbox := postgres.NewOutbox(s.db.DB, slog.New(slog.DiscardHandler), Consumer())
	lines := []TakenLine{
		{Product: solidName, Amount: quantity.Must("1", quantity.Gram)}, {Product: liquidName, Amount: quantity.Must("1", quantity.Millilitre)},
	}
	for i := range 40 {
		// Each in an order of its own, and on a subject of its own.
		if i%2 == 1 {
			lines = []TakenLine{lines[1], lines[0]}
		}
		require.NoError(t, s.db.InTx(ctx, func(tx pgx.Tx) error {
			return outbox.Write(ctx, tx, TopicUse, "test", application(strconv.Itoa(i)), taken(strconv.Itoa(i), lines...))
		}))
	}
	var workers sync.WaitGroup
	for range 4 {
		workers.Go(func() { _ = outbox.Drain(ctx) })
	}
	for i := range 20 {
		require.NoError(t, s.count(bag, strconv.Itoa(900+i), "g"))
	}
	workers.Wait()
	require.NoError(t, outbox.Drain(ctx))
	undelivered, failing, err := outbox.Pending(ctx)
	require.NoError(t, err)
	require.Zero(t, undelivered)
	require.Zero(t, failing)
	require.Equal(t, "0.96 L OPEN", s.left(jug))
	require.Len(t, s.history(bag), 1+1+40+20)
}
