package schedule

import (
	"cmp"
	"slices"
	"time"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/quantity"
	"velamen/services/schedule/model"
)

// How long a mix may be used where nobody says: a spray or a drench on the day on
// which it is made (common practice, no source), a bath for a day (design value, as in
// the mix sheet of a bath).
const (
	sprayLife = 8 * time.Hour
	bathLife  = 24 * time.Hour
)

// addStations makes the sprayers in service the stations of the problem. Each begins
// clean: that it is rinsed when the day's work is done is common practice, no source.
func (c *compiled) addStations() {
	for _, sprayer := range c.input.Sprayers {
		if sprayer.OutOfService {
			continue
		}
		c.stations[sprayer.ID] = int32(len(c.sprayers))
		c.sprayers = append(c.sprayers, sprayer)
		station := model.Station{
			Name: sprayer.DisplayName, Tank: millilitres(sprayer.TankVolume, false), SmallestLoad: millilitres(sprayer.SmallestLoad, true),
			Graduation: max(millilitres(sprayer.Graduation, true), 1), MixMinutes: limited(int64(sprayer.MixMinutes)),
			Holds: model.None, Rinses: model.None,
		}
		if sprayer.Graduation.IsZero() {
			station.Graduation = min(millilitres(DefaultGraduation, true), max(station.Tank, 1))
		}
		for _, told := range c.busy {
			if told.Sprayer == sprayer.ID {
				station.Open = []model.Span{{From: min(c.minuteUp(told.End), c.problem.Horizon), To: c.problem.Horizon + 1}}
			}
		}
		c.problem.Stations = append(c.problem.Stations, station)
	}
}

// millilitres returns a volume in mL, up or down to whole ones; 0 where there is none.
func millilitres(volume quantity.Quantity, up bool) int64 {
	if volume.IsZero() {
		return 0
	}
	exact, err := volume.Exact().In(quantity.Millilitre)
	if err != nil {
		return 0
	}
	whole := exact.Floor(0)
	if up {
		whole = exact.Ceil(0)
	}
	return min(max(whole.Amount.IntPart(), 0), model.MaxVolume)
}

// limited keeps a number of minutes within what the model can count.
func limited(n int64) model.Minute { return model.Minute(min(max(n, 0), model.MaxMinutes)) }

// fills tells whether a load of some size can be made and measured in a station.
func fills(station *model.Station) bool {
	smallest, largest := loadLimits(station)
	return largest > 0 && smallest <= largest
}

// loadLimits returns the least and the most that one load may hold, mL, in whole
// graduations.
func loadLimits(station *model.Station) (smallest, largest int64) {
	return (station.SmallestLoad + station.Graduation - 1) / station.Graduation * station.Graduation,
		station.Tank / station.Graduation * station.Graduation
}

// loadFor returns how much is made for a volume, mL, and in how many fillings.
func loadFor(station *model.Station, volume int64) (made int64, fillings int64) {
	if volume <= 0 || !fills(station) {
		return volume, min(volume, 1)
	}
	smallest, largest := loadLimits(station)
	fillings = (volume + largest - 1) / largest
	made = (volume + station.Graduation - 1) / station.Graduation * station.Graduation
	return max(made, fillings*smallest), fillings
}

// mixOf tells what is in the tank for a job.
func mixOf(chemical *Chemical) string { return cmp.Or(chemical.Mix, chemical.Product) }

// addMixes makes what the jobs apply the mixes of the problem, and each sprayer's
// rinses. A rinse comes between two different mixes, two between products that must
// be kept apart.
func (c *compiled) addMixes() {
	var of []*Chemical
	for i := range c.drafts {
		d := &c.drafts[i]
		chemical := c.input.Work[d.work].Chemical
		if chemical == nil {
			continue
		}
		k := slices.IndexFunc(of, func(other *Chemical) bool { return mixOf(other) == mixOf(chemical) })
		if k < 0 {
			k = len(of)
			of = append(of, chemical)
			c.problem.Mixes = append(c.problem.Mixes, model.Mix{Name: chemical.DisplayName, Life: lifeOf(chemical)})
		}
		d.mix = int32(k)
		c.problem.Mixes[k].Life = min(c.problem.Mixes[k].Life, lifeOf(chemical))
	}
	if len(of) == 0 {
		return
	}
	tables := map[model.Rinse]int32{}
	for i, sprayer := range c.sprayers {
		one := model.Rinse{Minutes: limited(int64(sprayer.RinseMinutes)), Volume: millilitres(sprayer.RinseVolume, true)}
		if one == (model.Rinse{}) {
			continue
		}
		if _, ok := tables[one]; !ok {
			tables[one] = int32(len(c.problem.Rinses))
			c.problem.Rinses = append(c.problem.Rinses, rinsesOf(of, one))
		}
		c.problem.Stations[i].Rinses = tables[one]
	}
}

// lifeOf returns how long a mix may be used, whole minutes.
func lifeOf(chemical *Chemical) model.Minute {
	life := chemical.Life
	switch {
	case life > 0:
	case chemical.Method == productsv1.Method_METHOD_BATH:
		life = bathLife
	default:
		life = sprayLife
	}
	return model.Minute(min(life/time.Minute, model.MaxMinutes))
}

func rinsesOf(mixes []*Chemical, one model.Rinse) model.RinseTable {
	table := make(model.RinseTable, len(mixes)+1)
	table[0] = make([]model.Rinse, len(mixes)) // a clean tank
	for from, before := range mixes {
		table[from+1] = make([]model.Rinse, len(mixes))
		for to, after := range mixes {
			switch {
			case from == to:
			case slices.Contains(before.KeptApart, after.Product) || slices.Contains(after.KeptApart, before.Product):
				table[from+1][to] = model.Rinse{
					Minutes: min(2*one.Minutes, model.MaxMinutes), Volume: min(2*one.Volume, model.MaxVolume),
				}
			default:
				table[from+1][to] = one
			}
		}
	}
	return table
}
