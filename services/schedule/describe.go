package schedule

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"github.com/shopspring/decimal"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/quantity"
	"velamen/services/schedule/model"
)

// dayPlan writes a plan as people read it: jobs, loads, what is left out and why, what
// it costs and by how much that could be less, and what is other than people were
// told. What belongs to the row of the plan is not in it.
func (c *compiled) dayPlan(plan model.Plan, score model.Score, proven proof) *schedulev1.DayPlan {
	l := c.layOut(plan)
	b, known := proven.bounds, proven.speaksOf(score)
	day := &schedulev1.DayPlan{
		StartTime: timestamppb.New(c.at(0)), EndTime: timestamppb.New(c.at(c.problem.Horizon)), Points: points(score.Total()),
	}
	if known {
		day.Bound = points(b.Total)
		day.BoundOfSameUnplanned = proven.same
	}
	day.UnplannedProven = proven.some
	for term := range model.Terms {
		if term == model.Finish { // the end of the last job costs nothing here
			continue
		}
		line := &schedulev1.PlanTerm{Term: term.String(), Points: points(score.Terms[term])}
		if known {
			line.Bound, line.BoundBy = points(b.Terms[term].Value), b.Terms[term].By
		}
		day.Terms = append(day.Terms, line)
	}
	for _, j := range l.order {
		day.Jobs = append(day.Jobs, l.planned(j))
	}
	for _, u := range c.underway {
		day.Jobs = append(day.Jobs, c.goingOn(u))
	}
	slices.SortStableFunc(day.GetJobs(), func(a, b *schedulev1.PlannedJob) int {
		return cmp.Or(a.GetStartTime().AsTime().Compare(b.GetStartTime().AsTime()), strings.Compare(a.GetJob(), b.GetJob()))
	})
	day.Unplanned = l.unplanned()
	day.TankLoads = l.tankLoads()
	day.Breakdowns = l.breakdowns()
	day.Removed = l.removed()
	return day
}

// planned writes one job of a plan.
func (l *layout) planned(j int32) *schedulev1.PlannedJob {
	c, at, d := l.c, &l.stands[j], &l.c.drafts[j]
	work := &c.input.Work[d.work]
	job := c.jobOf(work)
	job.Plants = d.plants
	if person := l.plan[j].Person; person != model.None {
		job.Person = c.name("people", c.crew[person].Person.ID)
	}
	if at.station != model.None {
		job.Sprayer = c.name("sprayers", c.sprayers[at.station].ID)
	}
	job.PrepareTime, job.StartTime = timestamppb.New(c.at(at.begin)), timestamppb.New(c.at(at.start))
	job.EndTime = timestamppb.New(c.at(at.end))
	if until, closes := l.closedUntil(j); closes {
		job.ClosedUntilTime = timestamppb.New(c.at(until))
	}
	job.TankLoad = int32(at.load)
	due, overdue := l.dueOf(work)
	job.DueTime, job.OverdueTime = timestampOf(due), timestampOf(overdue)
	job.Pinned = c.problem.Jobs[j].Pin != nil
	job.Change, job.Reason = l.change(j)
	if c.measureFirst(d, work.Chemical) {
		job.Reason += " Measure the air first: it is applied at " + work.Chemical.Temperatures.String() + "."
	}
	if unknown := l.heatUnknown(j); unknown != "" {
		job.Reason += " " + unknown
	}
	job.Terms = termsOf(l.costs[j])
	return job
}

// jobOf writes what a job is, without its place.
func (c *compiled) jobOf(work *Work) *schedulev1.PlannedJob {
	job := &schedulev1.PlannedJob{Job: work.Job, Title: work.Title, Kind: kindText(work.Kind), Houses: c.houseNames(work)}
	for _, lot := range work.Lots {
		job.Lots = append(job.Lots, c.name("lots", lot.ID))
		job.Plants += lot.Plants
	}
	if work.Plants > 0 {
		job.Plants = work.Plants
	}
	if work.Chemical != nil {
		job.Product = work.Chemical.Product
		job.MixVolume = work.Chemical.Volume.Contract()
		job.RestrictedEntryInterval = work.Chemical.RestrictedEntryInterval.Contract()
	}
	return job
}

