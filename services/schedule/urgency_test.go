package schedule

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	productsv1 "velamen/gen/velamen/products/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/quantity"
	"velamen/services/identity"
	"velamen/services/stock"
	"velamen/services/treatment"
)

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	location, err := time.LoadLocation(name)
	require.NoError(t, err)
	return location
}

// at reads a local moment.
func at(t *testing.T, text string, location *time.Location) time.Time {
	t.Helper()
	moment, err := time.ParseInLocation("2006-01-02 15:04", text, location)
	require.NoError(t, err)
	return moment
}

func step(open, due, overdue time.Time) *treatmentv1.Step {
	return &treatmentv1.Step{
		OpenTime: timestamppb.New(open), DueTime: timestamppb.New(due), OverdueTime: timestamppb.New(overdue),
	}
}

func TestUrgency(t *testing.T) {
	const johannesburg = "Africa/Johannesburg"
	for _, test := range []struct {
		name               string
		zone               string
		open, due, overdue string
		now                string
		want               string
	}{
		{"not open for days", johannesburg, "2026-03-05 08:00", "2026-03-06 08:00", "2026-03-08 08:00", "2026-03-02 08:00",
			"Opens in 3 days, at 2026-03-05 08:00; due by 2026-03-06 08:00."},
		{"not open for hours", johannesburg, "2026-03-05 08:00", "2026-03-06 08:00", "2026-03-08 08:00", "2026-03-04 20:30",
			"Opens in 12 hours, at 2026-03-05 08:00; due by 2026-03-06 08:00."},
		{"not open for a minute", johannesburg, "2026-03-05 08:00", "2026-03-06 08:00", "2026-03-08 08:00", "2026-03-05 07:59",
			"Opens in 1 hour, at 2026-03-05 08:00; due by 2026-03-06 08:00."},
		{"just open", johannesburg, "2026-03-05 08:00", "2026-03-08 08:00", "2026-03-09 08:00", "2026-03-05 08:00",
			"Due in 3 days, by 2026-03-08 08:00."},
		{"due tomorrow, in less than 24 hours", johannesburg, "2026-03-05 08:00", "2026-03-06 01:00", "2026-03-09 08:00", "2026-03-05 23:00",
			"Due tomorrow by 01:00."},
		{"due today", johannesburg, "2026-03-05 08:00", "2026-03-05 16:00", "2026-03-09 08:00", "2026-03-05 09:00",
			"Due today by 16:00."},
		{"past the hour it was due", johannesburg, "2026-03-05 08:00", "2026-03-05 16:00", "2026-03-09 08:00", "2026-03-05 17:00",
			"Was due today by 16:00; overdue from 2026-03-09 08:00."},
		{"past the day it was due", johannesburg, "2026-03-05 08:00", "2026-03-05 16:00", "2026-03-09 08:00", "2026-03-06 07:00",
			"Was due by 2026-03-05 16:00; overdue from 2026-03-09 08:00."},
		{"overdue this minute", johannesburg, "2026-03-05 08:00", "2026-03-05 16:00", "2026-03-09 08:00", "2026-03-09 08:00",
			"Overdue by less than an hour: the latest was 2026-03-09 08:00."},
		{"overdue by hours over midnight", johannesburg, "2026-03-05 08:00", "2026-03-05 16:00", "2026-03-09 23:00", "2026-03-10 01:30",
			"Overdue by 2 hours: the latest was 2026-03-09 23:00."},
		{"overdue by a day", johannesburg, "2026-03-05 08:00", "2026-03-05 16:00", "2026-03-09 08:00", "2026-03-10 08:00",
			"Overdue by 1 day: the latest was 2026-03-09 08:00."},
		{"overdue by days", johannesburg, "2026-03-05 08:00", "2026-03-05 16:00", "2026-03-09 08:00", "2026-03-12 07:00",
			"Overdue by 3 days: the latest was 2026-03-09 08:00."},
		{"the clocks go forward in between: one hour less", "America/Los_Angeles",
			"2026-03-08 06:00", "2026-03-08 16:00", "2026-03-09 08:00", "2026-03-07 20:00",
			"Opens in 9 hours, at 2026-03-08 06:00; due by 2026-03-08 16:00."},
		{"the clocks go back today: still the same day", "America/Los_Angeles",
			"2026-11-01 00:00", "2026-11-01 23:30", "2026-11-03 08:00", "2026-11-01 00:10",
			"Due today by 23:30."},
		{"a due time that is tomorrow in UTC is today here", "America/Los_Angeles",
			"2026-06-01 08:00", "2026-06-01 20:00", "2026-06-03 08:00", "2026-06-01 09:00",
			"Due today by 20:00."},
	} {
		t.Run(test.name, func(t *testing.T) {
			location := zone(t, test.zone)
			s := step(at(t, test.open, location), at(t, test.due, location), at(t, test.overdue, location))
			require.Equal(t, test.want, urgency(s, at(t, test.now, location).UTC(), location))
		})
	}
}

func TestJob(t *testing.T) {
	nursery := identity.Nursery{ID: "test", Zone: time.UTC}
	now := time.Date(2026, 3, 5, 9, 0, 0, 0, time.UTC)
	due := step(now.Add(-time.Hour), now.Add(time.Hour), now.Add(48*time.Hour))
	lots := map[string]stock.Lot{
		"l1": {ID: "l1", House: "h2", Plants: 40},
		"l2": {ID: "l2", House: "h1", Plants: 2},
		"l3": {ID: "l3", House: "h2", Plants: 8},
		"l4": {ID: "l4", House: "h9", Plants: 0},
	}
	tank := quantity.Must("15", quantity.Litre)
	sprayers := []Sprayer{
		{ID: "bath", TankVolume: tank, Methods: []productsv1.Method{productsv1.Method_METHOD_BATH}},
		{ID: "cart", TankVolume: tank, Methods: []productsv1.Method{productsv1.Method_METHOD_SPRAY, productsv1.Method_METHOD_DRENCH}},
		{ID: "broken", TankVolume: tank, Methods: []productsv1.Method{productsv1.Method_METHOD_BATH}, OutOfService: true},
	}
	for _, test := range []struct {
		name   string
		method productsv1.Method
		want   []string
	}{
		{"a bath", productsv1.Method_METHOD_BATH, []string{"nurseries/test/sprayers/bath"}},
		{"a spray", productsv1.Method_METHOD_SPRAY, []string{"nurseries/test/sprayers/cart"}},
		{"a step that applies nothing", productsv1.Method_METHOD_UNSPECIFIED, nil},
	} {
		t.Run(test.name, func(t *testing.T) {
			made := job(nursery, treatment.OpenStep{Step: due, LotIDs: []string{"l1", "l2", "l3", "l4"}, Method: test.method}, lots, sprayers, now)
			require.Equal(t, test.want, made.GetSprayers())
			require.Equal(t, int64(50), made.GetPlants())
			require.Equal(t, []string{"nurseries/test/houses/h1", "nurseries/test/houses/h2"}, made.GetHouses(), "an empty lot stands nowhere")
			require.Equal(t, "Due today by 10:00.", made.GetUrgency())
		})
	}
}
