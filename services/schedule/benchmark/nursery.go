package benchmark

import (
	"fmt"
	"math/rand/v2"
	"time"

	"velamen/services/schedule/model"
)

const (
	hour = model.Minute(60)
	day  = 24 * hour
	// days planned ahead.
	days    = 14
	horizon = days * day
	// workday begins and ends.
	opens, closes = 7 * hour, 16*hour + 30
)

// Nursery makes up two weeks of a nursery with some number of jobs. The same seed and
// number give the same problem. Every figure is invented for the benchmark; what the
// trade does is common practice, without a source.
//
// The nursery grows with the jobs: 3 people and 6 houses for 50 or fewer, 8 and 30 for
// 500, 60 and 200 on three sites for 5,000. A house has two to four parts, each of
// them a space. Two people in three are certified to apply products and wear
// protective equipment for at most four hours a day; the others inspect and prune.
// Work is on weekdays from 7:00 to 16:30 with a break at noon, overtime to 18:00;
// one person in four also works on Saturday morning, one in five is off for a day.
//
// Sprayers, drench carts and dip baths have tanks and hold mixes. Rinses depend on
// what comes before and after. About four jobs in ten are linked: a contact spray 10
// to 16 days after a systemic one, two inspections 7 to 10 days apart of which the
// second needs the first, an inspection 3 to 5 days after a spray. Sprays and drenches
// close their part of a house for 4 to 48 hours, a tenth of the single sprays close a
// whole house and keep people out of the one next to it meanwhile. A third of the
// single sprays are for the cool hours. One house in three has a delivery, one part in
// eight is still closed when the plan begins.
func Nursery(seed uint64, jobs int) *model.Problem {
	g := &grower{
		random: rand.New(rand.NewPCG(seed, uint64(jobs))),
		p: &model.Problem{
			// A Monday, from 0:00.
			Start:   time.Date(2027, time.March, 1, 0, 0, 0, 0, time.UTC).Unix(),
			Horizon: horizon,
			Weights: model.Weights{Leftover: 500, Rinse: 2 * unit, RinseVolume: 50, Overtime: 2 * unit / 5},
		},
		jobs: jobs,
	}
	for d := range model.Minute(days) {
		g.p.Days = append(g.p.Days, d*day)
	}
	g.houses = grown(jobs, 6, 30, 200)
	g.sites = 1 + g.houses/80
	g.build()
	g.mixes()
	g.people(grown(jobs, 3, 8, 60))
	g.stations()
	g.work()
	return g.p
}

// grown is how many of something a nursery has that has so many with 50, 500 and
// 5,000 jobs.
func grown(jobs, small, middle, large int) int {
	switch {
	case jobs <= 50:
		return small
	case jobs <= 500:
		return small + (jobs-50)*(middle-small)/450
	}
	return middle + (jobs-500)*(large-middle)/4500
}

// grower makes up one nursery.
type grower struct {
	random        *rand.Rand
	p             *model.Problem
	jobs          int
	houses, sites int
	// parts are the spaces of each house.
	parts [][]int32
	// applicators and hands are the certified and all people of each site, ascending.
	applicators, hands [][]int32
	// sprayers, carts and baths are the stations of each site.
	sprayers, carts, baths [][]int32
	// contact, systemic, drench and dip are mixes by use.
	contact, systemic, drench, dip []int32
	// entry is how long after a mix was applied nobody may enter, by mix.
	entry []model.Minute
}

// between is from low to high, both included.
func (g *grower) between(low, high int) int { return low + g.random.IntN(high-low+1) }

// oneIn is true once in n times.
func (g *grower) oneIn(n int) bool { return g.random.IntN(n) == 0 }

func (g *grower) site(house int) int { return house * g.sites / g.houses }

// workdays are the same hours of every weekday.
func workdays(from, to model.Minute) []model.Span {
	var spans []model.Span
	for d := range model.Minute(days) {
		if d%7 < 5 {
			spans = append(spans, model.Span{From: d*day + from, To: d*day + to})
		}
	}
	return spans
}

// build makes the sites, houses and their parts.
func (g *grower) build() {
	g.p.Travel = make([][]model.Minute, g.sites)
	for a := range g.sites {
		g.p.Travel[a] = make([]model.Minute, g.sites)
		for b := range a {
			g.p.Travel[a][b] = model.Minute(20 + 10*(a-b))
			g.p.Travel[b][a] = g.p.Travel[a][b]
		}
		g.p.Pools = append(g.p.Pools, model.Pool{Name: fmt.Sprintf("water points of site %d", a+1)})
	}
	working := workdays(opens, closes)
	g.parts = make([][]int32, g.houses)
	for h := range g.houses {
		for part := range g.between(2, 4) {
			space := model.Space{
				Name: fmt.Sprintf("house %d part %d", h+1, part+1), House: int32(h), Working: working,
				// 2 to 8 an hour.
				ClosedWeight: int64(g.between(2, 8)) * unit / 60,
			}
			if g.oneIn(8) {
				space.Closed = []model.Span{{From: 0, To: model.Minute(g.between(6, 20)) * hour}}
			}
			g.parts[h] = append(g.parts[h], int32(len(g.p.Spaces)))
			g.p.Spaces = append(g.p.Spaces, space)
		}
		if g.oneIn(3) {
			g.deliver(g.parts[h][0])
		}
	}
}

// deliver keeps a space open for one or two hours of a weekday.
func (g *grower) deliver(space int32) {
	from := model.Minute(g.between(0, 4)+7*g.between(0, 1))*day + model.Minute(g.between(8, 13))*hour
	g.p.Spaces[space].Engaged = []model.Span{{From: from, To: from + model.Minute(g.between(1, 2))*hour}}
}

