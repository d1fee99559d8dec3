package demo

import (
	"fmt"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	typev1 "velamen/gen/velamen/type/v1"
)

// planning is when people work, when houses are open, and how the nursery plans.
type planning struct {
	// Week is only there to be referred to in the file.
	Week     []string        `yaml:"week"`
	People   []workPattern   `yaml:"people"`
	Houses   []houseCalendar `yaml:"houses"`
	Settings contract        `yaml:"settings"`
	Walks    []walk          `yaml:"walks"`
}

// hours are hours of some days of the week.
type hours struct {
	Days  []string `yaml:"days"`
	Start string   `yaml:"start"`
	End   string   `yaml:"end"`
}

// shift is hours with their overtime.
type shift struct {
	hours    `yaml:",inline"`
	Overtime string `yaml:"overtime"`
}

type workPattern struct {
	Person       string    `yaml:"person"`
	Applies      bool      `yaml:"applies"`
	MaxProtected int32     `yaml:"max_protected"`
	Shifts       []shift   `yaml:"shifts"`
	Off          []absence `yaml:"off"`
}

// absence counts days after the day of the seeding.
type absence struct {
	First  int    `yaml:"first"`
	Last   int    `yaml:"last"`
	Reason string `yaml:"reason"`
}

type houseCalendar struct {
	House         string       `yaml:"house"`
	Work          []hours      `yaml:"work"`
	Spray         []hours      `yaml:"spray"`
	Engaged       []engagement `yaml:"engaged"`
	ClosesByBench bool         `yaml:"closes_by_bench"`
}

// engagement is what happens in a house every week.
type engagement struct {
	Kind  string `yaml:"kind"`
	hours `yaml:",inline"`
	Note  string `yaml:"note"`
}

type walk struct {
	House   string `yaml:"house"`
	Other   string `yaml:"other"`
	Minutes int32  `yaml:"minutes"`
}

// weekly returns hours as the contract carries them, one for each day.
func (h hours) weekly() ([]*schedulev1.WeeklyHours, error) {
	weekly := make([]*schedulev1.WeeklyHours, len(h.Days))
	for i, day := range h.Days {
		number, known := schedulev1.Weekday_value["WEEKDAY_"+day]
		if !known {
			return nil, fmt.Errorf("%q is no day of the week", day)
		}
		weekly[i] = &schedulev1.WeeklyHours{Weekday: schedulev1.Weekday(number), Start: h.Start, End: h.End}
	}
	return weekly, nil
}

func weeklyOf(all []hours) ([]*schedulev1.WeeklyHours, error) {
	var weekly []*schedulev1.WeeklyHours
	for _, some := range all {
		each, err := some.weekly()
		if err != nil {
			return nil, err
		}
		weekly = append(weekly, each...)
	}
	return weekly, nil
}

// workPattern returns a pattern of the invented data as the contract carries it.
func (s *seeder) workPattern(written workPattern) (*schedulev1.WorkPattern, error) {
	pattern := &schedulev1.WorkPattern{
		Name: s.name("workPatterns", written.Person), Applies: written.Applies, MaxProtectedMinutes: written.MaxProtected,
	}
	for _, some := range written.Shifts {
		weekly, err := some.weekly()
		if err != nil {
			return nil, err
		}
		for _, each := range weekly {
			pattern.Shifts = append(pattern.Shifts, &schedulev1.Shift{Hours: each, OvertimeEnd: some.Overtime})
		}
	}
	for _, off := range written.Off {
		pattern.Absences = append(pattern.Absences, &schedulev1.Absence{
			StartDate: &typev1.Date{Value: s.date(off.First)}, EndDate: &typev1.Date{Value: s.date(off.Last)}, Reason: off.Reason,
		})
	}
	return pattern, nil
}

// houseCalendar returns a calendar of the invented data as the contract carries it.
func (s *seeder) houseCalendar(written houseCalendar) (_ *schedulev1.HouseCalendar, err error) {
	calendar := &schedulev1.HouseCalendar{Name: s.name("houseCalendars", written.House), ClosesByBench: written.ClosesByBench}
	if calendar.WorkingHours, err = weeklyOf(written.Work); err != nil {
		return nil, err
	}
	if calendar.SprayingHours, err = weeklyOf(written.Spray); err != nil {
		return nil, err
	}
	for _, engaged := range written.Engaged {
		kind, known := schedulev1.EngagementKind_value["ENGAGEMENT_KIND_"+engaged.Kind]
		if !known {
			return nil, fmt.Errorf("%q is no kind of engagement", engaged.Kind)
		}
		weekly, err := engaged.weekly()
		if err != nil {
			return nil, err
		}
		for _, each := range weekly {
			calendar.Engagements = append(calendar.Engagements, &schedulev1.Engagement{Kind: schedulev1.EngagementKind(kind), Weekly: each, Note: engaged.Note})
		}
	}
	return calendar, nil
}

// planningSettings returns the settings of the invented data as the contract carries
// them.
func (s *seeder) planningSettings() (*schedulev1.PlanningSettings, error) {
	settings := &schedulev1.PlanningSettings{}
	if err := s.nursery.planning.Settings.into(settings); err != nil {
		return nil, err
	}
	settings.Name = s.name() + "/planningSettings"
	for _, way := range s.nursery.planning.Walks {
		settings.Walks = append(settings.Walks, &schedulev1.Walk{
			House: s.name("houses", way.House), OtherHouse: s.name("houses", way.Other), Minutes: way.Minutes,
		})
	}
	return settings, nil
}
