package products

import (
	"cmp"
	"fmt"
	"math/big"
	"slices"
	"strings"
	"time"

	productsv1 "velamen/gen/velamen/products/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/quantity"
)

// Container is one bag, box, bottle or drum in the chemical store.
type Container struct {
	// Product and ID are the last parts of its name.
	Product, ID string
	// Batch is the manufacturer's, as printed on it.
	Batch string
	// Size is what it held when it came, in the unit in which it was entered.
	Size quantity.Quantity
	// Remaining is what the books say is left, in the unit of Size, rounded to
	// the places of a record. Below zero when more was confirmed as used than was
	// there.
	Remaining quantity.Quantity
	// ReceiveDate, ExpireDate and OpenDate are days in the nursery's zone,
	// YYYY-MM-DD. ExpireDate is the last day of use, empty when none is printed;
	// OpenDate is empty while it is sealed.
	ReceiveDate, ExpireDate, OpenDate string
	// Place is where it stands in the store.
	Place string
	// Discarded says that it was disposed of.
	Discarded bool
	// CreateTime is when it was entered, UTC.
	CreateTime time.Time

	// left is what Remaining rounds, in g or mL.
	left quantity.Exact
	// counted is when it was counted last, UTC; zero when it never was, and where
	// nothing is taken from it.
	counted time.Time
}

// StoreOf is what the chemical store holds of a product.
type StoreOf struct {
	// Counted says that a container of the product was entered at some time. A
	// product that is not counted may be there all the same.
	Counted bool
	// Containers are those with anything in them, in the order in which they are
	// used up.
	Containers []Container
}

// Kinds of event, as stored: the contract's names without their prefix.
const (
	eventReceived  = "RECEIVED"
	eventOpened    = "OPENED"
	eventUsed      = "USED"
	eventCounted   = "COUNTED"
	eventDiscarded = "DISCARDED"
)

const eventKindPrefix = "CONTAINER_EVENT_KIND_"

// containerEvent is one thing that happened to a container.
type containerEvent struct {
	id                 int64
	product, container string
	kind               string
	// change is in g or mL.
	change quantity.Exact
	// remaining is what was left afterwards, in g or mL; only in a history.
	remaining quantity.Exact
	// day is that of an opening, YYYY-MM-DD; only for OPENED.
	day string
	// application and line say what took it, only for USED.
	application string
	line        int
	note        string
	person      string
	time        time.Time
}

// State says whether anything is in the container.
func (c Container) State() productsv1.ContainerState {
	switch {
	case c.Discarded:
		return productsv1.ContainerState_CONTAINER_STATE_DISCARDED
	case !c.Remaining.Positive():
		return productsv1.ContainerState_CONTAINER_STATE_EMPTY
	case c.OpenDate == "":
		return productsv1.ContainerState_CONTAINER_STATE_SEALED
	default:
		return productsv1.ContainerState_CONTAINER_STATE_OPEN
	}
}

// Expired reports whether its last day of use lies before a day.
func (c Container) Expired(day string) bool { return c.ExpireDate != "" && c.ExpireDate < day }

// hold sets what is left, in g or mL.
func (c *Container) hold(left quantity.Exact) error {
	shown, err := left.In(c.Size.Unit)
	if err != nil {
		return err
	}
	c.left, c.Remaining = left, shown.Round()
	return nil
}

// inBase returns an amount in g or mL, the unit of the books.
func inBase(amount quantity.Quantity) (quantity.Exact, error) {
	if quantity.Convertible(amount.Unit, quantity.Gram) {
		return amount.Exact().In(quantity.Gram)
	}
	return amount.Exact().In(quantity.Millilitre)
}

// exactText writes an amount of the books with all its places. Every unit that a
// product is measured out in is a decimal number of g or mL.
func exactText(amount quantity.Exact) (string, error) {
	places, finite := amount.Amount().FloatPrec()
	if !finite {
		return "", fmt.Errorf("%s is no decimal number of %s", amount, amount.Unit())
	}
	return amount.Amount().FloatString(places), nil
}

// exactOf reads an amount of the books.
func exactOf(text string, unit quantity.Unit) (quantity.Exact, error) {
	amount, ok := new(big.Rat).SetString(text)
	if !ok {
		return quantity.Exact{}, fmt.Errorf("stored amount %q", text)
	}
	base, err := inBase(quantity.Quantity{Unit: unit})
	return quantity.ExactOf(amount, base.Unit()), err
}

