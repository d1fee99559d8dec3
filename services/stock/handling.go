package stock

import (
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	stockv1 "velamen/gen/velamen/stock/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/resource"
)

// Handling is work at the bench by which a disorder can travel from lot to lot.
type Handling struct {
	// ID is the last part of its name.
	ID string
	// Lots are the ids of the lots, in the order in which they were handled.
	Lots []string
	// Worker is the id of who did it.
	Worker string
	// ToolSet and Crate are what the nursery calls them; empty when none was used.
	ToolSet, Crate string
	// Disinfected is true when the tools were disinfected between lots.
	Disinfected bool
	// Work says what was done.
	Work string
	// Start and End of the work, UTC.
	Start, End time.Time
	// Person is the id of who entered it.
	Person string
	// CreateTime is when it was entered, UTC.
	CreateTime time.Time
}

// longestHandling is how long one handling may take, as in the contract: longer
// work is entered day by day, or nobody could say in which order lots were handled.
const longestHandling = 24 * time.Hour

// handlingOf reads a handling of a request. Faults name its fields under
// "handling".
func handlingOf(message *stockv1.Handling, now clock.Clock) (Handling, error) {
	h := Handling{
		ToolSet: message.GetToolSet(), Crate: message.GetCrate(), Disinfected: message.GetDisinfectedBetween(), Work: message.GetWork(),
	}
	if err := checkTexts("handling.tool_set", h.ToolSet, "handling.crate", h.Crate, "handling.work", h.Work); err != nil {
		return h, err
	}
	if h.Disinfected && h.ToolSet == "" {
		return h, fault.Field("handling.disinfected_between", "name the tool set that was disinfected between lots")
	}
	if message.GetStartTime().CheckValid() != nil {
		return h, fault.FieldReason(fault.Invalid, fault.InvalidTimes, "handling.start_time", "is not a time")
	}
	if message.GetEndTime().CheckValid() != nil {
		return h, fault.FieldReason(fault.Invalid, fault.InvalidTimes, "handling.end_time", "is not a time")
	}
	h.Start, h.End = clock.Stored(message.GetStartTime().AsTime()), clock.Stored(message.GetEndTime().AsTime())
	return h, h.checkTimes(now)
}

func (h Handling) checkTimes(now clock.Clock) error {
	rule := ""
	switch {
	case h.End.Before(h.Start):
		rule = "the work cannot end before it begins"
	case clock.InFuture(now, h.End):
		rule = "is in the future; record work when it is done"
	case h.End.Sub(h.Start) > longestHandling:
		rule = "lies more than 24 hours after the work began; record longer work day by day"
	default:
		return nil
	}
	return fault.FieldReason(fault.Invalid, fault.InvalidTimes, "handling.end_time", "%s", rule).
		With("start_time", h.Start.Format(time.RFC3339)).With("end_time", h.End.Format(time.RFC3339))
}

func (h Handling) contract(nursery string) *stockv1.Handling {
	message := &stockv1.Handling{
		Name: resource.Of("nurseries", nursery, "handlings", h.ID), Worker: resource.Of("nurseries", nursery, "people", h.Worker),
		ToolSet: h.ToolSet, DisinfectedBetween: h.Disinfected, Crate: h.Crate, Work: h.Work,
		StartTime: timestamppb.New(h.Start), EndTime: timestamppb.New(h.End),
		Person: resource.Of("nurseries", nursery, "people", h.Person), CreateTime: timestamppb.New(h.CreateTime),
	}
	for _, lot := range h.Lots {
		message.Lots = append(message.Lots, lotName(nursery, lot))
	}
	return message
}
