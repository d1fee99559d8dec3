package cli

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/quantity"
)

// parseQuantity reads an amount with its unit, as in "120g", "12.5 mL", "8floz" or
// "1.5 fl oz/100 gal".
func parseQuantity(typed string) (*typev1.Quantity, error) {
	return parseQuantityLike("120g or 2.5L", typed)
}

// parseQuantityLike is parseQuantity whose error shows an amount of the right kind.
func parseQuantityLike(like, typed string) (*typev1.Quantity, error) {
	amount, unit := splitAmount(typed)
	if unit == "" {
		return nil, fmt.Errorf("%q has no unit; write it as in %s", typed, like)
	}
	q, err := quantity.New(amount, unitOf(unit))
	if err != nil {
		return nil, err
	}
	return q.Contract(), nil
}

// unitOf writes a unit as records do, however the spaces in it were typed:
// floz/100gal is fl oz/100 gal.
func unitOf(typed string) quantity.Unit {
	above, below, isRate := strings.Cut(typed, "/")
	if !isRate {
		return quantity.Unit(simpleUnit(typed))
	}
	number, per := splitAmount(below)
	return quantity.Unit(simpleUnit(above) + "/" + strings.TrimSpace(number+" "+simpleUnit(per)))
}

// simpleUnit is a unit without a stroke. A fluid ounce may be typed in one word:
// on a command line a space needs quotes. A degree Celsius may be typed as people
// write it.
func simpleUnit(typed string) string {
	unit := strings.Join(strings.Fields(typed), " ")
	switch unit {
	case "floz":
		return string(quantity.FluidOunce)
	case "C", "°C":
		return string(quantity.Celsius)
	default:
		return unit
	}
}

// splitAmount parts a number from the unit or currency behind it.
func splitAmount(typed string) (amount, unit string) {
	typed = strings.TrimSpace(typed)
	end := strings.IndexFunc(typed, func(r rune) bool { return (r < '0' || r > '9') && r != '.' && r != '-' })
	if end < 0 {
		return typed, ""
	}
	return typed[:end], strings.TrimSpace(typed[end:])
}

// parseMoney reads an amount with its currency, as in "85.50ZAR".
func parseMoney(typed string) (*typev1.Money, error) {
	amount, currency := splitAmount(typed)
	if len(currency) != 3 || currency != strings.ToUpper(currency) {
		return nil, fmt.Errorf("%q is not an amount with its currency; write it as in 85.50ZAR", typed)
	}
	return &typev1.Money{CurrencyCode: currency, Amount: amount}, nil
}

// parseProductUse reads how much of a product was used, as in "topspray=120g", and
// from which container, as in "topspray=120g@bag-7". Product and container stay as
// they were typed.
func parseProductUse(typed string) (*treatmentv1.ProductUse, error) {
	product, taken, found := cutName(typed)
	if !found {
		return nil, fmt.Errorf("%q is not a product with its amount; write it as in topspray=120g or topspray=120g@bag-7", typed)
	}
	amount, container, named := strings.Cut(taken, "@")
	if container = strings.TrimSpace(container); named && container == "" {
		return nil, fmt.Errorf("%q names no container behind the @; write it as in topspray=120g@bag-7", typed)
	}
	q, err := parseQuantity(amount)
	if err != nil {
		return nil, err
	}
	return &treatmentv1.ProductUse{Product: product, Amount: q, Container: container}, nil
}

// cutName parts "NAME=VALUE". Without a name or an equals sign nothing is found.
func cutName(typed string) (name, value string, found bool) {
	name, value, found = strings.Cut(typed, "=")
	name = strings.TrimSpace(name)
	return name, strings.TrimSpace(value), found && name != ""
}

// wallClocks are the ways to write a time without its offset.
var wallClocks = []string{"2006-01-02 15:04", "2006-01-02 15:04:05", "2006-01-02T15:04", "2006-01-02T15:04:05"}

var errNoTime = errors.New(`it must be a time such as "2026-03-01 10:00" in the nursery's zone, or 2026-03-01T10:00:00+02:00`)

// parseTime reads a time with its offset (RFC 3339), or one on the nursery's
// clock. Where the clocks change a time on the wall may come twice or never;
// then the offset must be given.
func parseTime(typed string, zone *time.Location) (time.Time, error) {
	typed = strings.TrimSpace(typed)
	if moment, err := time.Parse(time.RFC3339Nano, typed); err == nil {
		return moment.UTC(), nil
	}
	for _, layout := range wallClocks {
		wall, err := time.Parse(layout, typed)
		if err != nil {
			continue
		}
		return onClock(wall, zone)
	}
	return time.Time{}, errNoTime
}

// onClock finds the moment at which the nursery's clock shows a wall time.
func onClock(wall time.Time, zone *time.Location) (time.Time, error) {
	var found []time.Time
	// Around a change of the clocks there are two offsets in force within a day.
	for _, around := range []time.Duration{-24 * time.Hour, 24 * time.Hour} {
		_, offset := wall.Add(around).In(zone).Zone()
		moment := wall.Add(-time.Duration(offset) * time.Second)
		shown := moment.In(zone).Format(time.DateTime)
		if shown == wall.Format(time.DateTime) && (len(found) == 0 || !found[0].Equal(moment)) {
			found = append(found, moment.UTC())
		}
	}
	switch len(found) {
	case 0:
		return time.Time{}, fmt.Errorf("the clocks in %s leave out %s; give the offset, as in 2026-03-01T10:00:00+02:00", zone, wall.Format(time.DateTime))
	case 1:
		return found[0], nil
	default:
		return time.Time{}, fmt.Errorf("the clocks in %s show %s twice; give the offset, as in 2026-03-01T10:00:00+02:00", zone, wall.Format(time.DateTime))
	}
}

// parseDay reads a calendar day of the nursery.
func parseDay(flag, typed string) (*typev1.Date, error) {
	if _, err := time.Parse(time.DateOnly, typed); err != nil {
		return nil, usagef("%s %q: it must be a day such as 2026-03-01", flag, typed)
	}
	return &typev1.Date{Value: typed}, nil
}

// moment reads a time that was given to a flag; absent when it was not.
func (a *app) moment(ctx context.Context, flag, typed string) (*timestamppb.Timestamp, error) {
	if typed == "" {
		return nil, nil
	}
	if moment, err := time.Parse(time.RFC3339Nano, typed); err == nil {
		return timestamppb.New(moment), nil
	}
	zone, err := a.nurseryZone(ctx)
	if err != nil {
		return nil, err
	}
	moment, err := parseTime(typed, zone)
	if err != nil {
		return nil, usagef("%s %q: %w", flag, typed, err)
	}
	return timestamppb.New(moment), nil
}

// showTime writes a moment on the nursery's clock with its offset. Seconds are
// shown only where there are any.
func showTime(moment time.Time, zone *time.Location) string {
	local := moment.In(zone)
	if local.Second() != 0 {
		return local.Format("2006-01-02 15:04:05 -07:00")
	}
	return local.Format("2006-01-02 15:04 -07:00")
}