// mixes makes the mixes and the rinse tables: table 0 for sprayers and carts, table 1
// for baths, which are emptied and wiped.
func (g *grower) mixes() {
	each := grown(g.jobs, 2, 4, 6)
	add := func(use string, life model.Minute, entry ...model.Minute) []int32 {
		var mixes []int32
		for k := range each {
			mixes = append(mixes, int32(len(g.p.Mixes)))
			g.p.Mixes = append(g.p.Mixes, model.Mix{Name: fmt.Sprintf("%s %d", use, k+1), Life: life})
			g.entry = append(g.entry, entry[g.random.IntN(len(entry))]*hour)
		}
		return mixes
	}
	g.contact = add("contact spray", 4*hour, 4, 12, 12, 24)
	g.systemic = add("systemic spray", 8*hour, 12, 24, 48)
	g.drench = add("drench", 6*hour, 4, 12)
	g.dip = add("dip", 24*hour, 4)
	count := len(g.p.Mixes)
	sprayers, baths := make(model.RinseTable, count+1), make(model.RinseTable, count+1)
	for from := range count + 1 {
		sprayers[from], baths[from] = make([]model.Rinse, count), make([]model.Rinse, count)
		for to := range count {
			if from == 0 || from-1 == to {
				continue
			}
			// From one contact spray to another a short rinse does.
			sprayers[from][to] = model.Rinse{Minutes: 15, Volume: 20_000}
			if from-1 < each && to < each {
				sprayers[from][to] = model.Rinse{Minutes: 5, Volume: 5_000}
			}
			baths[from][to] = model.Rinse{Minutes: 20, Volume: 40_000}
		}
	}
	g.p.Rinses = []model.RinseTable{sprayers, baths}
}

// people makes applicators and hands. One in ten also works on the next site.
func (g *grower) people(count int) {
	g.applicators, g.hands = make([][]int32, g.sites), make([][]int32, g.sites)
	for i := range count {
		person := model.Person{Name: fmt.Sprintf("person %d", i+1), Shifts: g.shifts(i)}
		home := []int{i % g.sites}
		if i%10 == 0 && g.sites > 1 {
			home = append(home, (i+1)%g.sites)
		}
		certified := (i/g.sites)%3 != 2
		if certified {
			person.MaxProtected = 6 * hour
		}
		for _, site := range home {
			g.hands[site] = append(g.hands[site], int32(i))
			if certified {
				g.applicators[site] = append(g.applicators[site], int32(i))
			}
		}
		g.p.People = append(g.p.People, person)
	}
}

// shifts are the mornings and afternoons of one person.
func (g *grower) shifts(person int) []model.Shift {
	off := -1
	if g.oneIn(5) {
		off = g.between(0, days-1)
	}
	var shifts []model.Shift
	for d := range days {
		start := model.Minute(d) * day
		switch {
		case d == off:
		case d%7 < 5:
			shifts = append(shifts,
				model.Shift{Span: model.Span{From: start + opens, To: start + 12*hour}, Overtime: start + 12*hour},
				model.Shift{Span: model.Span{From: start + 12*hour + 45, To: start + 18*hour}, Overtime: start + closes})
		case d%7 == 5 && person%4 == 0:
			shifts = append(shifts, model.Shift{
				Span: model.Span{From: start + opens, To: start + 12*hour}, Overtime: start + opens,
			})
		}
	}
	return shifts
}

// stations makes sprayers, carts and baths for the applicators of each site.
func (g *grower) stations() {
	g.sprayers, g.carts, g.baths = make([][]int32, g.sites), make([][]int32, g.sites), make([][]int32, g.sites)
	for site := range g.sites {
		applicators := len(g.applicators[site])
		for k := range (applicators*3 + 3) / 4 {
			sprayer := model.Station{
				Name: fmt.Sprintf("sprayer %d of site %d", k+1, site+1),
				Tank: 200_000, SmallestLoad: 20_000, Graduation: 5_000, MixMinutes: 12,
			}
			if k%3 == 1 {
				sprayer.Tank, sprayer.SmallestLoad, sprayer.MixMinutes = 100_000, 10_000, 10
			}
			g.sprayers[site] = append(g.sprayers[site], g.addStation(sprayer, 0, g.contact))
		}
		for k := range 1 + applicators/6 {
			g.carts[site] = append(g.carts[site], g.addStation(model.Station{
				Name: fmt.Sprintf("drench cart %d of site %d", k+1, site+1),
				Tank: 400_000, SmallestLoad: 40_000, Graduation: 10_000, MixMinutes: 15,
			}, 0, g.drench))
		}
		for k := range 1 + applicators/10 {
			g.baths[site] = append(g.baths[site], g.addStation(model.Station{
				Name: fmt.Sprintf("dip bath %d of site %d", k+1, site+1),
				Tank: 80_000, SmallestLoad: 20_000, Graduation: 5_000, MixMinutes: 15,
			}, 1, g.dip))
		}
		g.p.Pools[site].Capacity = int32(max(len(g.sprayers[site])*3/4, 2))
	}
}

// addStation adds a station that may hold one of some mixes and may be away for a day.
func (g *grower) addStation(station model.Station, rinses int32, holds []int32) int32 {
	station.Rinses, station.Holds = rinses, model.None
	if g.oneIn(2) {
		station.Holds = holds[g.random.IntN(len(holds))]
	}
	if g.oneIn(4) {
		away := model.Minute(g.between(1, days-2)) * day
		station.Open = []model.Span{{From: 0, To: away}, {From: away + day, To: horizon}}
	}
	g.p.Stations = append(g.p.Stations, station)
	return int32(len(g.p.Stations) - 1)
}
