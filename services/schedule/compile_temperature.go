package schedule

import (
	"fmt"
	"time"

	"velamen/services/schedule/model"
)

// usualDays is over how many days the air of a house is looked at to say in which
// hours a product may be applied: design value.
const usualDays = 7

// temperate returns when the air of a house is usually such that no label and no rule
// on weather refuses a product: the hours of the clock in which it was so on all of
// the last days. Hours without a reading are not taken away; the rules are held to
// what is measured when the work is confirmed.
func (c *compiled) temperate(house *HousePlace, chemical *Chemical) []model.Span {
	horizon := c.problem.Horizon
	always := []model.Span{{From: 0, To: horizon}}
	limits := chemical.Temperatures
	if limits == nil || len(house.Usual) == 0 {
		return always
	}
	var good []Hours
	for hour := range 24 {
		air, known := house.Usual[hour]
		if known && (air.Lowest < limits.Least*100 || air.Highest > limits.Most*100) {
			continue
		}
		good = append(good, onAllDays(hour)...)
	}
	return c.spans(good, horizon)
}

// onAllDays is an hour of the clock on each day of the week.
func onAllDays(hour int) []Hours {
	var hours []Hours
	for day := time.Sunday; day <= time.Saturday; day++ {
		hours = append(hours, Hours{Weekday: day, Start: fmt.Sprintf("%02d:00", hour), End: fmt.Sprintf("%02d:00", hour+1)})
	}
	return hours
}

// tooHotOrCold says in which houses a product can be applied in no hour, because of
// the air of the last days.
func (c *compiled) tooHotOrCold(d *draft, chemical *Chemical) string {
	return fmt.Sprintf("%s may be applied at %s, and in the last %d days the air in %s was not so on all days in any of the hours in which it may be applied there.",
		chemical.DisplayName, chemical.Temperatures, usualDays, c.housesOf(d))
}

// measureFirst reports whether a product has limits of temperature and a house of the
// job has no logger that tells its air.
func (c *compiled) measureFirst(d *draft, chemical *Chemical) bool {
	if chemical == nil || chemical.Temperatures == nil {
		return false
	}
	for _, h := range d.houses {
		if len(c.input.Houses[h].Usual) == 0 {
			return true
		}
	}
	return false
}
