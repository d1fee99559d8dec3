// Package rotation lays out a season: one application in every interval, each of one
// product, so that the limits of resistance management, the labels and the rules of
// what must be kept apart hold in every window, at the end, and over the whole.
//
// It counts nothing itself. Every limit is a machine that asks the rules engine
// whether one more application passes after those before it, and remembers the
// answer; and the plan that comes out is run through the engine once more before
// anybody sees it. Only what the engine cannot know is added: that shares and tables
// also hold over the whole horizon, which is taken as the season that FRAC counts by.
//
// # Which sequence
//
// Of all sequences that keep every limit the planner gives one that has the fewest
// applications with a group at high risk of resistance, and of these the first in
// an order of preference: at every application from the first on, the product whose
// most used group was used least so far, then the one at lower risk, then the
// cheaper, then by id. The same facts give the same plan.
//
// # How it is found
//
// The search fills slot after slot, the preferred product first, and is complete. It
// leaves out what it has shown to be hopeless: a stand of all limits that led
// nowhere before (what cannot matter any more is left out of a stand, so that stands
// recur); a product that stands exactly where one stood that failed (twins); and a
// stand whose limits do not leave room for as many applications as are to come.
// In the worst case that is exponential in the number of applications; it ends after
// a fixed number of steps, and says so, and at once when nobody waits for it any more.
// With 20 products and 52 weekly applications it takes milliseconds; the most that it
// may take is some seconds.
//
// # Why there is none
//
// Where no sequence exists the planner gives a smallest conflict: a set of limits
// that no sequence keeps together, as few as possible; see conflict. Other conflicts
// may remain once one of its limits is lifted. Limits outside the set play no part:
// without any one of its limits there is a sequence that keeps the others of the
// set. Finding the smallest is exponential in the number of limits in the worst
// case; where the search ends before, the set is one from which nothing can be left
// out, and it says that a smaller one may exist.
//
// Products that may be used on none of the days (wrong crop, not approved, nothing
// that works on the disorder, a label fact missing) are left out from the start and
// listed with the reasons; they are no limits of a conflict.
//
// # Days and hours
//
// A plan is by days: how long the work will take is not known. Labels count from the
// end of the work, so an application that follows another after exactly the days
// asked for is marked: it must not begin at an earlier hour than that one ended. What
// the lots were treated with before counts from the hour at which it really ended.
//
// The product label and local law decide over all of it.
package rotation
