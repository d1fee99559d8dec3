package benchmark

import (
	"fmt"

	"velamen/services/schedule/model"
)

// work adds jobs until there are as many as were asked for.
func (g *grower) work() {
	for len(g.p.Jobs) < g.jobs {
		house := g.random.IntN(g.houses)
		part := g.parts[house][g.random.IntN(len(g.parts[house]))]
		pair := g.jobs-len(g.p.Jobs) >= 2
		switch roll := g.random.IntN(100); {
		case roll < 12 && pair:
			g.program(house, part)
		case roll < 19 && pair:
			g.inspections(house, part)
		case roll < 24 && pair:
			g.sprayAndLook(house, part)
		case roll < 54:
			g.singleSpray(house, part)
		case roll < 70:
			g.singleDrench(house, part)
		case roll < 80:
			g.singleDip(house, part)
		case roll < 90:
			g.add(g.inspection(house, part, g.span()))
		default:
			g.add(g.pruning(house, part, g.span()))
		}
	}
}

// span is when a single job may be done: a release, a due time and a deadline.
type span struct {
	release, due, deadline model.Minute
}

// span is a release within the first ten days, a due time one to three days later and
// a deadline three to five days after that, at the end of a day.
func (g *grower) span() span {
	release := g.between(0, 9)
	due := min(release+g.between(1, 3), days-1)
	deadline := min(due+g.between(3, 5), days-1)
	return span{model.Minute(release) * day, model.Minute(due)*day + closes, model.Minute(deadline)*day + day}
}

// job is one with the times and the risks that every job has.
func (g *grower) job(house int, what string, times span) model.Job {
	return model.Job{
		Name: fmt.Sprintf("%s in house %d", what, house+1), Site: int32(g.site(house)), Mix: model.None,
		Manned: true, People: g.hands[g.site(house)],
		Release: times.release, Due: times.due, Deadline: times.deadline,
		// 5 to 60 a day late, 1 to 10 a day of waiting.
		LateWeight: int64(g.between(5, 60)) * unit / int64(day), WaitWeight: int64(g.between(1, 10)) * unit / int64(day),
		SkipWeight: int64(g.between(3, 8)),
	}
}

func (g *grower) add(job model.Job) int32 {
	g.p.Jobs = append(g.p.Jobs, job)
	return int32(len(g.p.Jobs) - 1)
}

// apply turns a job into the application of a mix with the stations at hand: up to
// four of the site, those next to the house first.
func (g *grower) apply(job *model.Job, house int, mix int32, stations []int32, litres, perMinute int) {
	site := g.site(house)
	job.Name = g.p.Mixes[mix].Name + job.Name
	job.Mix, job.Volume = mix, int64(litres)*1000
	job.People, job.Protected = g.applicators[site], true
	job.SkipWeight = int64(g.between(10, 30))
	job.Demands = []model.Demand{{Pool: int32(site), Amount: 1}}
	for k := range min(4, len(stations)) {
		station := stations[(house+k)%len(stations)]
		speed := perMinute
		if g.p.Stations[station].Tank <= 100_000 {
			// The smaller pump.
			speed = max(perMinute*3/4, 1)
		}
		job.Ways = append(job.Ways, model.Way{Station: station, Duration: model.Minute(10 + (litres+speed-1)/speed)})
	}
}

// occupy closes spaces during the job and for the entry interval of its mix. Those
// who apply the same mix in the house may be inside meanwhile.
func (g *grower) occupy(job *model.Job, house int, spaces []int32) {
	for _, space := range spaces {
		job.Occupies = append(job.Occupies, model.Occupation{
			Space: space, Exclusive: true, Tail: g.entry[job.Mix], Closure: int32(house*len(g.p.Mixes)) + job.Mix,
		})
	}
}

func (g *grower) spray(house int, spaces []int32, mixes []int32, times span) model.Job {
	job := g.job(house, "", times)
	g.apply(&job, house, mixes[g.random.IntN(len(mixes))], g.sprayers[g.site(house)], len(spaces)*g.between(15, 60), 2)
	g.occupy(&job, house, spaces)
	return job
}

