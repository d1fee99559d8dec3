package schedule

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/rpc"
)

// kept is what a row holds, with its version; 0 when it was never set.
type kept[T any] struct {
	// of is the id of the person or house that it belongs to.
	of      string
	value   T
	version int64
}

func collect[T any](ctx context.Context, r postgres.Reader, scan pgx.RowToFunc[kept[T]], sql string, args pgx.NamedArgs) ([]kept[T], error) {
	rows, err := r.Query(ctx, sql, args)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	found, err := pgx.CollectRows(rows, scan)
	return found, postgres.Translate(err)
}

// byOwner returns rows by the id of the person or house that they belong to.
func byOwner[T any](rows []kept[T], err error) (map[string]T, error) {
	values := make(map[string]T, len(rows))
	for _, row := range rows {
		values[row.of] = row.value
	}
	return values, err
}

// list is a list as a column of JSON holds it: empty rather than nothing.
func list[T any](values []T) []T {
	if values == nil {
		return []T{}
	}
	return values
}

// set runs a statement that writes a row if its version is still the one that was
// read. name is that of the resource.
func set(ctx context.Context, tx pgx.Tx, name string, version int64, sql string, args pgx.NamedArgs) error {
	args["version"] = version
	tag, err := tx.Exec(ctx, sql, args)
	if err == nil && tag.RowsAffected() == 0 {
		return fault.Stale(name, rpc.ETag(version))
	}
	return err
}

const selectWorkPatterns = `
	SELECT person, shifts, absences, applies, max_protected_minutes, version
	FROM schedule.work_pattern WHERE nursery = @nursery`

func scanWorkPattern(row pgx.CollectableRow) (kept[WorkPattern], error) {
	var k kept[WorkPattern]
	err := row.Scan(&k.of, &k.value.Shifts, &k.value.Absences, &k.value.Applies, &k.value.MaxProtectedMinutes, &k.version)
	if err != nil {
		return k, fmt.Errorf("work pattern: %w", err)
	}
	return k, nil
}

// readWorkPatterns returns the work patterns that were set, by the person's id.
func readWorkPatterns(ctx context.Context, r postgres.Reader, nursery string) (map[string]WorkPattern, error) {
	return byOwner(collect(ctx, r, scanWorkPattern, selectWorkPatterns, pgx.NamedArgs{"nursery": nursery}))
}

func listWorkPatterns(ctx context.Context, r postgres.Reader, nursery, after string, limit int) ([]kept[WorkPattern], error) {
	return collect(ctx, r, scanWorkPattern, selectWorkPatterns+` AND person COLLATE "C" > @after ORDER BY person COLLATE "C" LIMIT @limit`,
		pgx.NamedArgs{"nursery": nursery, "after": after, "limit": limit})
}

// readWorkPattern returns the pattern of a person, an empty one when it was never set,
// or a NotFound fault for a person who does not exist.
func readWorkPattern(ctx context.Context, r postgres.Reader, nursery, person string) (kept[WorkPattern], error) {
	rows, err := collect(ctx, r, scanWorkPattern, selectWorkPatterns+` AND person = @person`,
		pgx.NamedArgs{"nursery": nursery, "person": person})
	if err != nil {
		return kept[WorkPattern]{}, err
	}
	if len(rows) > 0 {
		return rows[0], nil
	}
	_, err = personCalled(ctx, r, nursery, person)
	return kept[WorkPattern]{of: person}, err
}

func setWorkPattern(ctx context.Context, tx pgx.Tx, nursery, person string, pattern WorkPattern, version int64) error {
	return set(ctx, tx, workPatternName(nursery, person), version, `
		INSERT INTO schedule.work_pattern AS w (nursery, person, shifts, absences, applies, max_protected_minutes)
		VALUES (@nursery, @person, @shifts, @absences, @applies, @max_protected_minutes)
		ON CONFLICT ON CONSTRAINT work_pattern_pk DO UPDATE SET shifts = @shifts, absences = @absences, applies = @applies,
			max_protected_minutes = @max_protected_minutes, version = w.version + 1
		WHERE w.version = @version`,
		pgx.NamedArgs{
			"nursery": nursery, "person": person, "shifts": list(pattern.Shifts), "absences": list(pattern.Absences),
			"applies": pattern.Applies, "max_protected_minutes": pattern.MaxProtectedMinutes,
		})
}

const selectHouseCalendars = `
	SELECT house, working_hours, spraying_hours, engagements, closes_by_bench, version
	FROM schedule.house_calendar WHERE nursery = @nursery`

func scanHouseCalendar(row pgx.CollectableRow) (kept[HouseCalendar], error) {
	var k kept[HouseCalendar]
	err := row.Scan(&k.of, &k.value.WorkingHours, &k.value.SprayingHours, &k.value.Engagements, &k.value.ClosesByBench, &k.version)
	if err != nil {
		return k, fmt.Errorf("house calendar: %w", err)
	}
	return k, nil
}

// readHouseCalendars returns the house calendars that were set, by the house's id.
func readHouseCalendars(ctx context.Context, r postgres.Reader, nursery string) (map[string]HouseCalendar, error) {
	return byOwner(collect(ctx, r, scanHouseCalendar, selectHouseCalendars, pgx.NamedArgs{"nursery": nursery}))
}