// readContainer reads a container of the contract that comes into the store, as
// new, on a day of the nursery.
func readContainer(product string, form productsv1.ProductForm, id string, message *productsv1.Container, today string) (Container, error) {
	c := Container{Product: product, ID: id, Batch: message.GetBatch(), Place: message.GetPlace()}
	err := cmp.Or(textFault("container.batch", c.Batch), textFault("container.place", c.Place))
	if err != nil {
		return Container{}, err
	}
	if c.Size, err = measured("container.size", form, message.GetSize()); err != nil {
		return Container{}, err
	}
	if !c.Size.Positive() {
		return Container{}, fault.Field("container.size", "must be above 0 %s", c.Size.Unit).With("value", c.Size.String())
	}
	if c.ReceiveDate, err = pastDay("container.receive_date", message.GetReceiveDate(), today); err != nil {
		return Container{}, err
	}
	if message.GetExpireDate() != nil {
		if c.ExpireDate, err = calendarDay("container.expire_date", message.GetExpireDate()); err != nil {
			return Container{}, err
		}
		if c.ExpireDate < c.ReceiveDate {
			return Container{}, fault.Field("container.expire_date", "%s is before the day it came, %s", c.ExpireDate, c.ReceiveDate).
				With("expire_date", c.ExpireDate).With("receive_date", c.ReceiveDate)
		}
	}
	if message.GetOpenDate() != nil {
		c.OpenDate, err = openingDay("container.open_date", message.GetOpenDate(), c.ReceiveDate, today)
	}
	return c, err
}

// textFault holds a text to the rule for every text.
func textFault(field, text string) error {
	if err := checkText(text); err != nil {
		return fault.Field(field, "%s", err)
	}
	return nil
}

// measured reads an amount in a unit in which a product of this form is measured
// out.
func measured(field string, form productsv1.ProductForm, message *typev1.Quantity) (quantity.Quantity, error) {
	q, err := quantity.New(message.GetAmount(), quantity.Unit(message.GetUnit()))
	if err != nil {
		return quantity.Quantity{}, fault.Field(field, "%s", err)
	}
	units := AmountUnits(form)
	if !slices.Contains(units, q.Unit) {
		names := make([]string, len(units))
		for i, unit := range units {
			names[i] = string(unit)
		}
		wanted := strings.Join(names, ", ")
		return quantity.Quantity{}, fault.Field(field, "a %s product is measured in one of %s, not in %q", word(formText(form)), wanted, q.Unit).
			With("unit", string(q.Unit)).With("wanted", wanted)
	}
	return q, nil
}

// calendarDay reads a day that exists.
func calendarDay(field string, message *typev1.Date) (string, error) {
	day, err := time.Parse(time.DateOnly, message.GetValue())
	if err != nil || day.Year() < 1 {
		return "", fault.Field(field, "%q is not a day of the calendar (YYYY-MM-DD)", message.GetValue()).
			With("value", message.GetValue())
	}
	return message.GetValue(), nil
}

// pastDay reads a day that is not after today in the nursery's zone.
func pastDay(field string, message *typev1.Date, today string) (string, error) {
	day, err := calendarDay(field, message)
	if err != nil {
		return "", err
	}
	if day > today {
		return "", fault.Field(field, "%s lies in the future; today is %s at the nursery", day, today).
			With("value", day).With("today", today)
	}
	return day, nil
}

// openingDay reads the day on which a container that came on a day was opened.
func openingDay(field string, message *typev1.Date, received, today string) (string, error) {
	day, err := pastDay(field, message, today)
	if err != nil {
		return "", err
	}
	if day < received {
		return "", fault.Field(field, "%s is before the day it came, %s", day, received).
			With("value", day).With("receive_date", received)
	}
	return day, nil
}

// checkKept refuses a container that was disposed of.
func (c Container) checkKept() error {
	if !c.Discarded {
		return nil
	}
	return fault.FieldReason(fault.Precondition, fault.ContainerInsufficient, "name",
		"container %s was disposed of; nothing can happen to it any more", c.ID).With("container", c.ID)
}

// checkSealed refuses a container that is open.
func (c Container) checkSealed() error {
	if c.OpenDate == "" {
		return nil
	}
	return fault.FieldReason(fault.Precondition, fault.InvalidField, "open_date",
		"container %s was opened on %s already", c.ID, c.OpenDate).With("container", c.ID).With("opened", c.OpenDate)
}

// countedChange returns by how much a count changes the books. A container never
// holds more than it came with.
func (c Container) countedChange(counted quantity.Quantity) (quantity.Exact, error) {
	if counted.Amount.IsNegative() {
		return quantity.Exact{}, fault.Field("counted", "must not be below zero").With("value", counted.String())
	}
	above, err := counted.Compare(c.Size)
	if err != nil {
		return quantity.Exact{}, err
	}
	if above > 0 {
		return quantity.Exact{}, fault.Field("counted", "%s is more than the container came with, %s", counted, c.Size).
			With("value", counted.String()).With("size", c.Size.String())
	}
	held, err := inBase(counted)
	if err != nil {
		return quantity.Exact{}, err
	}
	return held.Sub(c.left)
}

