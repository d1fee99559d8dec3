package schedule

import (
	"cmp"
	"fmt"
	"math/big"
	"slices"
	"strings"
	"time"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/quantity"
	"velamen/services/schedule/model"
	"velamen/services/stock"
)

// draft is a job on its way into the problem.
type draft struct {
	// work is its place in input.Work.
	work int
	// houses in which its lots stand, as in input.Houses, by id.
	houses []int32
	plants int64
	// volume of mix, mL.
	volume int64
	mix    int32
	ways   []model.Way
	people []int32
	// windows in one of which it lies; all of the plan when always.
	windows []model.Span
	always  bool
	// release is its earliest start and because why.
	release model.Minute
	because string
	// lead is when it may begin so that there is time to accept the plan; 0 when that
	// keeps it from nothing.
	lead model.Minute
	due  model.Minute
	pin  *model.Pin
}

// draftAll decides which work can be planned. What cannot is left out with the
// reason, and so is what waits for it.
func (c *compiled) draftAll() {
	out := map[string]string{}
	for i := range c.input.Work {
		work := &c.input.Work[i]
		if _, now := c.goesOn(work.Job); now {
			continue
		}
		d := draft{work: i, mix: model.None}
		if reason := c.draft(&d); reason != "" {
			out[work.Job] = reason
			continue
		}
		c.drafts = append(c.drafts, d)
	}
	c.addLeads(out)
	for c.dropWaiting(out) || c.pushReleases(out) {
		continue // what is out takes others with it
	}
	for i := range c.input.Work {
		if reason, ok := out[c.input.Work[i].Job]; ok {
			c.leaveOut(c.input.Work[i], reason)
		}
	}
	for i := range c.drafts {
		name := c.input.Work[c.drafts[i].work].Job
		c.jobs = append(c.jobs, name)
		c.index[name] = int32(i)
	}
}

// dropWaiting takes out what waits for a job that is out, with the reason; false when
// there is nothing.
func (c *compiled) dropWaiting(out map[string]string) bool {
	before := len(c.drafts)
	c.drafts = slices.DeleteFunc(c.drafts, func(d draft) bool {
		work := &c.input.Work[d.work]
		for _, after := range work.After {
			_, missing := out[after.Job]
			if _, waits := c.workAt[after.Job]; missing || !waits {
				out[work.Job] = fmt.Sprintf("It waits for %q, which is not planned.", c.titleOf(after.Job))
				return true
			}
		}
		return false
	})
	return len(c.drafts) < before
}

// pushReleases lets what waits for others begin no earlier than those can end, so that
// it is not counted as waiting before. It takes out what then begins after the days
// planned, or before which it is pinned; false when there is nothing.
func (c *compiled) pushReleases(out map[string]string) bool {
	at := map[string]int{}
	for i := range c.drafts {
		at[c.input.Work[c.drafts[i].work].Job] = i
	}
	moved := true
	for pass := 0; moved && pass <= len(c.drafts); pass++ { // intervals in a circle never come to rest
		moved = false
		for i := range c.drafts {
			for _, after := range c.input.Work[c.drafts[i].work].After {
				if k, planned := at[after.Job]; planned && c.pushRelease(&c.drafts[i], &c.drafts[k], after.Least) {
					moved = true
				}
			}
		}
	}
	before := len(c.drafts)
	c.drafts = slices.DeleteFunc(c.drafts, func(d draft) bool {
		reason := ""
		switch {
		case d.release >= c.problem.Horizon:
			reason = d.because
		case d.pin != nil && d.pin.Start != model.None && d.pin.Start < d.release:
			reason = fmt.Sprintf("It is pinned to %s. %s", c.local(d.pin.Start), d.because)
		default:
			return false
		}
		out[c.input.Work[d.work].Job] = reason
		return true
	})
	return len(c.drafts) < before
}

// pushRelease lets a job begin no earlier than an interval after the earliest end of
// another; false when it does not begin earlier anyway.
func (c *compiled) pushRelease(d, earlier *draft, least time.Duration) bool {
	shortest := earlier.ways[0].Duration
	for _, way := range earlier.ways {
		shortest = min(shortest, way.Duration)
	}
	from := min(earlier.release+shortest+wholeMinutes(least), c.problem.Horizon)
	if from <= d.release || earlier.release >= c.problem.Horizon {
		return false
	}
	d.release = from
	d.because = fmt.Sprintf("It may not be done before %s: %q has to be so long ago.", c.local(from), c.titleOf(c.input.Work[earlier.work].Job))
	return true
}