func listHouseCalendars(ctx context.Context, r postgres.Reader, nursery, after string, limit int) ([]kept[HouseCalendar], error) {
	return collect(ctx, r, scanHouseCalendar, selectHouseCalendars+` AND house COLLATE "C" > @after ORDER BY house COLLATE "C" LIMIT @limit`,
		pgx.NamedArgs{"nursery": nursery, "after": after, "limit": limit})
}

// readHouseCalendar returns the calendar of a house, an empty one when it was never
// set, or a NotFound fault for a house that does not exist.
func readHouseCalendar(ctx context.Context, r postgres.Reader, nursery, house string) (kept[HouseCalendar], error) {
	rows, err := collect(ctx, r, scanHouseCalendar, selectHouseCalendars+` AND house = @house`,
		pgx.NamedArgs{"nursery": nursery, "house": house})
	if err != nil {
		return kept[HouseCalendar]{}, err
	}
	if len(rows) > 0 {
		return rows[0], nil
	}
	_, err = houseCalled(ctx, r, nursery, house)
	return kept[HouseCalendar]{of: house}, err
}

func setHouseCalendar(ctx context.Context, tx pgx.Tx, nursery, house string, calendar HouseCalendar, version int64) error {
	return set(ctx, tx, houseCalendarName(nursery, house), version, `
		INSERT INTO schedule.house_calendar AS c (nursery, house, working_hours, spraying_hours, engagements, closes_by_bench)
		VALUES (@nursery, @house, @working_hours, @spraying_hours, @engagements, @closes_by_bench)
		ON CONFLICT ON CONSTRAINT house_calendar_pk DO UPDATE SET working_hours = @working_hours, spraying_hours = @spraying_hours,
			engagements = @engagements, closes_by_bench = @closes_by_bench, version = c.version + 1
		WHERE c.version = @version`,
		pgx.NamedArgs{
			"nursery": nursery, "house": house, "working_hours": list(calendar.WorkingHours), "spraying_hours": list(calendar.SprayingHours),
			"engagements": list(calendar.Engagements), "closes_by_bench": calendar.ClosesByBench,
		})
}

func scanSettings(row pgx.CollectableRow) (kept[Settings], error) {
	var k kept[Settings]
	s := &k.value
	err := row.Scan(&s.Weights, &s.HorizonDays, &s.PlanTime, &s.SolveSeconds, &s.ReplanOnEvents, &s.WorkRates, &s.Walks,
		&s.DefaultWalkMinutes, &s.PlanInspections, &s.HeatTemperature, &k.version)
	if err != nil {
		return k, fmt.Errorf("planning settings: %w", err)
	}
	return k, nil
}

// readSettings returns how a nursery plans; the defaults when it never set that.
func readSettings(ctx context.Context, r postgres.Reader, nursery string) (Settings, error) {
	k, err := readKeptSettings(ctx, r, nursery)
	return k.value, err
}

func readKeptSettings(ctx context.Context, r postgres.Reader, nursery string) (kept[Settings], error) {
	rows, err := collect(ctx, r, scanSettings, `
		SELECT weights, horizon_days, plan_time, solve_seconds, replan_on_events, work_rates, walks, default_walk_minutes,
			plan_inspections, heat_temperature, version
		FROM schedule.planning_settings WHERE nursery = @nursery`, pgx.NamedArgs{"nursery": nursery})
	if err != nil {
		return kept[Settings]{}, err
	}
	if len(rows) == 0 {
		return kept[Settings]{value: defaultSettings()}, nil
	}
	return rows[0], nil
}

func setSettings(ctx context.Context, tx pgx.Tx, nursery string, s Settings, version int64) error {
	return set(ctx, tx, settingsName(nursery), version, `
		INSERT INTO schedule.planning_settings AS s (nursery, weights, horizon_days, plan_time, solve_seconds, replan_on_events,
			work_rates, walks, default_walk_minutes, plan_inspections, heat_temperature)
		VALUES (@nursery, @weights, @horizon_days, @plan_time, @solve_seconds, @replan_on_events,
			@work_rates, @walks, @default_walk_minutes, @plan_inspections, @heat_temperature)
		ON CONFLICT ON CONSTRAINT planning_settings_pk DO UPDATE SET weights = @weights, horizon_days = @horizon_days,
			plan_time = @plan_time, solve_seconds = @solve_seconds, replan_on_events = @replan_on_events, work_rates = @work_rates,
			walks = @walks, default_walk_minutes = @default_walk_minutes, plan_inspections = @plan_inspections,
			heat_temperature = @heat_temperature, version = s.version + 1
		WHERE s.version = @version`,
		pgx.NamedArgs{
			"nursery": nursery, "weights": s.Weights, "horizon_days": s.HorizonDays, "plan_time": s.PlanTime,
			"solve_seconds": s.SolveSeconds, "replan_on_events": s.ReplanOnEvents, "work_rates": list(s.WorkRates),
			"walks": list(s.Walks), "default_walk_minutes": s.DefaultWalkMinutes, "plan_inspections": s.PlanInspections,
			"heat_temperature": s.HeatTemperature,
		})
}
