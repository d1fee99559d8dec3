package schedule

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"velamen/services/schedule/model"
)

// heatFrom is from which temperature work counts as work in heat, hundredths of Cel;
// false where heat is not counted.
func (s Settings) heatFrom() (hundredths int, counts bool) {
	whole, places, _ := strings.Cut(s.HeatTemperature, ".")
	hundredths, err := strconv.Atoi(whole + (places + "00")[:2])
	return hundredths, err == nil && whole != ""
}

// hot returns when it is usually hot where a job is done: the hours of the clock in which
// one of its houses reached the temperature of the settings on any of the last days.
// Hours and houses without a reading are not hot. A job that nobody with a limit may do
// has none, because nothing follows from it.
func (c *compiled) hot(d *draft) []model.Span {
	from, counts := c.input.Settings.heatFrom()
	if !counts || !slices.ContainsFunc(d.people, c.isLimited) {
		return nil
	}
	var hours []Hours
	for _, h := range d.houses {
		for hour := range 24 {
			if air, known := c.input.Houses[h].Usual[hour]; known && air.Highest >= from {
				hours = append(hours, onAllDays(hour)...)
			}
		}
	}
	return c.spans(hours, c.problem.Horizon)
}

// isLimited reports whether the time of a person in protective equipment and heat is
// limited.
func (c *compiled) isLimited(person int32) bool {
	return person != model.None && c.problem.People[person].MaxProtected > 0
}

// tooHotThen reports whether a job as it was told is alone in heat for longer than its
// person may be a day.
func (c *compiled) tooHotThen(j, person int32, told Told) bool {
	job := &c.problem.Jobs[j]
	return c.isLimited(person) && !job.Protected && job.Strained(c.minute(told.Start), c.minute(told.End)) > c.problem.People[person].MaxProtected
}

// heatUnknown says that the heat of a job is not counted, because a house has no logger
// that tells its air; empty where that makes no difference. In protective equipment all
// of the time counts anyway.
func (c *compiled) heatUnknown(j, person int32) string {
	_, counts := c.input.Settings.heatFrom()
	if !counts || !c.isLimited(person) || c.problem.Jobs[j].Protected {
		return ""
	}
	var unknown []string
	for _, h := range c.drafts[j].houses {
		if house := &c.input.Houses[h]; len(house.Usual) == 0 {
			unknown = append(unknown, house.DisplayName)
		}
	}
	if len(unknown) == 0 {
		return ""
	}
	return "No logger tells how hot it is in " + strings.Join(unknown, ", ") + ": heat there is not counted for " + c.problem.People[person].Name + "."
}

// heldByHeat says that a job waits for the cool: a minute sooner its person would be in
// heat or protective equipment for longer than they may on that day.
func (l *layout) heldByHeat(j int32) string {
	person, at, job := l.plan[j].Person, &l.stands[j], &l.c.problem.Jobs[j]
	sooner := job.Strained(at.start-1, at.end-1)
	if !l.c.isLimited(person) || sooner <= job.Strained(at.start, at.end) {
		return ""
	}
	who, day := &l.c.problem.People[person], l.c.dayOf(at.start)
	for _, other := range l.order {
		if other != j && l.plan[other].Person == person && l.c.dayOf(l.stands[other].start) == day {
			sooner += l.c.problem.Jobs[other].Strained(l.stands[other].start, l.stands[other].end)
		}
	}
	if sooner <= who.MaxProtected {
		return ""
	}
	return fmt.Sprintf("Sooner %s would be in heat for too long: at most %s a day in heat or protective equipment.", who.Name, hoursAndMinutes(who.MaxProtected))
}