// wholeMinutes rounds an interval up: it is never shortened.
func wholeMinutes(length time.Duration) model.Minute {
	return model.Minute(min(max((length+time.Minute-1)/time.Minute, 0), model.MaxMinutes/2))
}

// titleOf returns what a job is called; the last part of its name where it is not
// known.
func (c *compiled) titleOf(job string) string {
	if i, waits := c.workAt[job]; waits && c.input.Work[i].Title != "" {
		return strings.TrimSuffix(c.input.Work[i].Title, ".")
	}
	return lastPart(job)
}

// draft fills a draft in and returns why the job cannot be planned, or nothing.
func (c *compiled) draft(d *draft) string {
	work := &c.input.Work[d.work]
	if work.Impossible != "" {
		return work.Impossible
	}
	for _, part := range []func(*draft, *Work) string{c.placeDraft, c.timeDraft, c.waysDraft, c.peopleDraft, c.pinDraft} {
		if reason := part(d, work); reason != "" {
			return reason
		}
	}
	return ""
}

// placeDraft finds the houses.
func (c *compiled) placeDraft(d *draft, work *Work) string {
	for _, lot := range work.Lots {
		h, known := c.houses[lot.House]
		if !known {
			return fmt.Sprintf("Lot %s stands in house %s, which is not there.", lot.ID, lot.House)
		}
		d.plants += lot.Plants
		if !slices.Contains(d.houses, h) {
			d.houses = append(d.houses, h)
		}
	}
	if len(d.houses) == 0 {
		return "None of its lots has plants that stand anywhere."
	}
	if work.Plants > 0 {
		d.plants = work.Plants
	}
	slices.Sort(d.houses)
	return ""
}

// timeDraft finds when it may begin, when it is due and its windows.
func (c *compiled) timeDraft(d *draft, work *Work) string {
	c.releaseDraft(d, work)
	if d.release >= c.problem.Horizon {
		return d.because
	}
	d.due = c.dueOf(work)
	d.windows = []model.Span{{From: 0, To: c.problem.Horizon}}
	for _, h := range d.houses {
		d.windows = both(d.windows, c.openIn(&c.input.Houses[h], work.Chemical != nil))
	}
	if len(d.windows) == 0 {
		return fmt.Sprintf("There are no hours in these days in which people may %s in %s.", verbOf(work), c.housesOf(d))
	}
	if work.Chemical != nil {
		for _, no := range work.Chemical.Forbidden {
			if span, ok := c.outward(interval{Start: no.Start, End: no.End}, c.problem.Horizon); ok {
				d.windows = without(d.windows, span)
			}
		}
		if len(d.windows) == 0 {
			return "The rules for what is applied let it be done at no time in these days."
		}
		for _, h := range d.houses {
			d.windows = both(d.windows, c.temperate(&c.input.Houses[h], work.Chemical))
		}
		if len(d.windows) == 0 {
			return c.tooHotOrCold(d, work.Chemical)
		}
	}
	d.always = len(d.windows) == 1 && d.windows[0] == model.Span{From: 0, To: c.problem.Horizon}
	return ""
}

func verbOf(work *Work) string {
	if work.Chemical != nil {
		return "apply anything"
	}
	return "work"
}

// releaseDraft finds the earliest start and why it is none before.
func (c *compiled) releaseDraft(d *draft, work *Work) {
	later := func(t time.Time, because string) {
		if t.IsZero() {
			return
		}
		if m := c.minuteUp(t); m > d.release {
			d.release, d.because = m, fmt.Sprintf(because, c.local(m))
		}
	}
	later(work.Open, "It may not be done before %s: the step before it has to be so long ago.")
	if work.Chemical != nil {
		waits := "the rules for what is applied do not let it pass before"
		if work.Chemical.Waits != "" {
			waits = strings.ReplaceAll(strings.TrimSuffix(work.Chemical.Waits, "."), "%", "%%")
		}
		later(work.Chemical.Earliest, "It may not be done before %s: "+waits+".")
	}
	for _, after := range work.After {
		if told, now := c.goesOn(after.Job); now {
			later(told.End.Add(after.Least), "It may not be done before %s: \""+strings.ReplaceAll(c.titleOf(after.Job), "%", "%%")+"\" has to be so long ago.")
		}
	}
}

