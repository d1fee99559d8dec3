package entry

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/quantity"
)

// at is a moment of 1 March 2026, UTC.
func at(hour, minute int) time.Time { return time.Date(2026, 3, 1, hour, minute, 0, 0, time.UTC) }

func hours(text string) quantity.Quantity { return quantity.Must(text, quantity.Hour) }

// label is a product of which every fact of entry is entered.
func label(interval string) Product {
	return Product{
		Name: "product A", Interval: hours(interval), Respirator: No, Double: No, Inhalation: No,
		Category: CategoryIII, Organophosphate: No,
	}
}

// greenhouse is an enclosed house with fans and vents, of which every fact is entered.
func greenhouse(id string) House {
	return House{
		ID: id, Enclosed: Yes, Volume: quantity.Must("1000", quantity.CubicMetre), AdjoiningEntered: true,
		Fans: Yes, FanFlow: quantity.Must("2000", quantity.CubicMetrePerH), Vents: Yes,
	}
}

func nursery(jurisdiction string, houses ...House) Nursery {
	if len(houses) == 0 {
		houses = []House{greenhouse("h1"), greenhouse("h2"), greenhouse("h3")}
	}
	return Nursery{Jurisdiction: jurisdiction, Zone: time.UTC, Houses: houses}
}

// fog is an application that closes the whole house until it is aired. It ends at 10:00.
func fog(interval string) Application {
	return Application{ID: "a1", House: "h1", Start: at(9, 0), End: at(10, 0), Form: Fog, Products: []Product{label(interval)}}
}

// drench closes the treated area only. It ends at 10:00.
func drench(interval string) Application {
	a := fog(interval)
	a.Form, a.Height = Drench, quantity.Must("10", quantity.Centimetre)
	return a
}

// aired is a span of one device of h1, in hours and minutes after 10:00.
func aired(device Device, from, to time.Duration) Airing {
	return Airing{House: "h1", Device: device, Start: at(10, 0).Add(from), End: at(10, 0).Add(to)}
}

func reasons(standing Standing) []Reason {
	var all []Reason
	for _, closure := range standing.Closures {
		all = append(all, closure.Reason)
	}
	return all
}

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	location, err := time.LoadLocation(name)
	require.NoError(t, err)
	return location
}
