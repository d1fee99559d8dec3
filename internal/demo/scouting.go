package demo

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// scouting is what the houses and benches remember besides outbreaks.
type scouting struct {
	Climate   []houseClimate `yaml:"climate"`
	Handlings []handling     `yaml:"handlings"`
	Open      []sighting     `yaml:"open"`
}

// houseClimate is a logger whose readings are made up from a few numbers.
type houseClimate struct {
	House  string `yaml:"house"`
	Logger string `yaml:"logger"`
	Days   int    `yaml:"days"`
	// Night and Day are the coldest and the warmest of a day, Cel.
	Night float64 `yaml:"night"`
	Day   float64 `yaml:"day"`
	// MoistEvery so many nights the air is close to saturation.
	MoistEvery int `yaml:"moist_every"`
}

// handling is work at the bench.
type handling struct {
	Key         string `yaml:"key"`
	moment      `yaml:",inline"`
	Minutes     int      `yaml:"minutes"`
	By          string   `yaml:"by"`
	Lots        []string `yaml:"lots"`
	ToolSet     string   `yaml:"tool_set"`
	Disinfected bool     `yaml:"disinfected"`
	Crate       string   `yaml:"crate"`
	Work        string   `yaml:"work"`
}

// sighting is an inspection that nobody has drawn a conclusion from.
type sighting struct {
	Key   string     `yaml:"key"`
	Lot   string     `yaml:"lot"`
	Found finding    `yaml:"found"`
	Note  string     `yaml:"note"`
	Signs []contract `yaml:"signs"`
}

// readingEvery is the time from one invented reading to the next.
const readingEvery = 30 * time.Minute

// file writes the logger's file, as a logger would on the nursery's clock, up to a
// moment. The numbers only have to look like a house: a warm afternoon, a cold dawn,
// and air that is moist while it is cold.
func (h houseClimate) file(until time.Time, zone *time.Location) []byte {
	var csv strings.Builder
	csv.WriteString("Timestamp;Relative humidity (%);Temperature (°C)\n")
	end := until.Truncate(readingEvery)
	for now := end.AddDate(0, 0, -h.Days); !now.After(end); now = now.Add(readingEvery) {
		local := now.In(zone)
		hour := float64(local.Hour()) + float64(local.Minute())/60
		const warmest, hours = 14, 24
		warmth := (1 + math.Cos(2*math.Pi*(hour-warmest)/hours)) / 2
		celsius := h.Night + (h.Day-h.Night)*warmth
		humidity := 84 - 26*warmth
		if h.moist(local) {
			humidity += 14 * (1 - warmth)
		}
		fmt.Fprintf(&csv, "%s;%.1f;%.2f\n", now.UTC().Format("2006-01-02T15:04:05Z"), humidity, celsius)
	}
	return []byte(csv.String())
}

// moist says whether the night that a moment belongs to is a moist one.
func (h houseClimate) moist(local time.Time) bool {
	evening := local.Add(-12 * time.Hour)
	return evening.YearDay()%h.MoistEvery == 0
}
