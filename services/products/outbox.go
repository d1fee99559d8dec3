package products

import (
	"context"
	"encoding/json"
	"fmt"
	"math/big"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/services/identity"
)

// TopicUse is the outbox topic of what applications took from the chemical store.
const TopicUse = "products.use"

// Taken is what a confirmed application took.
type Taken struct {
	// Application and Person are names: what took it, and who applied it.
	Application string `json:"application"`
	Person      string `json:"person"`
	// Time of the application, UTC.
	Time time.Time `json:"time"`
	// Lines are the products of the mix. Their order tells them apart, so the same
	// command has them in the same order.
	Lines []TakenLine `json:"lines"`
}

// TakenLine is how much of one product was used.
type TakenLine struct {
	// Product is its name.
	Product string `json:"product"`
	// Container is the name of the one that it was taken from; empty when nobody
	// said.
	Container string `json:"container,omitempty"`
	// Amount is above zero, in a unit in which the product is measured out.
	Amount quantity.Quantity `json:"amount"`
}

// Consumer deducts from the chemical store what confirmed applications took. Each
// command is applied in the transaction that marks it delivered; a line that was
// deducted before is left, so that the same command twice changes nothing more.
func Consumer() postgres.Consumer {
	return postgres.Consumer{Name: "products", Topics: []string{TopicUse}, Apply: apply}
}

func apply(ctx context.Context, tx pgx.Tx, event postgres.Event) error {
	if event.Topic != TopicUse {
		return fmt.Errorf("the chemical store knows no command %q", event.Topic)
	}
	var command Taken
	if err := json.Unmarshal(event.Payload, &command); err != nil {
		return fmt.Errorf("payload of %s: %w", event.Topic, err)
	}
	d, err := readTaken(ctx, tx, event.Nursery, command)
	if err != nil {
		return err
	}
	return d.deduct(ctx, tx)
}

// deduction is a command with its names read.
type deduction struct {
	nursery, person, application string
	time                         time.Time
	zone                         *time.Location
	// day of the time in the nursery's zone.
	day   string
	lines []deductionLine
}

type deductionLine struct {
	product string
	// container is empty when nobody said which.
	container string
	// amount is in g or mL.
	amount quantity.Exact
}

func readTaken(ctx context.Context, tx pgx.Tx, nursery string, command Taken) (deduction, error) {
	at, err := identity.ReadNursery(ctx, tx, nursery)
	if err != nil {
		return deduction{}, err
	}
	people, err := ownIDs(nursery, "person", command.Person, "people")
	if err != nil {
		return deduction{}, err
	}
	d := deduction{
		nursery: nursery, person: people[0], application: command.Application, time: clock.Stored(command.Time),
		zone: at.Zone, day: command.Time.In(at.Zone).Format(time.DateOnly), lines: make([]deductionLine, len(command.Lines)),
	}
	for i, line := range command.Lines {
		if d.lines[i], err = readLine(nursery, fmt.Sprintf("lines[%d]", i), line); err != nil {
			return deduction{}, err
		}
	}
	return d, nil
}

func readLine(nursery, path string, line TakenLine) (deductionLine, error) {
	product, err := ownIDs(nursery, path+".product", line.Product, "products")
	if err != nil {
		return deductionLine{}, err
	}
	read := deductionLine{product: product[0]}
	if line.Container != "" {
		ids, err := ownIDs(nursery, path+".container", line.Container, "products", "containers")
		if err != nil {
			return deductionLine{}, err
		}
		if ids[0] != read.product {
			return deductionLine{}, fault.Field(path+".container", "%q is no container of %s", line.Container, read.product).
				With("container", line.Container).With("product", line.Product)
		}
		read.container = ids[1]
	}
	if !line.Amount.Positive() {
		return deductionLine{}, fault.Field(path+".amount", "must be above zero").With("value", line.Amount.String())
	}
	if read.amount, err = inBase(line.Amount); err != nil {
		return deductionLine{}, fault.Field(path+".amount", "%s", err)
	}
	return read, nil
}

// ownIDs reads the ids of a resource that must be in the nursery of the command.
func ownIDs(nursery, field, name string, collections ...string) ([]string, error) {
	ids, err := resource.Parse(field, name, append([]string{"nurseries"}, collections...)...)
	if err != nil {
		return nil, err
	}
	if ids[0] != nursery {
		return nil, fault.Field(field, "%q is not in the nursery %s", name, nursery).With("name", name)
	}
	return ids[1:], nil
}

// deduct takes every line from the containers of its product.
func (d deduction) deduct(ctx context.Context, tx pgx.Tx) error {
	products := make([]string, len(d.lines))
	for i, line := range d.lines {
		products[i] = line.product
	}
	containers, err := lockContainers(ctx, tx, d.nursery, products)
	if err != nil {
		return err
	}
	if err := readLastCounts(ctx, tx, d.nursery, containers); err != nil {
		return err
	}
	ofProduct := map[string][]Container{}
	for _, c := range containers {
		ofProduct[c.Product] = append(ofProduct[c.Product], c)
	}
	for i, line := range d.lines {
		first, err := insertUsed(ctx, tx, d.nursery, d.use(i, line.container, line.amount))
		if err != nil {
			return err
		}
		if !first {
			continue
		}
		if err := d.take(ctx, tx, i, ofProduct[line.product]); err != nil {
			return err
		}
	}
	return nil
}

// take takes one line from containers of its product, and leaves in them what
// they hold for the next.
func (d deduction) take(ctx context.Context, tx pgx.Tx, number int, containers []Container) error {
	line := d.lines[number]
	takings, err := takingsOf(containers, line.container, line.amount, d.time, d.day)
	if err != nil {
		return err
	}
	var events []containerEvent
	for _, taking := range takings {
		c := &containers[taking.index]
		if c.OpenDate == "" {
			c.OpenDate = max(d.day, c.ReceiveDate) // never before it came
			events = append(events, containerEvent{
				product: c.Product, container: c.ID, kind: eventOpened, day: c.OpenDate, person: d.person, time: d.time,
			})
		}
		if taking.seen {
			events = append(events, d.seenUse(number, *c))
			continue
		}
		change, err := c.take(taking.amount)
		if err != nil {
			return err
		}
		events = append(events, d.use(number, c.ID, change))
	}
	return enter(ctx, tx, d.nursery, events...)
}

// use is what one line took, from a container or as a whole.
func (d deduction) use(number int, container string, change quantity.Exact) containerEvent {
	return containerEvent{
		product: d.lines[number].product, container: container, kind: eventUsed, change: change,
		application: d.application, line: number, person: d.person, time: d.time,
	}
}

// seenUse is a use that the books are without already: they say that it was, and
// why nothing goes out for it.
func (d deduction) seenUse(number int, c Container) containerEvent {
	use := d.use(number, c.ID, quantity.ExactOf(new(big.Rat), c.left.Unit()))
	use.note = fmt.Sprintf("counted on %s, after this work had ended: the count is without it already",
		c.counted.In(d.zone).Format("2006-01-02 15:04"))
	return use
}
