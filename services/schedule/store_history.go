package schedule

import "velamen/internal/trail"

// packed are the columns of a plan that hold the problem and the plan as they were
// worked out, packed.
var packed = []string{"problem", "learnt", "best", "head", "body", "input_hash", "plan_hash"}

// History returns what this service keeps about people and houses.
func History() trail.Account {
	people := []trail.Kind{trail.Person}
	return trail.Account{
		Sources: []trail.Source{
			{
				Table: "schedule.work_pattern", Kind: "work pattern", What: "'when ' || t.person || ' works'",
				Name: trail.NameOf("workPatterns", "person"), People: []string{"person"}, Within: []string{"shifts", "absences"},
			},
			{
				Table: "schedule.house_calendar", Kind: "house calendar", What: "'when ' || t.house || ' is open'",
				Name: trail.NameOf("houseCalendars", "house"), Within: []string{"working_hours", "spraying_hours", "engagements"},
				About: map[trail.Kind]string{trail.House: "t.house = @id"},
			},
			{
				Table: "schedule.planning_settings", Kind: "planning settings", What: "'how the nursery plans'",
				Name: trail.NameOf() + " || '/planningSettings'", Within: []string{"weights", "work_rates", "walks"},
			},
			{
				Table: "schedule.day_plan", Kind: "day plan", What: "'plan ' || t.number || ' ' || lower(t.state)", Time: "t.decide_time",
				Who: "t.decider", Name: trail.NameOf("dayPlans", "id"), People: []string{"decider"}, Hide: packed,
			},
			{
				Table: "schedule.assignment", Kind: "assignment", What: "lower(t.state) || ' job ' || t.job", Time: "t.start_time",
				Who: "t.person", Name: trail.NameOf("assignments", "id"), People: []string{"person"}, Hide: []string{"body"},
				About: map[trail.Kind]string{trail.House: "t.job = @name"},
			},
			{
				Table: "schedule.pin", Kind: "pin", What: "'job ' || t.job || ' fixed'", Time: "t.create_time", Who: "t.pinner", Name: "t.job",
				People: []string{"person", "pinner"}, About: map[trail.Kind]string{trail.House: "t.job = @name"},
			},
		},
		LeftOut: []trail.LeftOut{
			{
				Table: "schedule.day_plan", Columns: packed, About: people,
				Reason: "Plans as they were worked out, packed, with those that nobody accepted: what the person was told to do is under assignments.",
			},
			{
				Table: "schedule.assignment", Columns: []string{"body"}, About: people,
				Reason: "The packed copy of the job that an assignment was made from: its job, times and person are here.",
			},
		},
	}
}