// mostLate is how far back lateness counts, minutes: what is four weeks late and what
// is five are both as late as can be. Design value.
const mostLate = 28 * 24 * 60

// dueOf returns when a job is due. What waits for another is due from when that one is,
// or from now when that has passed.
func (c *compiled) dueOf(work *Work) model.Minute {
	if due, known := c.dues[work.Job]; known {
		return due
	}
	due := model.Minute(-mostLate)
	switch {
	case !work.Due.IsZero():
		due = max(due, c.minute(work.Due))
	case len(work.After) == 0:
		due = c.problem.Horizon // nobody said
	}
	c.dues[work.Job] = due // intervals in a circle, which no plan keeps, end here
	for _, after := range work.After {
		i, waits := c.workAt[after.Job]
		if !waits {
			continue
		}
		from := max(c.dueOf(&c.input.Work[i]), 0)
		due = max(due, from+model.Minute(min(after.Due/time.Minute, model.MaxMinutes/2)))
	}
	c.dues[work.Job] = min(due, model.MaxMinutes)
	return c.dues[work.Job]
}

// waysDraft finds the sprayers that it can be done with and how long each takes.
func (c *compiled) waysDraft(d *draft, work *Work) string {
	chemical := work.Chemical
	if chemical == nil {
		d.ways = []model.Way{{Station: model.None, Duration: c.workMinutes(d, work)}}
		return ""
	}
	d.volume = millilitres(chemical.Volume, true)
	if d.volume == 0 && chemical.Method != productsv1.Method_METHOD_BATH {
		return fmt.Sprintf("How much mix of %s it takes is not known: neither its label nor an area of the benches says it.", chemical.DisplayName)
	}
	var missing []string
	for i := range c.sprayers {
		sprayer := &c.sprayers[i]
		if !slices.Contains(sprayer.Methods, chemical.Method) {
			continue
		}
		minutes, lacks := c.applyMinutes(d, chemical, int32(i))
		if lacks != "" {
			missing = append(missing, fmt.Sprintf("%s has no %s entered", sprayer.DisplayName, lacks))
			continue
		}
		d.ways = append(d.ways, model.Way{Station: int32(i), Duration: minutes})
	}
	if len(d.ways) > 0 {
		return ""
	}
	if len(missing) == 0 {
		return fmt.Sprintf("No sprayer in service is for %s.", methodWord(chemical.Method))
	}
	return "No sprayer can be used for it: " + strings.Join(missing, "; ") + "."
}

func methodWord(method productsv1.Method) string {
	switch method {
	case productsv1.Method_METHOD_SPRAY:
		return "spraying"
	case productsv1.Method_METHOD_DRENCH:
		return "drenching"
	default:
		return "baths"
	}
}

// applyMinutes returns how long an application takes with a sprayer: putting the mix
// out, each filling after the first, and the way between its houses. lacks names what
// is not entered of the sprayer.
func (c *compiled) applyMinutes(d *draft, chemical *Chemical, station int32) (minutes model.Minute, lacks string) {
	sprayer, at := &c.sprayers[station], &c.problem.Stations[station]
	if !fills(at) {
		return 0, "load that its tank can hold and that can be measured in it"
	}
	var work int64
	if chemical.Method == productsv1.Method_METHOD_BATH {
		if sprayer.PlantsPerHour <= 0 {
			return 0, "number of plants in an hour"
		}
		work = (d.plants*60 + int64(sprayer.PlantsPerHour) - 1) / int64(sprayer.PlantsPerHour)
	} else {
		output := millilitresExact(sprayer.OutputPerMinute)
		if output.Sign() <= 0 {
			return 0, "output in a minute"
		}
		needed := new(big.Rat).Quo(new(big.Rat).SetInt64(d.volume), output)
		work = quantity.ExactOf(needed, quantity.Millilitre).Ceil(0).Amount.IntPart()
		_, fillings := loadFor(at, d.volume)
		work += max(fillings-1, 0) * int64(at.MixMinutes)
	}
	work += int64(c.wayWithin(d.houses))
	return model.Minute(min(max(work, 1), model.MaxMinutes)), ""
}

// millilitresExact returns a volume in mL; 0 where there is none.
func millilitresExact(volume quantity.Quantity) *big.Rat {
	exact, err := volume.Exact().In(quantity.Millilitre)
	if volume.IsZero() || err != nil {
		return new(big.Rat)
	}
	return exact.Amount()
}

