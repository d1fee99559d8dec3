package schedule

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

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
	if !slices.ContainsFunc(d.people, c.isLimited) {
		return nil
	}
	var hours []Hours
	for _, h := range d.houses {
		for hour := range 24 {
			if c.isHot(h, hour) {
				hours = append(hours, onAllDays(hour)...)
			}
		}
	}
	return c.spans(hours, c.problem.Horizon)
}

// isHot reports whether a house usually reaches the temperature of the settings in an hour
// of the clock.
func (c *compiled) isHot(h int32, hour int) bool {
	from, counts := c.input.Settings.heatFrom()
	air, known := c.input.Houses[h].Usual[hour]
	return counts && known && air.Highest >= from
}

// isLimited reports whether the time of a person in protective equipment and heat is
// limited.
func (c *compiled) isLimited(person int32) bool {
	return person != model.None && c.problem.People[person].MaxProtected > 0
}

// worn returns for how long a person (id) was or is in protective equipment or heat on the
// first day, by what was begun before the plan. What was applied counts whole: that it
// was done without protective equipment is not known.
func (c *compiled) worn(person string) model.Minute {
	var minutes model.Minute
	for _, told := range c.input.Begun {
		if told.Person != person {
			continue
		}
		for at := told.Start; at.Before(told.End); at = at.Add(time.Minute) {
			if told.As.GetProduct() != "" || c.hotIn(told.As.GetHouses(), at) {
				minutes++
			}
		}
	}
	return minutes
}

// hotIn reports whether it is usually hot at a moment in one of some houses (names).
func (c *compiled) hotIn(houses []string, at time.Time) bool {
	return slices.ContainsFunc(houses, func(name string) bool {
		h, known := c.houses[lastPart(name)]
		return known && c.isHot(h, at.In(c.zone()).Hour())
	})
}

// bearable reports whether somebody of a job may do it at a start, as far as time in
// protective equipment and heat goes.
func (c *compiled) bearable(d *draft, work *Work, people []int32, start model.Minute) bool {
	job := model.Job{Protected: work.Chemical != nil && work.Chemical.Protected, Hot: c.hot(d)}
	return slices.ContainsFunc(people, func(person int32) bool {
		free, limited := c.freeOn(person, start)
		return !limited || slices.ContainsFunc(d.ways, func(way model.Way) bool { return job.Strained(start, start+way.Duration) <= free })
	})
}

// freeOn returns how long a person may be in protective equipment or heat on the day of a
// minute; false when there is no limit.
func (c *compiled) freeOn(person int32, m model.Minute) (free model.Minute, limited bool) {
	if !c.isLimited(person) {
		return 0, false
	}
	who := &c.problem.People[person]
	if len(c.problem.Days) == 1 || m < c.problem.Days[1] {
		return who.MaxProtected - who.Worn, true
	}
	return who.MaxProtected, true
}

// strainedThen reports whether a job as it was told would keep its person in protective
// equipment or heat for too long that day, beside what the plan gives them.
func (l *layout) strainedThen(j, person int32, told Told) bool {
	start, end := l.c.minute(told.Start), l.c.minute(told.End)
	free, limited := l.c.freeOn(person, start)
	own := l.c.problem.Jobs[j].Strained(start, end)
	if !limited || own == 0 {
		return false
	}
	return own+l.strainOn(person, l.c.dayOf(start), j) > free
}

// strainOn returns for how long the plan has a person in protective equipment or heat on a
// day, without one of its jobs.
func (l *layout) strainOn(person int32, day string, without int32) model.Minute {
	var strained model.Minute
	for _, other := range l.order {
		if at := &l.stands[other]; other != without && l.plan[other].Person == person && l.c.dayOf(at.start) == day {
			strained += l.c.problem.Jobs[other].Strained(at.start, at.end)
		}
	}
	return strained
}

// heatUnknown says that the heat of a job is not counted, because in an hour of it a
// house has no reading of its air; empty where that makes no difference. In protective
// equipment all of the time counts anyway.
func (l *layout) heatUnknown(j int32) string {
	c, at, person := l.c, &l.stands[j], l.plan[j].Person
	_, counts := c.input.Settings.heatFrom()
	if !counts || !c.isLimited(person) || c.problem.Jobs[j].Protected {
		return ""
	}
	var unknown []string
	for _, h := range c.drafts[j].houses {
		house := &c.input.Houses[h]
		for m := at.start; m < at.end; m++ {
			if _, known := house.Usual[c.at(m).In(c.zone()).Hour()]; !known {
				unknown = append(unknown, house.DisplayName)
				break
			}
		}
	}
	if len(unknown) == 0 {
		return ""
	}
	return "No logger tells how hot it is then in " + strings.Join(unknown, ", ") + ": heat there is not counted for " + c.problem.People[person].Name + "."
}

// heldByHeat says that a job waits for the cool: a minute sooner its person would be in
// heat or protective equipment for longer than they may on that day.
func (l *layout) heldByHeat(j int32) string {
	person, at, job := l.plan[j].Person, &l.stands[j], &l.c.problem.Jobs[j]
	sooner := job.Strained(at.start-1, at.end-1)
	if !l.c.isLimited(person) || sooner <= job.Strained(at.start, at.end) {
		return ""
	}
	free, _ := l.c.freeOn(person, at.start)
	if sooner+l.strainOn(person, l.c.dayOf(at.start), j) <= free {
		return ""
	}
	who := &l.c.problem.People[person]
	return fmt.Sprintf("Sooner %s would be in heat for too long: at most %s a day in heat or protective equipment.", who.Name, hoursAndMinutes(who.MaxProtected))
}
