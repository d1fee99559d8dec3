// Package model is the scheduling problem in whole minutes: the jobs, the people,
// sprayers and places that they need, and what a plan costs. It holds no search.
// The search, the bounds and the checker each read these types and share nothing
// else, so that a fault in one does not hide in another.
//
// # Time
//
// A moment is the number of whole minutes since Problem.Start. A Span holds its
// first minute and not its last. Nothing happens before minute 0 or after
// Horizon.
//
// # What a plan must keep
//
// For a job that is placed, s is its start, d the duration of its way, e = s + d its
// end. Rules count from R1, and the checker and every refusal name them so.
//
//	R1  way        the job has the way that is named, and somebody who may do it does
//	               it when it needs a person; nobody when it needs none
//	R2  window     Release <= s, e <= Deadline, e <= Horizon, and [s, e) lies in one
//	               of the job's Windows when it has any
//	R3  prepared   before s its sprayer is rinsed and a new load is mixed; that takes
//	               the sprayer and the person: both are busy from b = s - prep to e,
//	               and b >= 0. prep is the rinse from what the sprayer held before
//	               (the mix of the last earlier job with a mix on it, else Holds) to
//	               the job's mix, plus MixMinutes for a job that begins a new load.
//	               A job that joins a load still takes the rinse from its mix to the
//	               same mix when the table has one. A job without a mix needs none and
//	               leaves the tank as it is
//	R4  sprayer    the busy spans of one sprayer do not overlap and each lies in one
//	               of its Open spans when it has any
//	R5  person     the busy spans of one person do not overlap; between the end of one
//	               and the beginning of the next lies the way from site to site; each
//	               lies in one shift. Only jobs of which one is the person's next need
//	               the way, and none does when one of the two is nowhere
//	R6  protection the minutes of [s, e) of a person's jobs that begin on one day, all of
//	               them for a job in protective equipment, else those in its Hot spans,
//	               stay together within the person's MaxProtected, when it is set;
//	               on the first day together with Worn
//	R7  place      two jobs in one space keep apart when one of them is exclusive:
//	               their spans [s, e + Tail) do not overlap, unless both name the same
//	               Closure. A span [s, e) overlaps no Closed span of the space; an
//	               exclusive one [s, e + Tail) overlaps no Engaged span either
//	R8  pool       at no moment do the jobs that run ask for more than a pool's capacity
//	R9  interval   every lag between two jobs that are both placed holds
//	R10 needs      a job is placed only when all jobs that it needs are
//	R11 pin        what is pinned is as it is pinned, and a pinned job is placed
//	R12 load       a job that joins a load follows, on the same sprayer, a job with the
//	               same mix with no job of another mix between, and ends within the
//	               mix's Life from the start of the job that began the load. A sprayer
//	               with a tank but no whole graduation between its smallest load and
//	               its tank takes no job with a Volume of mix
//
// Work that needs a person or a mix lasts at least 1 minute in every way, because in
// what order work of no time comes is not defined, and a way or a rinse depends on the
// order. Other work may take no time; its span is empty and overlaps nothing. Windows
// and Open without a span in them are the same as nil.
//
// # Loads and what is left over
//
// A run is the jobs of one load and those that join it. Its mix is made in as few
// litres as the sprayer can make and measure: the least total that is a sum of
// loads of whole graduations between the smallest load and the tank. What is made
// and not used is left over. A sprayer whose tank is 0 leaves nothing.
//
// # Cost
//
// First count the weights of the jobs that are left out: no saving elsewhere makes
// up for one. Then the sum of the terms, each a whole number of millionths and
// never below zero, so that the sum of bounds on terms bounds the sum.
//
// A job is a change when it is left out, starts earlier or later than it was told by
// more than the tolerance, or has another person or way than was told. When no person
// was told (None), or no way, any is as told.
package model