func (g *grower) inspection(house int, part int32, times span) model.Job {
	job := g.job(house, "inspection", times)
	job.Ways = []model.Way{{Station: model.None, Duration: model.Minute(g.between(20, 45))}}
	job.Occupies = []model.Occupation{{Space: part, Closure: model.None}}
	return job
}

func (g *grower) pruning(house int, part int32, times span) model.Job {
	job := g.job(house, "pruning", times)
	job.Ways = []model.Way{{Station: model.None, Duration: model.Minute(g.between(40, 120))}}
	job.Occupies = []model.Occupation{{Space: part, Closure: model.None}}
	return job
}

// singleSpray is for the cool hours once in three times and closes the whole house
// once in ten.
func (g *grower) singleSpray(house int, part int32) {
	spaces := []int32{part}
	whole := g.oneIn(10)
	if whole {
		spaces = g.parts[house]
	}
	job := g.spray(house, spaces, g.contact, g.span())
	if whole {
		if next := house + 1; next < g.houses && g.site(next) == g.site(house) {
			job.Occupies = append(job.Occupies, model.Occupation{Space: g.parts[next][0], Exclusive: true, Closure: model.None})
		}
	} else if g.oneIn(3) {
		for d := range model.Minute(days) {
			job.Windows = append(job.Windows,
				model.Span{From: d*day + 5*hour, To: d*day + 11*hour}, model.Span{From: d*day + 15*hour, To: d*day + 21*hour})
		}
	}
	g.add(job)
}

func (g *grower) singleDrench(house int, part int32) {
	job := g.job(house, "", g.span())
	g.apply(&job, house, g.drench[g.random.IntN(len(g.drench))], g.carts[g.site(house)], g.between(60, 240), 6)
	g.occupy(&job, house, []int32{part})
	g.add(job)
}

// singleDip takes plants out of their part of the house, which stays open.
func (g *grower) singleDip(house int, part int32) {
	job := g.job(house, "", g.span())
	g.apply(&job, house, g.dip[g.random.IntN(len(g.dip))], g.baths[g.site(house)], g.between(10, 50), 1)
	job.Occupies = []model.Occupation{{Space: part, Closure: model.None}}
	g.add(job)
}

// program is a systemic spray and a contact spray 10 to 16 days after its end.
func (g *grower) program(house int, part int32) {
	start := model.Minute(g.between(0, 1)) * day
	first := g.add(g.spray(house, []int32{part}, g.systemic, span{start, start + day + closes, 4 * day}))
	job := g.spray(house, []int32{part}, g.contact, span{10 * day, 11*day + closes, horizon})
	job.Needs = []int32{first}
	g.follow(first, g.add(job), 10*day, 16*day)
}

// inspections are two, the second 7 to 10 days after the first.
func (g *grower) inspections(house int, part int32) {
	start := model.Minute(g.between(0, 2)) * day
	first := g.add(g.inspection(house, part, span{start, start + day + closes, 5 * day}))
	job := g.inspection(house, part, span{7 * day, 9*day + closes, horizon})
	job.Needs = []int32{first}
	g.follow(first, g.add(job), 7*day, 10*day)
}

// sprayAndLook is a spray and an inspection 3 to 5 days after it.
func (g *grower) sprayAndLook(house int, part int32) {
	start := model.Minute(g.between(0, 4)) * day
	first := g.add(g.spray(house, []int32{part}, g.contact, span{start, start + 2*day + closes, start + 5*day}))
	job := g.inspection(house, part, span{start + 3*day, start + 7*day + closes, horizon})
	job.Needs = []int32{first}
	g.follow(first, g.add(job), 3*day, 5*day)
}

// follow lets one job start at least and at most some time after the end of another.
func (g *grower) follow(first, second int32, least, most model.Minute) {
	g.p.Lags = append(g.p.Lags,
		model.Lag{From: first, To: second, FromEnd: true, Least: least},
		model.Lag{From: second, To: first, ToEnd: true, Least: -most})
}
