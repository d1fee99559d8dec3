package model

// Minute is a moment or a length, in whole minutes.
type Minute = int32

// None stands for no person, no sprayer, no mix, no closure, or nothing pinned.
const None = -1

// Span is the minutes From, From+1 … To-1.
type Span struct {
	From, To Minute
}

// Problem is all that a plan depends on.
type Problem struct {
	// Start is minute 0, as seconds since 1970 UTC.
	Start int64
	// Horizon is the first minute that is not planned.
	Horizon Minute
	// Days are the first minutes of the local days, ascending, the first at or before
	// 0. Days have 23 or 25 hours where clocks change.
	Days     []Minute
	People   []Person
	Stations []Station
	Spaces   []Space
	Pools    []Pool
	Mixes    []Mix
	// Rinses are the tables that stations name.
	Rinses []RinseTable
	// Travel is the way from site to site; nil when all are one.
	Travel  [][]Minute
	Jobs    []Job
	Lags    []Lag
	Weights Weights
}

// Person does jobs, one at a time.
type Person struct {
	Name string
	// Shifts in which the person works, ascending, apart.
	Shifts []Shift
	// MaxProtected is the most minutes a day in protective equipment or heat, both
	// together; 0 for no limit.
	MaxProtected Minute
	// Worn is how much of MaxProtected work that is none of the problem's has used up on
	// the first day.
	Worn Minute
}

// Shift is when a person can work.
type Shift struct {
	Span
	// Overtime is its first minute of overtime; To when it has none.
	Overtime Minute
}

// Station is a sprayer, a drench cart, a bath, or a machine: one job at a time.
type Station struct {
	Name string
	// Tank is the most that it holds, mL; 0 when it holds no mix.
	Tank int64
	// SmallestLoad is the least it can be filled with, mL.
	SmallestLoad int64
	// Graduation is the step in which it can be filled, mL; 1 or more with a tank.
	Graduation int64
	// MixMinutes is how long a new load takes to mix.
	MixMinutes Minute
	// Open is when it can be used; none for always.
	Open []Span
	// Holds is the mix that was last in it; None when it is clean.
	Holds int32
	// Rinses is its table in Problem.Rinses; None when it needs no rinse.
	Rinses int32
}

// RinseTable is what a rinse takes: [from+1][to] with mixes, row 0 for a clean
// tank.
type RinseTable [][]Rinse

// Rinse between two mixes.
type Rinse struct {
	Minutes Minute
	// Volume of water, mL, which becomes waste.
	Volume int64
}

// Mix is what goes into a tank together.
type Mix struct {
	Name string
	// Life is how long after it was made it may be used, minutes; 0 lets no job join a
	// load.
	Life Minute
}

// Space is a house or a part of one.
type Space struct {
	Name string
	// House tells which spaces are parts of one house, for the breakdown.
	House int32
	// Working is when a closure of it costs.
	Working []Span
	// Engaged is when it must be open: a delivery, a harvest, a visit.
	Engaged []Span
	// Closed is when nobody may work in it, because of what was done before.
	Closed []Span
	// ClosedWeight is what a closed working minute costs, millionths.
	ClosedWeight int64
}

// Pool is something that several jobs use at once.
type Pool struct {
	Name     string
	Capacity int32
}

// Job is one piece of work.
type Job struct {
	Name string
	// Site is where it is, for the way; None when it is nowhere.
	Site int32
	// Mix that it applies; None for none.
	Mix int32
	// Volume of mix, mL.
	Volume int64
	// Ways in which it can be done, at least one.
	Ways []Way
	// Manned is true when a person does it.
	Manned bool
	// People who may do it, ascending. A manned job that nobody may do cannot be
	// placed.
	People []int32
	// Protected is true when it is done in protective equipment.
	Protected bool
	// Hot is when it is hot where the job is done, ascending, apart; none for never. It
	// counts only for people with a MaxProtected.
	Hot []Span
	// Release is its earliest start, Deadline its latest end.
	Release, Deadline Minute
	// Due is the end from which each minute costs LateWeight.
	Due Minute
	// Windows in one of which it lies; none for always.
	Windows []Span
	// Occupies are the spaces that it takes, each once.
	Occupies []Occupation
	// Demands on pools, each pool once.
	Demands []Demand
	// Needs are jobs without which it is not done, by index.
	Needs []int32
	// LateWeight is what a minute past Due costs, WaitWeight a minute from Release to
	// the start, both millionths; SkipWeight is what leaving it out counts, 1 or more.
	LateWeight, WaitWeight, SkipWeight int64
	// Told is what people were told before; nil when they were not.
	Told *Told
	// Pin is what must stay; nil when nothing.
	Pin *Pin
}

