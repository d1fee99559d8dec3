package schedule

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/identity"
	"velamen/services/stock"
)

// GetWorkPattern returns when a person works; one that was never set has no shifts.
func (s *Service) GetWorkPattern(ctx context.Context, request *schedulev1.GetWorkPatternRequest) (*schedulev1.WorkPattern, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "workPatterns")
	if err != nil {
		return nil, err
	}
	k, err := readWorkPattern(ctx, s.db, ids[0], ids[1])
	if err != nil {
		return nil, err
	}
	return workPatternMessage(ids[0], k), nil
}

// ListWorkPatterns returns the work patterns that were set, by person.
func (s *Service) ListWorkPatterns(ctx context.Context, request *schedulev1.ListWorkPatternsRequest) (*schedulev1.ListWorkPatternsResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 1)
	if err != nil {
		return nil, err
	}
	rows, err := listWorkPatterns(ctx, s.db, ids[0], page.Key(), page.Size+1)
	if err != nil {
		return nil, err
	}
	rows, next := rpc.Cut(page, rows, func(k kept[WorkPattern]) []string { return []string{k.of} })
	response := &schedulev1.ListWorkPatternsResponse{NextPageToken: next}
	for _, k := range rows {
		response.WorkPatterns = append(response.WorkPatterns, workPatternMessage(ids[0], k))
	}
	return response, nil
}

// UpdateWorkPattern sets when a person works.
func (s *Service) UpdateWorkPattern(ctx context.Context, request *schedulev1.UpdateWorkPatternRequest) (*schedulev1.WorkPattern, error) {
	changed := request.GetWorkPattern()
	ids, err := resource.Parse("work_pattern.name", changed.GetName(), "nurseries", "workPatterns")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, _ rpc.Principal) (*schedulev1.WorkPattern, error) {
		before, err := readWorkPattern(ctx, tx, ids[0], ids[1])
		if err != nil {
			return nil, err
		}
		merged := before.value.contract(ids[0], ids[1])
		if err := rpc.CheckETag(merged.GetName(), changed.GetEtag(), before.version); err != nil {
			return nil, err
		}
		if err := rpc.Merge(merged, changed, request.GetUpdateMask()); err != nil {
			return nil, err
		}
		pattern, err := workPatternFromContract(merged)
		if err != nil {
			return nil, err
		}
		if err := setWorkPattern(ctx, tx, ids[0], ids[1], pattern, before.version); err != nil {
			return nil, err
		}
		name, err := personCalled(ctx, tx, ids[0], ids[1])
		if err != nil {
			return nil, err
		}
		reason := "the working hours of " + name + " changed"
		if len(newAbsences(before.value, pattern)) > 0 {
			reason = name + " is absent"
		}
		if err := s.conditionsChanged(ctx, tx, ids[0], reason); err != nil {
			return nil, err
		}
		after, err := readWorkPattern(ctx, tx, ids[0], ids[1])
		return workPatternMessage(ids[0], after), err
	})
}

func workPatternMessage(nursery string, k kept[WorkPattern]) *schedulev1.WorkPattern {
	message := k.value.contract(nursery, k.of)
	message.Etag = rpc.ETag(k.version)
	return message
}

// GetHouseCalendar returns when a house is open for work and what happens in it.
func (s *Service) GetHouseCalendar(ctx context.Context, request *schedulev1.GetHouseCalendarRequest) (*schedulev1.HouseCalendar, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "houseCalendars")
	if err != nil {
		return nil, err
	}
	k, err := readHouseCalendar(ctx, s.db, ids[0], ids[1])
	if err != nil {
		return nil, err
	}
	return houseCalendarMessage(ids[0], k), nil
}

// ListHouseCalendars returns the house calendars that were set, by house.
func (s *Service) ListHouseCalendars(ctx context.Context, request *schedulev1.ListHouseCalendarsRequest) (*schedulev1.ListHouseCalendarsResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 1)
	if err != nil {
		return nil, err
	}
	rows, err := listHouseCalendars(ctx, s.db, ids[0], page.Key(), page.Size+1)
	if err != nil {
		return nil, err
	}
	rows, next := rpc.Cut(page, rows, func(k kept[HouseCalendar]) []string { return []string{k.of} })
	response := &schedulev1.ListHouseCalendarsResponse{NextPageToken: next}
	for _, k := range rows {
		response.HouseCalendars = append(response.HouseCalendars, houseCalendarMessage(ids[0], k))
	}
	return response, nil
}

// UpdateHouseCalendar sets the calendar of a house.
func (s *Service) UpdateHouseCalendar(ctx context.Context, request *schedulev1.UpdateHouseCalendarRequest) (*schedulev1.HouseCalendar, error) {
	changed := request.GetHouseCalendar()
	ids, err := resource.Parse("house_calendar.name", changed.GetName(), "nurseries", "houseCalendars")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, _ rpc.Principal) (*schedulev1.HouseCalendar, error) {
		before, err := readHouseCalendar(ctx, tx, ids[0], ids[1])
		if err != nil {
			return nil, err
		}
		merged := before.value.contract(ids[0], ids[1])
		if err := rpc.CheckETag(merged.GetName(), changed.GetEtag(), before.version); err != nil {
			return nil, err
		}
		if err := rpc.Merge(merged, changed, request.GetUpdateMask()); err != nil {
			return nil, err
		}
		calendar, err := houseCalendarFromContract(merged)
		if err != nil {
			return nil, err
		}
		if err := setHouseCalendar(ctx, tx, ids[0], ids[1], calendar, before.version); err != nil {
			return nil, err
		}
		name, err := houseCalled(ctx, tx, ids[0], ids[1])
		if err != nil {
			return nil, err
		}
		if err := s.conditionsChanged(ctx, tx, ids[0], "the calendar of "+name+" changed"); err != nil {
			return nil, err
		}
		after, err := readHouseCalendar(ctx, tx, ids[0], ids[1])
		return houseCalendarMessage(ids[0], after), err
	})
}