// workMinutes returns how long work without chemical takes.
func (c *compiled) workMinutes(d *draft, work *Work) model.Minute {
	rate, _ := c.input.Settings.rate(work.Kind)
	minutes := rate.minutes(d.plants) + int64(c.wayWithin(d.houses))
	return model.Minute(min(max(minutes, 1), model.MaxMinutes))
}

// peopleDraft finds who may do it.
func (c *compiled) peopleDraft(d *draft, work *Work) string {
	if work.Chemical == nil {
		if d.people = c.mayWork(d.houses); len(d.people) == 0 {
			return c.nobodyWorks()
		}
		return ""
	}
	if d.people = c.mayApply(work.Chemical, c.problem.Horizon); len(d.people) == 0 {
		return c.nobodyApplies(work.Chemical)
	}
	return ""
}

// pinDraft takes a pin over, or says why it cannot be kept.
func (c *compiled) pinDraft(d *draft, work *Work) string {
	i := slices.IndexFunc(c.input.Pins, func(p Pin) bool { return p.Job == work.Job })
	if i < 0 {
		return ""
	}
	pin := c.input.Pins[i]
	d.pin = &model.Pin{Start: model.None, Person: model.None, Way: model.None}
	if !pin.Start.IsZero() {
		start := c.minute(pin.Start)
		if reason := c.refusePinnedStart(d, start); reason != "" {
			return reason
		}
		d.pin.Start = start
	}
	if id := lastPart(pin.Person); id != "" {
		person, known := c.people[id]
		if !known || !slices.Contains(d.people, person) {
			return fmt.Sprintf("It is pinned to %s, who may not do it in these days: unpin it, or enter what is missing of them.", c.personTitle(id))
		}
		d.pin.Person = person
	}
	if id := lastPart(pin.Sprayer); id != "" {
		station, known := c.stations[id]
		way := slices.IndexFunc(d.ways, func(w model.Way) bool { return known && w.Station == station })
		if way < 0 {
			return fmt.Sprintf("It is pinned to the sprayer %s, which cannot be used for it: unpin it, or enter what is missing of it.", c.sprayerTitle(id))
		}
		d.pin.Way = int32(way)
	}
	return c.refuseStrained(d, work)
}

// refuseStrained refuses a start that is pinned to a time at which everybody who may do
// the job would be in protective equipment or heat for too long. It may have become hot
// after it was pinned.
func (c *compiled) refuseStrained(d *draft, work *Work) string {
	people := d.people
	if d.pin.Person != model.None {
		people = []int32{d.pin.Person}
	}
	if d.pin.Start == model.None || c.bearable(d, work, people, d.pin.Start) {
		return ""
	}
	return fmt.Sprintf("It is pinned to %s: nobody who may do it then may be in protective equipment or heat for so long that day.", c.local(d.pin.Start))
}

func (c *compiled) refusePinnedStart(d *draft, start model.Minute) string {
	switch {
	case start < 0:
		return fmt.Sprintf("It is pinned to %s, which is past: unpin it, or pin it to a later time.", c.local(start))
	case start >= c.problem.Horizon:
		return fmt.Sprintf("It is pinned to %s, after the last day planned.", c.local(start))
	case start < d.release:
		return fmt.Sprintf("It is pinned to %s. %s", c.local(start), d.because)
	case !slices.ContainsFunc(d.windows, func(w model.Span) bool { return w.From <= start && start < w.To }):
		return fmt.Sprintf("It is pinned to %s, outside of the hours for it.", c.local(start))
	default:
		return ""
	}
}

// timeToAccept is how long a new plan leaves its manager before new work begins: a plan
// whose first job should have begun can no longer be accepted. Design value.
const timeToAccept = 30 * time.Minute

// addLeads keeps new work away from the time that a manager needs to accept the plan.
// What people know already, and what a manager pinned with all that it waits for, may
// begin earlier.
func (c *compiled) addLeads(out map[string]string) {
	if c.input.Lead == 0 {
		return
	}
	wanted := c.wantedByPins()
	for i := range c.drafts {
		work := &c.input.Work[c.drafts[i].work]
		if wanted[work.Job] {
			continue
		}
		if reason := c.addLead(&c.drafts[i], work); reason != "" {
			out[work.Job] = reason
		}
	}
	c.drafts = slices.DeleteFunc(c.drafts, func(d draft) bool {
		_, left := out[c.input.Work[d.work].Job]
		return left
	})
}