// discardChange is what goes out when a container is disposed of. Where the books
// are below zero nothing goes out, and the shortage stays visible.
func (c Container) discardChange() quantity.Exact {
	if c.left.Sign() <= 0 {
		return quantity.ExactOf(new(big.Rat), c.left.Unit())
	}
	return c.left.Times(big.NewRat(-1, 1))
}

// taking is what an application takes from one container.
type taking struct {
	// index is the container's in the list that was given.
	index  int
	amount quantity.Exact
	// seen says that the container was counted after the work, so that the books
	// are without the amount already.
	seen bool
}

// takingsOf says from which containers of a product an application that ended at
// a time, on a day of the nursery, took an amount. A container that is named gives
// all of it, below zero if need be: what was really used is on the books, and they
// show that a count is due. Otherwise they give in the order in which they are
// used up, as far as they hold, and the last that held anything gives the rest.
// One that was disposed of gives nothing: what was left in it has gone out
// already. Neither does one that was counted after the work, which a phone
// without coverage reports late: what was counted was there without it. Such a
// one stands for all that is left to give when its turn comes.
func takingsOf(containers []Container, named string, amount quantity.Exact, at time.Time, day string) ([]taking, error) {
	if named != "" {
		index := slices.IndexFunc(containers, func(c Container) bool { return c.ID == named })
		if index < 0 || containers[index].Discarded {
			return nil, nil
		}
		return []taking{{index: index, amount: amount, seen: containers[index].countedAfter(at)}}, nil
	}
	order := givers(containers, day)
	if len(order) == 0 {
		return nil, nil
	}
	var takings []taking
	rest := amount
	for _, index := range order {
		if containers[index].countedAfter(at) {
			return append(takings, taking{index: index, amount: rest, seen: true}), nil
		}
		left := containers[index].left
		if left.Sign() <= 0 {
			continue
		}
		more, err := rest.Compare(left)
		if err != nil {
			return nil, err
		}
		if more <= 0 {
			return append(takings, taking{index: index, amount: rest}), nil
		}
		takings = append(takings, taking{index: index, amount: left})
		if rest, err = rest.Sub(left); err != nil {
			return nil, err
		}
	}
	if len(takings) == 0 {
		return []taking{{index: order[len(order)-1], amount: rest}}, nil
	}
	last := &takings[len(takings)-1]
	var err error
	last.amount, err = last.amount.Add(rest)
	return takings, err
}

// countedAfter reports whether it was counted after a time.
func (c Container) countedAfter(at time.Time) bool { return c.counted.After(at) }

// givers are the containers that an application on a day may have taken from, in
// the order in which they are used up. Those that had come by that day and were
// in date go before all others: the others give only where there is none of them.
func givers(containers []Container, day string) []int {
	var usable, kept []int
	for i, c := range containers {
		if c.Discarded {
			continue
		}
		kept = append(kept, i)
		if c.ReceiveDate <= day && !c.Expired(day) {
			usable = append(usable, i)
		}
	}
	if len(usable) > 0 {
		kept = usable
	}
	slices.SortFunc(kept, func(a, b int) int { return usedUpBefore(containers[a], containers[b]) })
	return kept
}

// usedUpBefore orders containers: open ones first, each by the earliest expiry,
// those without one last, then by id.
func usedUpBefore(a, b Container) int {
	sealed := func(c Container) int {
		if c.OpenDate == "" {
			return 1
		}
		return 0
	}
	expiry := func(c Container) string { return cmp.Or(c.ExpireDate, "9999-99-99") }
	return cmp.Or(cmp.Compare(sealed(a), sealed(b)), cmp.Compare(expiry(a), expiry(b)), cmp.Compare(a.ID, b.ID))
}

// take takes an amount out and returns the change, below zero.
func (c *Container) take(amount quantity.Exact) (quantity.Exact, error) {
	change := amount.Times(big.NewRat(-1, 1))
	left, err := c.left.Add(change)
	if err != nil {
		return quantity.Exact{}, err
	}
	return change, c.hold(left)
}

// form is that of its product, which keeps it while it has containers.
func (c Container) form() productsv1.ProductForm {
	if quantity.Convertible(c.Size.Unit, quantity.Gram) {
		return productsv1.ProductForm_PRODUCT_FORM_SOLID
	}
	return productsv1.ProductForm_PRODUCT_FORM_LIQUID
}