// houseNames returns the houses in which lots of a job stand, in order.
func (c *compiled) houseNames(work *Work) []string {
	var names []string
	for _, lot := range work.Lots {
		if name := c.name("houses", lot.House); !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

// dueOf returns when a job is due and overdue: what waits for others counts from when
// those end in the plan. Both are zero when nobody said.
func (l *layout) dueOf(work *Work) (due, overdue time.Time) {
	due, overdue = work.Due, work.Overdue
	for _, after := range work.After {
		var end time.Time
		if told, now := l.c.goesOn(after.Job); now {
			end = told.End
		}
		if k, ok := l.c.index[after.Job]; ok && l.stands[k].placed {
			end = l.c.at(l.stands[k].end)
		}
		if end.IsZero() {
			continue
		}
		due, overdue = later(due, end.Add(after.Due)), later(overdue, end.Add(after.Max))
	}
	return due, overdue
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func timestampOf(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

const goesOnReason = "It was told for now and goes on."

// asTold writes a job that somebody is doing now with the product and the interval that
// they were told, whatever would be chosen now. Its load and its cost are those of the
// plan before.
func asTold(told *schedulev1.PlannedJob) *schedulev1.PlannedJob {
	job := proto.CloneOf(told)
	job.TankLoad, job.Terms = 0, nil
	job.Change, job.Reason = schedulev1.Change_CHANGE_NONE, goesOnReason
	return job
}

// goingOn writes a job that somebody is doing now, as it was told.
func (c *compiled) goingOn(u underway) *schedulev1.PlannedJob {
	work := &c.input.Work[u.work]
	if u.told.As != nil {
		return asTold(u.told.As)
	}
	job := c.jobOf(work)
	job.Person, job.Sprayer = c.name("people", u.told.Person), c.name("sprayers", u.told.Sprayer)
	job.PrepareTime, job.StartTime, job.EndTime = timestamppb.New(u.told.begins()), timestamppb.New(u.told.Start), timestamppb.New(u.told.End)
	job.DueTime, job.OverdueTime = timestampOf(work.Due), timestampOf(work.Overdue)
	job.Change, job.Reason = schedulev1.Change_CHANGE_NONE, goesOnReason
	if work.Chemical == nil {
		return job
	}
	var tail model.Minute
	for _, lot := range work.Lots {
		if h, known := c.houses[lot.House]; known {
			tail = max(tail, c.tail(work.Chemical, &c.input.Houses[h]))
		}
	}
	job.ClosedUntilTime = timestamppb.New(u.told.End.Add(time.Duration(tail) * time.Minute))
	return job
}

// unplanned writes a job that is left out.
func (c *compiled) unplanned(work Work, reasons ...string) *schedulev1.UnplannedJob {
	return &schedulev1.UnplannedJob{
		Job: work.Job, Title: work.Title, Houses: c.houseNames(&work), DueTime: timestampOf(work.Due), Reasons: reasons,
	}
}

// unplanned writes what the plan leaves out, the most urgent first.
func (l *layout) unplanned() []*schedulev1.UnplannedJob {
	all := slices.Clone(l.c.impossible)
	for j := range l.stands {
		if l.stands[j].placed {
			continue
		}
		work := l.c.input.Work[l.c.drafts[j].work]
		left := l.c.unplanned(work, l.whyLeftOut(int32(j))...)
		due, _ := l.dueOf(&work)
		left.DueTime = timestampOf(due)
		all = append(all, left)
	}
	slices.SortStableFunc(all, func(a, b *schedulev1.UnplannedJob) int {
		if (a.GetDueTime() == nil) != (b.GetDueTime() == nil) {
			if a.GetDueTime() == nil {
				return 1
			}
			return -1
		}
		return cmp.Or(a.GetDueTime().AsTime().Compare(b.GetDueTime().AsTime()), strings.Compare(a.GetJob(), b.GetJob()))
	})
	return all
}

// tankLoads writes what is mixed.
func (l *layout) tankLoads() []*schedulev1.TankLoad {
	var all []*schedulev1.TankLoad
	for n, made := range l.loads {
		p, first := l.c.problem, &l.stands[made.jobs[0]]
		station := &p.Stations[made.station]
		tank := &schedulev1.TankLoad{
			Number: int32(n + 1), Sprayer: l.c.name("sprayers", l.c.sprayers[made.station].ID),
			Product:      l.c.input.Work[l.c.drafts[made.jobs[0]].work].Chemical.Product,
			RinseMinutes: first.rinse.Minutes, UseByTime: timestamppb.New(l.c.at(first.start + p.Mixes[made.mix].Life)),
		}
		for _, j := range made.jobs {
			tank.Jobs = append(tank.Jobs, l.c.jobs[j])
		}
		if first.rinse.Volume > 0 {
			tank.RinseVolume = inLitres(first.rinse.Volume)
		}
		total, fillings := loadFor(station, made.volume)
		if made.volume == 0 { // a bath is filled once; how much of it is used up is not known
			tank.Made, tank.Fillings = inLitres(station.Tank), 1
		} else {
			tank.Needed, tank.Made, tank.LeftOver, tank.Fillings = inLitres(made.volume), inLitres(total), inLitres(total-made.volume), int32(fillings)
		}
		all = append(all, tank)
	}
	return all
}

// inLitres writes mL as L, exactly.
func inLitres(millilitres int64) *typev1.Quantity {
	return quantity.Quantity{Amount: decimal.New(millilitres, -3), Unit: quantity.Litre}.Contract()
}

// termsOf writes costs, or changes of costs, by term; terms of 0 are left out.
func termsOf(costs [model.Terms]int64) []*schedulev1.PlanTerm {
	var terms []*schedulev1.PlanTerm
	for term, cost := range costs {
		if cost != 0 {
			terms = append(terms, &schedulev1.PlanTerm{Term: model.Term(term).String(), Points: points(cost)})
		}
	}
	return terms
}

// removed writes what people were told of and the plan does not have.
func (l *layout) removed() []*schedulev1.PlannedJob {
	var all []*schedulev1.PlannedJob
	for _, told := range l.c.input.Told {
		if _, now := l.c.goesOn(told.Job); now {
			continue
		}
		if k, ok := l.c.index[told.Job]; ok && l.stands[k].placed {
			continue
		}
		job := &schedulev1.PlannedJob{Job: told.Job, Title: l.c.titleOf(told.Job)}
		if told.As != nil {
			job.Title, job.Kind, job.Houses = told.As.GetTitle(), told.As.GetKind(), told.As.GetHouses()
		}
		reason := "It is not to be done any more, or not in these days."
		if i, waits := l.c.workAt[told.Job]; waits {
			job = l.c.jobOf(&l.c.input.Work[i])
			reason = l.whyOut(told.Job)
		}
		job.Person, job.Sprayer = l.c.name("people", lastPart(told.Person)), l.c.name("sprayers", lastPart(told.Sprayer))
		job.StartTime, job.EndTime = timestamppb.New(told.Start), timestamppb.New(told.End)
		job.Change, job.Reason = schedulev1.Change_CHANGE_REMOVED, reason
		all = append(all, job)
	}
	return all
}

// whyOut says why a job is left out, in one sentence.
func (l *layout) whyOut(job string) string {
	if k, ok := l.c.index[job]; ok {
		return l.whyLeftOut(k)[0]
	}
	i := slices.IndexFunc(l.c.impossible, func(u *schedulev1.UnplannedJob) bool { return u.GetJob() == job })
	if i < 0 {
		return "It is not in the plan."
	}
	return l.c.impossible[i].GetReasons()[0]
}

// breakdowns writes what the plan costs by day, house and person. What a closure costs
// is the house's that is closed; all else of a job is that of its first house.
func (l *layout) breakdowns() []*schedulev1.Breakdown {
	sums := newSums()
	for j := range l.c.problem.Jobs {
		l.addTo(sums, int32(j))
	}
	return sums.write()
}

func (l *layout) addTo(sums *sums, j int32) {
	c, at, costs := l.c, &l.stands[j], l.costs[j]
	told := c.problem.Jobs[j].Told
	first := c.name("houses", c.input.Houses[c.drafts[j].houses[0]].ID)
	if !at.placed {
		if told != nil {
			sums.add("day", c.dayOf(told.Start), costs, 0)
			sums.add("house", first, costs, 0)
			if told.Person != model.None {
				sums.add("person", c.name("people", c.crew[told.Person].Person.ID), costs, 0)
			}
		}
		return
	}
	sums.add("day", c.dayOf(at.start), costs, 1)
	if person := l.plan[j].Person; person != model.None {
		sums.add("person", c.name("people", c.crew[person].Person.ID), costs, 1)
	}
	for space, cost := range l.closed[j] { // sums do not depend on the order
		var closed [model.Terms]int64
		closed[model.Closed] = cost
		sums.add("house", c.name("houses", c.input.Houses[c.spaces.of[space]].ID), closed, 0)
	}
	costs[model.Closed] = 0
	sums.add("house", first, costs, 0)
	for _, h := range c.drafts[j].houses {
		sums.add("house", c.name("houses", c.input.Houses[h].ID), [model.Terms]int64{}, 1)
	}
}

// sums are costs by part of a plan.
type sums struct {
	costs map[[2]string][model.Terms]int64
	jobs  map[[2]string]int32
}

func newSums() *sums {
	return &sums{costs: map[[2]string][model.Terms]int64{}, jobs: map[[2]string]int32{}}
}

func (s *sums) add(by, of string, costs [model.Terms]int64, jobs int32) {
	key := [2]string{by, of}
	sum := s.costs[key]
	for term, cost := range costs {
		sum[term] += cost
	}
	s.costs[key] = sum
	s.jobs[key] += jobs
}

// write returns the sums by what they are by and of.
func (s *sums) write() []*schedulev1.Breakdown {
	var all []*schedulev1.Breakdown
	for key, costs := range s.costs {
		all = append(all, &schedulev1.Breakdown{By: key[0], Of: key[1], Terms: termsOf(costs), Jobs: s.jobs[key]})
	}
	slices.SortFunc(all, func(a, b *schedulev1.Breakdown) int {
		return cmp.Or(strings.Compare(a.GetBy(), b.GetBy()), strings.Compare(a.GetOf(), b.GetOf()))
	})
	return all
}