// wantedByPins are the jobs whose start is pinned, and all that those wait for.
func (c *compiled) wantedByPins() map[string]bool {
	wanted := map[string]bool{}
	for i := range c.drafts {
		if d := &c.drafts[i]; d.pin != nil && d.pin.Start != model.None {
			c.want(c.input.Work[d.work].Job, wanted)
		}
	}
	return wanted
}

func (c *compiled) want(job string, wanted map[string]bool) {
	i, waits := c.workAt[job]
	if !waits || wanted[job] {
		return
	}
	wanted[job] = true
	for _, after := range c.input.Work[i].After {
		c.want(after.Job, wanted)
	}
}

// addLead cuts off the hours of a job that are too soon. It is no release: that work
// waits costs from when it could be done, whenever it was planned.
func (c *compiled) addLead(d *draft, work *Work) string {
	from := c.minuteUp(c.input.Now.Add(c.input.Lead)) + c.longestPreparation(d)
	if told, was := c.told[work.Job]; was && c.canStay(d, told) {
		from = min(from, c.minute(told.Start))
	}
	if from <= d.release {
		return ""
	}
	d.lead, d.always = from, false
	if d.windows = both(d.windows, []model.Span{{From: from, To: max(from, c.problem.Horizon)}}); len(d.windows) == 0 {
		return "No hours for it are left in these days. " + c.sayLead(from)
	}
	return ""
}

// canStay reports whether those who were told a job can still do it as it was told.
func (c *compiled) canStay(d *draft, told Told) bool {
	person, known := c.people[told.Person]
	if told.begins().Before(c.input.From) || !known || !slices.Contains(d.people, person) {
		return false
	}
	begin, end := c.minute(told.begins()), c.minuteUp(told.End)
	works := slices.ContainsFunc(c.problem.People[person].Shifts, func(s model.Shift) bool { return s.From <= begin && end <= s.To })
	return works && (told.Sprayer == "" || slices.ContainsFunc(d.ways, func(w model.Way) bool {
		station, known := c.stations[told.Sprayer]
		return known && w.Station == station
	}))
}

// sayLead says why new work begins no earlier.
func (c *compiled) sayLead(from model.Minute) string {
	return fmt.Sprintf("New work begins no earlier than %s, so that there is time to accept the plan.", c.local(from))
}

// longestPreparation is how long before a job its sprayer may be taken: for a new load,
// after the two rinses between products that must not meet.
func (c *compiled) longestPreparation(d *draft) model.Minute {
	var longest model.Minute
	for _, way := range d.ways {
		if way.Station != model.None {
			longest = max(longest, c.problem.Stations[way.Station].MixMinutes+2*limited(int64(c.sprayers[way.Station].RinseMinutes)))
		}
	}
	return longest
}

// isRoutine reports whether work is a routine inspection of a house and no step of a
// program.
func isRoutine(work *Work) bool { return strings.Contains(work.Job, "/houses/") }

// closesBenches returns the benches that a job closes by themselves.
func (d *draft) closesBenches(c *compiled) []stock.BenchID {
	work := &c.input.Work[d.work]
	if work.Chemical == nil {
		return nil
	}
	var benches []stock.BenchID
	for _, lot := range work.Lots {
		if c.closesByBench(work.Chemical, &c.input.Houses[c.houses[lot.House]]) {
			benches = append(benches, stock.BenchID{House: lot.House, Bench: lot.Bench})
		}
	}
	slices.SortFunc(benches, func(a, b stock.BenchID) int {
		return cmp.Or(strings.Compare(a.House, b.House), strings.Compare(a.Bench, b.Bench))
	})
	return slices.Compact(benches)
}

func (c *compiled) personTitle(id string) string {
	for _, applicator := range c.input.People {
		if applicator.Person.ID == id {
			return applicator.Person.DisplayName
		}
	}
	return id
}

func (c *compiled) sprayerTitle(id string) string {
	for _, sprayer := range c.input.Sprayers {
		if sprayer.ID == id {
			return sprayer.DisplayName
		}
	}
	return id
}

// housesOf lists the houses of a job by what people call them.
func (c *compiled) housesOf(d *draft) string {
	var names []string
	for _, h := range d.houses {
		names = append(names, c.input.Houses[h].DisplayName)
	}
	return strings.Join(names, " and ")
}