// Strained returns the minutes of [start, end) that count towards the MaxProtected of
// the person who does the job (R6): all of them in protective equipment, else those in
// heat.
func (j *Job) Strained(start, end Minute) Minute {
	if j.Protected {
		return end - start
	}
	var hot Minute
	for _, span := range j.Hot {
		hot += max(min(end, span.To)-max(start, span.From), 0)
	}
	return hot
}

// Way is a sprayer and how long the job takes with it.
type Way struct {
	// Station; None for work without one.
	Station  int32
	Duration Minute
}

// Occupation is a space that a job takes.
type Occupation struct {
	Space int32
	// Exclusive work keeps all others out.
	Exclusive bool
	// Tail is how long after its end the space stays closed.
	Tail Minute
	// Closure joins jobs that may share one closure; None joins none.
	Closure int32
}

// Demand is how much of a pool a job takes while it runs.
type Demand struct {
	Pool, Amount int32
}

// Lag holds when both jobs are placed: the point of To is at least Least minutes
// after the point of From. A negative Least is a longest time: To may be that much
// earlier than From, and no more.
type Lag struct {
	From, To int32
	// FromEnd and ToEnd take the end of the job as its point, else its start.
	FromEnd, ToEnd bool
	Least          Minute
}

// Told is where people think that a job stands.
type Told struct {
	Start Minute
	// Person and Way; None when that was not told, and then any is as told.
	Person, Way int32
	// Tolerance is by how much it may start earlier or later without being a change.
	Tolerance Minute
	// Weight is what a change costs, millionths. Leaving it out is a change.
	Weight int64
}

// Pin is what must stay. None leaves a part free.
type Pin struct {
	Start       Minute
	Person, Way int32
}

// Weights are what each minute, rinse and litre costs, millionths.
type Weights struct {
	// Finish is for each minute until the last job ends.
	Finish int64
	// Leftover is for each mL of mix that is made and not used.
	Leftover int64
	// Rinse is for each rinse, RinseVolume for each mL of its water.
	Rinse, RinseVolume int64
	// Overtime is for each minute of a person's overtime.
	Overtime int64
}

// Term is a part of the cost.
type Term int

// The terms.
const (
	// Late is LateWeight for each minute past Due.
	Late Term = iota
	// Waiting is WaitWeight for each minute from Release to the start.
	Waiting
	// Closed is ClosedWeight for each working minute in which a space is closed by
	// exclusive work or its tail; where closures overlap, once.
	Closed
	// Leftover is what is made and not used.
	Leftover
	// Rinsing is the rinses that take time or water, and their water.
	Rinsing
	// Overtime is the minutes of busy spans in the overtime of shifts.
	Overtime
	// Change is the weights of jobs that are not as people were told.
	Change
	// Finish is the end of the last job.
	Finish
	// Terms is how many there are.
	Terms
)

var termNames = [Terms]string{
	"hours late", "disease waiting", "closed house hours", "mix left over", "rinses", "overtime", "changes", "end of work",
}

// String names the term as a manager would.
func (t Term) String() string { return termNames[t] }

// Score is what a plan costs. Skipped counts first.
type Score struct {
	// Skipped is the weights of jobs left out.
	Skipped int64
	// Terms are millionths, none below zero.
	Terms [Terms]int64
}

// Total is the sum of the terms.
func (s Score) Total() int64 {
	var total int64
	for _, term := range s.Terms {
		total += term
	}
	return total
}

// Compare returns -1 when s is better than other, 1 when it is worse, else 0.
func (s Score) Compare(other Score) int {
	if s.Skipped != other.Skipped {
		if s.Skipped < other.Skipped {
			return -1
		}
		return 1
	}
	a, b := s.Total(), other.Total()
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// Plan is where each job of a problem stands, by its index.
type Plan []Placement

// Placement is where a job stands; the zero value is a job that is left out.
type Placement struct {
	Placed bool
	Start  Minute
	// Way is the index in the job's Ways.
	Way int32
	// Person who does it; None for nobody.
	Person int32
	// NewLoad is true when its mix is made for it; false joins the load before. A job
	// without a mix or a station has none.
	NewLoad bool
}
