// Package proposal ranks the products of a nursery for a step of a program. It
// invents no rule of its own: what the rules engine refuses is lost, with what the
// engine said, and the rest is ranked. The product label and local law decide over
// all of it, and licensed advice comes first.
//
// # Ranking
//
// Every product that no rule refuses gets points against it, whole numbers, the
// fewer the better. The weights are decisions of this service, no source:
//
//	60 for each place that its best active ingredient stands below the first of
//	   the step's, whose order is the template's priority
//	120 when the store does not hold enough of it, so that it must be bought
//	1  for each percent of the tightest rotation limit that is used up once it is
//	   applied; groups without limits use up nothing
//	1  for every two days short of the window of resistance rotation since one of
//	   its limited groups was last used on the lots
//	10 for each day short of 7 by which it keeps its distance to what was applied
//	   before
//	1  for each hour of restricted entry, up to 96
//	30 when it is the last application that its label allows for now, 15 when it is
//	   the last but one
//	5  for each warning of the rules engine
//
// Reasons begin with all points, then give what each is for, most first. A product
// that holds none of the step's active ingredients loses for that and for what it
// is and who applies it; its label and the history are not asked any more.
//
// Products whose points lie in the same band of 25 are as good as each other: of
// them the cheaper goes first, one of unknown cost last; costs in different
// currencies are not compared but kept apart by currency. Then fewer points decide,
// then the product's id. Where a product stands against another depends on these
// two alone, so one more product never changes the order of the others.
package proposal