func houseCalendarMessage(nursery string, k kept[HouseCalendar]) *schedulev1.HouseCalendar {
	message := k.value.contract(nursery, k.of)
	message.Etag = rpc.ETag(k.version)
	return message
}

// GetPlanningSettings returns how this nursery plans.
func (s *Service) GetPlanningSettings(ctx context.Context, request *schedulev1.GetPlanningSettingsRequest) (*schedulev1.PlanningSettings, error) {
	nursery, err := parseSettings("name", request.GetName())
	if err != nil {
		return nil, err
	}
	k, err := readKeptSettings(ctx, s.db, nursery)
	if err != nil {
		return nil, err
	}
	return settingsMessage(nursery, k), nil
}

// UpdatePlanningSettings changes how this nursery plans.
func (s *Service) UpdatePlanningSettings(ctx context.Context, request *schedulev1.UpdatePlanningSettingsRequest) (*schedulev1.PlanningSettings, error) {
	changed := request.GetPlanningSettings()
	nursery, err := parseSettings("planning_settings.name", changed.GetName())
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, _ rpc.Principal) (*schedulev1.PlanningSettings, error) {
		before, err := readKeptSettings(ctx, tx, nursery)
		if err != nil {
			return nil, err
		}
		merged := before.value.contract(nursery)
		if err := rpc.CheckETag(merged.GetName(), changed.GetEtag(), before.version); err != nil {
			return nil, err
		}
		if err := rpc.Merge(merged, changed, request.GetUpdateMask()); err != nil {
			return nil, err
		}
		settings, err := settingsFromContract(merged)
		if err != nil {
			return nil, err
		}
		if err := settings.refuseUnknownHouses(ctx, tx, nursery); err != nil {
			return nil, err
		}
		if err := setSettings(ctx, tx, nursery, settings, before.version); err != nil {
			return nil, err
		}
		if err := s.settingsChanged(ctx, tx, nursery); err != nil {
			return nil, err
		}
		after, err := readKeptSettings(ctx, tx, nursery)
		return settingsMessage(nursery, after), err
	})
}

func settingsMessage(nursery string, k kept[Settings]) *schedulev1.PlanningSettings {
	message := k.value.contract(nursery)
	message.Etag = rpc.ETag(k.version)
	return message
}

// parseSettings returns the nursery of the name of its settings.
func parseSettings(field, name string) (string, error) {
	parent, found := strings.CutSuffix(name, "/planningSettings")
	ids, err := resource.Parse(field, parent, "nurseries")
	if !found || err != nil {
		return "", fault.Field(field, "%q is not a name like nurseries/{id}/planningSettings", name).With("name", name)
	}
	return ids[0], nil
}

// refuseUnknownHouses refuses ways between houses that do not exist.
func (s Settings) refuseUnknownHouses(ctx context.Context, r postgres.Reader, nursery string) error {
	if len(s.Walks) == 0 {
		return nil
	}
	houses, err := stock.ReadHouses(ctx, r, nursery)
	if err != nil {
		return err
	}
	for i, walk := range s.Walks {
		for _, end := range []struct{ field, house string }{{"house", walk.House}, {"other_house", walk.OtherHouse}} {
			if slices.ContainsFunc(houses, func(h stock.House) bool { return h.ID == end.house }) {
				continue
			}
			name := resource.Of("nurseries", nursery, "houses", end.house)
			return fault.Field(fmt.Sprintf("planning_settings.walks[%d].%s", i, end.field), "there is no house %q", name).With("house", name)
		}
	}
	return nil
}

// personCalled returns what people call a person, or a NotFound fault.
func personCalled(ctx context.Context, r postgres.Reader, nursery, id string) (string, error) {
	people, err := identity.ReadPeople(ctx, r, nursery)
	if err != nil {
		return "", err
	}
	i := slices.IndexFunc(people, func(p identity.Person) bool { return p.ID == id })
	if i < 0 {
		return "", fault.Missing("person", resource.Of("nurseries", nursery, "people", id))
	}
	return people[i].DisplayName, nil
}

// houseCalled returns what people call a house, or a NotFound fault.
func houseCalled(ctx context.Context, r postgres.Reader, nursery, id string) (string, error) {
	houses, err := stock.ReadHouses(ctx, r, nursery)
	if err != nil {
		return "", err
	}
	i := slices.IndexFunc(houses, func(h stock.House) bool { return h.ID == id })
	if i < 0 {
		return "", fault.Missing("house", resource.Of("nurseries", nursery, "houses", id))
	}
	return houses[i].DisplayName, nil
}
