package schedule

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
)

// HouseCalendar says when a house is open for work and what happens in it. The zero
// value is a house that is always open and in which nothing happens.
type HouseCalendar struct {
	// WorkingHours in which people work in it; empty for all hours.
	WorkingHours []Hours
	// SprayingHours in which it may be sprayed; empty for all working hours.
	SprayingHours []Hours
	Engagements   []Engagement
	// ClosesByBench is true when benches can be closed apart after a drench or a bath.
	ClosesByBench bool
}

// Engagement is a time for which a house must be open and free of spraying.
type Engagement struct {
	Kind schedulev1.EngagementKind `json:"kind"`
	// Weekly hours; nil for one that happens once, from Start until End.
	Weekly *Hours    `json:"weekly,omitempty"`
	Start  time.Time `json:"start,omitzero"`
	End    time.Time `json:"end,omitzero"`
	Note   string    `json:"note"`
}

// houseCalendarFromContract reads a calendar and refuses one that breaks a rule, by
// field.
func houseCalendarFromContract(message *schedulev1.HouseCalendar) (HouseCalendar, error) {
	calendar := HouseCalendar{ClosesByBench: message.GetClosesByBench()}
	var err error
	if calendar.WorkingHours, err = hoursListFromContract("house_calendar.working_hours", message.GetWorkingHours()); err != nil {
		return HouseCalendar{}, err
	}
	if calendar.SprayingHours, err = hoursListFromContract("house_calendar.spraying_hours", message.GetSprayingHours()); err != nil {
		return HouseCalendar{}, err
	}
	for i, hours := range calendar.SprayingHours {
		if len(calendar.WorkingHours) > 0 && !hours.coveredBy(calendar.WorkingHours) {
			return HouseCalendar{}, fault.Field(fmt.Sprintf("house_calendar.spraying_hours[%d]", i), "%s is not within the working hours of the house, outside of which no job is planned", hours)
		}
	}
	for i, entered := range message.GetEngagements() {
		engagement, err := engagementFromContract(fmt.Sprintf("house_calendar.engagements[%d]", i), entered)
		if err != nil {
			return HouseCalendar{}, err
		}
		calendar.Engagements = append(calendar.Engagements, engagement)
	}
	return calendar, nil
}

func engagementFromContract(field string, entered *schedulev1.Engagement) (Engagement, error) {
	engagement := Engagement{Kind: entered.GetKind(), Note: entered.GetNote()}
	once := entered.GetStartTime() != nil || entered.GetEndTime() != nil
	if once == (entered.GetWeekly() != nil) {
		return Engagement{}, fault.Field(field, "needs either weekly hours or a start_time and an end_time, and not both")
	}
	if !once {
		hours, err := hoursFromContract(field+".weekly", entered.GetWeekly())
		engagement.Weekly = &hours
		return engagement, err
	}
	if err := entered.GetStartTime().CheckValid(); err != nil {
		return Engagement{}, fault.Field(field+".start_time", "is needed beside end_time, as a time between the years 1 and 9999")
	}
	if err := entered.GetEndTime().CheckValid(); err != nil {
		return Engagement{}, fault.Field(field+".end_time", "is needed beside start_time, as a time between the years 1 and 9999")
	}
	engagement.Start, engagement.End = entered.GetStartTime().AsTime(), entered.GetEndTime().AsTime()
	if !engagement.End.After(engagement.Start) {
		return Engagement{}, fault.Field(field+".end_time", "is not after start_time")
	}
	return engagement, nil
}

// contract returns the calendar as the contract carries it, without its etag.
func (h HouseCalendar) contract(nursery, house string) *schedulev1.HouseCalendar {
	message := &schedulev1.HouseCalendar{
		Name: houseCalendarName(nursery, house), WorkingHours: hoursListContract(h.WorkingHours),
		SprayingHours: hoursListContract(h.SprayingHours), ClosesByBench: h.ClosesByBench,
	}
	for _, engagement := range h.Engagements {
		entered := &schedulev1.Engagement{Kind: engagement.Kind, Note: engagement.Note}
		if engagement.Weekly != nil {
			entered.Weekly = engagement.Weekly.contract()
		} else {
			entered.StartTime, entered.EndTime = timestamppb.New(engagement.Start), timestamppb.New(engagement.End)
		}
		message.Engagements = append(message.Engagements, entered)
	}
	return message
}

func houseCalendarName(nursery, house string) string {
	return resource.Of("nurseries", nursery, "houseCalendars", house)
}
