package entry

import (
	"testing"
	"time"
)

// BenchmarkHouseAfterAYear asks whether a house is open after a year in which it was
// fogged every day and aired four times a day.
func BenchmarkHouseAfterAYear(b *testing.B) {
	var applications []Application
	var airings []Airing
	for day := range 365 {
		a := fog("12")
		a.Start, a.End = a.Start.AddDate(0, 0, day), a.End.AddDate(0, 0, day)
		applications = append(applications, a)
		for span := range 4 {
			airing := aired(Fans, time.Duration(span)*time.Hour, time.Duration(span)*time.Hour+50*time.Minute)
			airing.Start, airing.End = airing.Start.AddDate(0, 0, day), airing.End.AddDate(0, 0, day)
			airings = append(airings, airing)
		}
	}
	n, now := nursery("US"), at(10, 0).AddDate(1, 0, 0)
	for b.Loop() {
		if !n.At(applications, airings, "h1", now).Open() {
			b.Fatal("the last fog was aired and its interval is over")
		}
	}
}
