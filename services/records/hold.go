package records

import (
	"strconv"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	recordsv1 "velamen/gen/velamen/records/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
)

// hold says that records must be kept, whatever their age, until it is lifted.
type hold struct {
	number int64
	// house is the name of the house whose entries are held, empty for all houses.
	house string
	// from and to are days of application (YYYY-MM-DD) in the nursery's zone; an empty
	// one leaves that end open.
	from, to string
	reason   string
	// person is the id of who placed it.
	person string
	placed time.Time
	lifted *lift
}

// lift is the end of a hold.
type lift struct {
	reason string
	// person is the id of who lifted it.
	person string
	at     time.Time
}

// holdFrom reads the scope and the reason of a hold from a request.
func holdFrom(message *recordsv1.Hold) (hold, error) {
	h := hold{house: message.GetHouse(), reason: message.GetReason()}
	var err error
	if h.from, err = dayOf("hold.from_date", message.GetFromDate()); err != nil {
		return hold{}, err
	}
	if h.to, err = dayOf("hold.to_date", message.GetToDate()); err != nil {
		return hold{}, err
	}
	if h.from != "" && h.to != "" && h.to < h.from {
		return hold{}, fault.Field("hold.to_date", "%s is before the first day, %s", h.to, h.from).With("from_date", h.from).With("to_date", h.to)
	}
	return h, nil
}

// dayOf returns a day as YYYY-MM-DD, empty when it is absent.
func dayOf(field string, date *typev1.Date) (string, error) {
	if date == nil {
		return "", nil
	}
	if _, err := time.Parse(time.DateOnly, date.GetValue()); err != nil {
		return "", fault.Field(field, "%q is not a day (YYYY-MM-DD)", date.GetValue()).With(field, date.GetValue())
	}
	return date.GetValue(), nil
}

func holdName(nursery string, number int64) string {
	return resource.Of("nurseries", nursery, "holds", strconv.FormatInt(number, 10))
}

// parseHoldName reads nurseries/{nursery}/holds/{number}.
func parseHoldName(name string) (nursery string, number int64, err error) {
	ids, err := resource.Parse("name", name, "nurseries", "holds")
	if err != nil {
		return "", 0, err
	}
	number, err = strconv.ParseInt(ids[1], 10, 64)
	if err != nil || number < 1 || strconv.FormatInt(number, 10) != ids[1] {
		return "", 0, fault.Field("name", "%q does not end in the number of a hold, from 1", name).With("name", name)
	}
	return ids[0], number, nil
}

// refuseLift refuses to lift a hold twice: the history says who lifted it and why.
func (h hold) refuseLift(nursery string) error {
	if h.lifted == nil {
		return nil
	}
	name, lifter := holdName(nursery, h.number), resource.Of("nurseries", nursery, "people", h.lifted.person)
	return fault.New(fault.Precondition, fault.AlreadyExists, "hold %d was lifted before, by %s", h.number, lifter).
		With("name", name).With("lifter", lifter)
}

// contract returns the hold as the contract carries it.
func (h hold) contract(nursery string) *recordsv1.Hold {
	message := &recordsv1.Hold{
		Name: holdName(nursery, h.number), House: h.house, FromDate: date(h.from), ToDate: date(h.to), Reason: h.reason,
		Placer: resource.Of("nurseries", nursery, "people", h.person), CreateTime: timestamppb.New(h.placed),
	}
	if h.lifted != nil {
		message.Lifter = resource.Of("nurseries", nursery, "people", h.lifted.person)
		message.LiftReason, message.LiftTime = h.lifted.reason, timestamppb.New(h.lifted.at)
	}
	return message
}

func date(day string) *typev1.Date {
	if day == "" {
		return nil
	}
	return &typev1.Date{Value: day}
}
