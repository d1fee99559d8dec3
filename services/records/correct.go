package records

import (
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	productsv1 "velamen/gen/velamen/products/v1"
	recordsv1 "velamen/gen/velamen/records/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/quantity"
	"velamen/services/products"
	"velamen/services/treatment"
)

// corrected returns the entry that takes the place of another: the same with
// what a request puts right, and the amounts of the active ingredients computed
// anew. An amount may be put right to zero, for a product that was entered and
// never applied. supervisor is who the request names, nil for nobody. It refuses a request that breaks a rule or changes nothing, by
// field.
func corrected(old entry, request *recordsv1.CorrectEntryRequest, person string, supervisor *supervision, c clock.Clock) (entry, error) {
	after := old
	after.Correction = &correction{Corrects: old.Sequence, Person: person, Note: request.GetNote()}
	var err error
	if after.ProductAmount, err = rightAmount("product_amount", old.ProductAmount, request.GetProductAmount(), sameMeasure(old.ProductAmount.Unit)); err != nil {
		return entry{}, err
	}
	if after.MixVolume, err = rightAmount("mix_volume", old.MixVolume, request.GetMixVolume(), treatment.MixUnits()); err != nil {
		return entry{}, err
	}
	if after.Area, err = rightAmount("area", old.Area, request.GetArea(), treatment.AreaUnits()); err != nil {
		return entry{}, err
	}
	if after.StartTime, err = rightTime("start_time", old.StartTime, request.GetStartTime()); err != nil {
		return entry{}, err
	}
	if after.EndTime, err = rightTime("end_time", old.EndTime, request.GetEndTime()); err != nil {
		return entry{}, err
	}
	if err := checkTimes(after, request, c); err != nil {
		return entry{}, err
	}
	if after.dayFacts, err = correctedDay(old, request, supervisor); err != nil {
		return entry{}, err
	}
	if sameFacts(old, after) {
		return entry{}, fault.Field("product_amount", "the correction changes nothing: give another amount, area, time or fact than the entry has")
	}
	if err := after.computeActives(); err != nil {
		return entry{}, fault.Field("product_amount", "%s", err)
	}
	return after, nil
}

// sameMeasure are the units in which a product is measured out that was measured
// out in one of them.
func sameMeasure(unit quantity.Unit) []quantity.Unit {
	if quantity.Convertible(unit, quantity.Gram) {
		return products.AmountUnits(productsv1.ProductForm_PRODUCT_FORM_SOLID)
	}
	return products.AmountUnits(productsv1.ProductForm_PRODUCT_FORM_LIQUID)
}

func rightAmount(field string, old quantity.Quantity, message *typev1.Quantity, units []quantity.Unit) (quantity.Quantity, error) {
	if message == nil {
		return old, nil
	}
	q, err := quantity.FromContract(message)
	if err != nil {
		return quantity.Quantity{}, fault.Field(field, "%s", err)
	}
	if !slices.Contains(units, q.Unit) {
		return quantity.Quantity{}, fault.Field(field, "must be in %s, not in %s", either(units), q.Unit).
			With("unit", string(q.Unit)).With("wanted", either(units))
	}
	if q.Amount.IsNegative() {
		return quantity.Quantity{}, fault.Field(field, "must not be below zero").With("value", q.String())
	}
	return q, nil
}

func either(units []quantity.Unit) string {
	text := string(units[0])
	for _, unit := range units[1:] {
		text += " or " + string(unit)
	}
	return text
}

func rightTime(field string, old time.Time, message *timestamppb.Timestamp) (time.Time, error) {
	if message == nil {
		return old, nil
	}
	if err := message.CheckValid(); err != nil {
		return time.Time{}, fault.Field(field, "is not a time between the years 1 and 9999")
	}
	return clock.Stored(message.AsTime()), nil
}

// checkTimes blames the time that the request gives, the start where it gives
// both.
func checkTimes(after entry, request *recordsv1.CorrectEntryRequest, c clock.Clock) error {
	if after.StartTime.After(after.EndTime) {
		field := "start_time"
		if request.GetStartTime() == nil {
			field = "end_time"
		}
		return invalidTime(field, "the work would start at %s and end before that, at %s", moment(after.StartTime), moment(after.EndTime)).
			With("start_time", moment(after.StartTime)).With("end_time", moment(after.EndTime))
	}
	if clock.InFuture(c, after.EndTime) {
		return invalidTime("end_time", "%s is in the future", moment(after.EndTime)).With("end_time", moment(after.EndTime))
	}
	return nil
}

func invalidTime(field, format string, args ...any) *fault.Fault {
	return fault.FieldReason(fault.Invalid, fault.InvalidTimes, field, "%s", fmt.Sprintf(format, args...))
}

func moment(t time.Time) string { return t.Format(time.RFC3339) }

func sameFacts(a, b entry) bool {
	return same(a.ProductAmount, b.ProductAmount) && same(a.MixVolume, b.MixVolume) && same(a.Area, b.Area) &&
		a.StartTime.Equal(b.StartTime) && a.EndTime.Equal(b.EndTime) && a.same(b.dayFacts)
}

func same(a, b quantity.Quantity) bool {
	order, err := a.Compare(b)
	return err == nil && order == 0
}
